-- +goose Up
-- Displays on walls, each of one unit. Neither the code that enrols one nor its secret is kept. Rows are
-- never dropped: a name serves once. Moments are microseconds since 1970 in UTC.
CREATE TABLE screens (
    id          INTEGER NOT NULL PRIMARY KEY,
    name        TEXT    NOT NULL,
    name_key    TEXT    NOT NULL, -- the form in which names are compared
    unit        TEXT    NOT NULL,
    code_hash   BLOB    NOT NULL,
    code_until  INTEGER NOT NULL,
    secret_hash BLOB,             -- of the cookie, once it is enrolled
    made_by     TEXT    NOT NULL,
    made_at     INTEGER NOT NULL,
    enrolled_at INTEGER,
    revoked_at  INTEGER,
    used_at     INTEGER -- the hour of the last use
) STRICT;
CREATE UNIQUE INDEX screens_name_key ON screens (name_key);
CREATE UNIQUE INDEX screens_code ON screens (code_hash);
CREATE UNIQUE INDEX screens_secret ON screens (secret_hash);
