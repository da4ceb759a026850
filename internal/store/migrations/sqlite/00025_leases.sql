-- +goose Up
-- Who of several instances does what only one may do, until when (microseconds since 1970 in
-- UTC by the clock of the database), and what the others are to know of it. SQLite has a lock
-- of the operating system in its place.
CREATE TABLE leases (
    name     TEXT NOT NULL PRIMARY KEY,
    owner    TEXT NOT NULL,
    fence    INTEGER NOT NULL,
    taken_at INTEGER NOT NULL,
    until    INTEGER NOT NULL,
    said     TEXT NOT NULL
) STRICT;
