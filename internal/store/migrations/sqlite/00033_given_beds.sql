-- +goose Up
-- Whose beds are in a shift: only added to; of one bed the last one counts that holds.
CREATE TABLE given_beds (
    number   INTEGER NOT NULL PRIMARY KEY,
    unit     TEXT    NOT NULL,
    from_bed TEXT    NOT NULL,
    to_bed   TEXT    NOT NULL,
    nurse    TEXT    NOT NULL, -- as typed; empty gives the beds back
    who      TEXT    NOT NULL, -- the account that gave them
    at       INTEGER NOT NULL, -- microseconds since 1970 in UTC
    until    INTEGER NOT NULL  -- likewise: the end of the shift
) STRICT;
CREATE INDEX given_beds_unit ON given_beds (unit, until);
