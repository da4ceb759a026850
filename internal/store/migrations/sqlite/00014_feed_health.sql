-- +goose Up
-- What became of the rows of each kind of each feed at the last load that brought
-- any: the six counts add up. Moments are microseconds since 1970 in UTC.
CREATE TABLE feed_kinds (
    feed        TEXT    NOT NULL,
    kind        TEXT    NOT NULL,
    read_at     INTEGER NOT NULL, -- that load began
    new_at      INTEGER,         -- the last load that brought something new began
    newest_at   INTEGER,         -- the latest recorded_at brought, not after the load that brought it
    rows        INTEGER NOT NULL,
    accepted    INTEGER NOT NULL,
    unchanged   INTEGER NOT NULL,
    superseded  INTEGER NOT NULL,
    waiting     INTEGER NOT NULL,
    quarantined INTEGER NOT NULL,
    PRIMARY KEY (feed, kind)
) STRICT, WITHOUT ROWID;

-- Rows held back that somebody has put right: as they were received, and as they are
-- read instead for as long as they stand so in their file.
CREATE TABLE row_fixes (
    id         INTEGER NOT NULL PRIMARY KEY,
    name       TEXT    NOT NULL, -- of the file in feed_files
    file       TEXT    NOT NULL,
    line       INTEGER NOT NULL,
    kind       TEXT    NOT NULL,
    source_id  TEXT    NOT NULL, -- as received
    feed       TEXT    NOT NULL,
    reason     TEXT    NOT NULL, -- for which it was held back
    header     TEXT    NOT NULL,
    record     TEXT    NOT NULL,
    new_header TEXT    NOT NULL,
    new_record TEXT    NOT NULL,
    who        TEXT    NOT NULL,
    at         INTEGER NOT NULL,
    load_id    INTEGER NOT NULL
) STRICT;
CREATE INDEX row_fixes_name ON row_fixes (name, id);
