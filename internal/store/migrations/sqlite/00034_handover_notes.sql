-- +goose Up
-- What is said freely for the handover, of a stay or of a unit: only added to.
CREATE TABLE handover_notes (
    number  INTEGER NOT NULL PRIMARY KEY,
    stay_id TEXT    NOT NULL, -- empty for a note of the unit
    unit    TEXT    NOT NULL,
    text    TEXT    NOT NULL,
    who     TEXT    NOT NULL,
    at      INTEGER NOT NULL, -- microseconds since 1970 in UTC
    until   INTEGER NOT NULL, -- likewise: how long it is shown
    ends    INTEGER NOT NULL  -- the number of the note that this one takes back; 0 for none
) STRICT;
CREATE INDEX handover_notes_until ON handover_notes (until);
