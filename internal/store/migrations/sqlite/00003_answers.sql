-- +goose Up
-- What the application computed from the facts of a stay, to be thrown away and
-- computed anew at any time.
CREATE TABLE stay_digests (
    stay_id     TEXT    NOT NULL PRIMARY KEY,
    basis       TEXT    NOT NULL,
    revision    INTEGER NOT NULL,
    valid_from  INTEGER NOT NULL,
    valid_until INTEGER,
    body        BLOB    NOT NULL
) STRICT;

CREATE TABLE policies (
    hash          TEXT    NOT NULL PRIMARY KEY,
    yaml          TEXT    NOT NULL,
    first_used_at INTEGER NOT NULL
) STRICT;
