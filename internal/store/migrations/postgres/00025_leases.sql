-- +goose Up
-- Who of several instances does what only one may do, until when (microseconds since 1970 in
-- UTC by the clock of the database), and what the others are to know of it. SQLite has a lock
-- of the operating system in its place.
CREATE TABLE leases (
    name     text   COLLATE "C" NOT NULL PRIMARY KEY,
    owner    text   COLLATE "C" NOT NULL,
    fence    bigint NOT NULL,
    taken_at bigint NOT NULL,
    until    bigint NOT NULL,
    said     text   COLLATE "C" NOT NULL
);
