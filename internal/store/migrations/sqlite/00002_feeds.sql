-- +goose Up
CREATE TABLE loads (
    id          INTEGER NOT NULL PRIMARY KEY,
    started_at  INTEGER NOT NULL,
    finished_at INTEGER,
    how         TEXT    NOT NULL,
    after_id    INTEGER NOT NULL, -- the versions that the load stores have larger ids
    last_id     INTEGER,          -- and none larger than this, once it is finished
    files       INTEGER NOT NULL,
    rows        INTEGER NOT NULL,
    unchanged   INTEGER NOT NULL,
    quarantined INTEGER NOT NULL,
    summary     TEXT
) STRICT;

CREATE INDEX loads_open ON loads (id) WHERE finished_at IS NULL;

-- Rows of a load that said what was held already; kept until the load is finished.
CREATE TABLE repeated_rows (
    id         INTEGER NOT NULL PRIMARY KEY,
    load_id    INTEGER NOT NULL,
    version_id INTEGER NOT NULL,
    file       TEXT    NOT NULL,
    line       INTEGER NOT NULL
) STRICT;

CREATE TABLE feed_files (
    name        TEXT    NOT NULL PRIMARY KEY,
    size        INTEGER, -- the mark is of the last time the file was read whole
    mod_time_ns INTEGER, -- nanoseconds: it is compared with the file system's
    hash        TEXT,
    rows        INTEGER,
    unchanged   INTEGER,
    quarantined INTEGER,
    load_id     INTEGER NOT NULL,
    read_at     INTEGER NOT NULL,
    error       TEXT    NOT NULL
) STRICT;
CREATE INDEX feed_files_read ON feed_files (read_at);

CREATE TABLE quarantined_rows (
    id         INTEGER NOT NULL PRIMARY KEY,
    name       TEXT    NOT NULL, -- of the file in feed_files
    file       TEXT    NOT NULL,
    line       INTEGER NOT NULL,
    kind       TEXT    NOT NULL,
    source_id  TEXT    NOT NULL,
    status     TEXT    NOT NULL,
    reason     TEXT    NOT NULL,
    header     TEXT    NOT NULL,
    record     TEXT    NOT NULL,
    feed       TEXT    NOT NULL,
    load_id    INTEGER NOT NULL,
    first_seen INTEGER NOT NULL,
    last_seen  INTEGER NOT NULL
) STRICT;
CREATE INDEX quarantined_rows_name ON quarantined_rows (name, line);
