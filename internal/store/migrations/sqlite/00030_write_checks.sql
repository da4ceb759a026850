-- +goose Up
-- What is written to see whether anything can be: a few pages, at a moment (microseconds since 1970
-- in UTC), over and over.
CREATE TABLE write_checks (
    id   INTEGER NOT NULL PRIMARY KEY,
    at   INTEGER NOT NULL,
    body BLOB NOT NULL
) STRICT;
