-- +goose Up
-- Who was given what is owed before the next shift, from the huddle's page. Rows are
-- only ever added: the last one of a key counts, and an empty name gives it back.
-- Moments are microseconds since 1970 in UTC.
CREATE TABLE assignments (
    id      INTEGER NOT NULL PRIMARY KEY,
    unit    TEXT    NOT NULL,
    stay_id TEXT    NOT NULL,
    key     TEXT    NOT NULL, -- of what is owed
    name    TEXT    NOT NULL, -- of one of the staff, as it was typed
    who     TEXT    NOT NULL, -- the account that assigned it
    at      INTEGER NOT NULL
) STRICT;
CREATE INDEX assignments_by_unit ON assignments (unit, at);
