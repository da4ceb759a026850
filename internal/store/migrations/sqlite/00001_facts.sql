-- +goose Up
-- Moments are microseconds since 1970 in UTC; -62135596800000000 is "never said".
CREATE TABLE fact_versions (
    id          INTEGER NOT NULL PRIMARY KEY,
    kind        TEXT    NOT NULL,
    source_id   TEXT    NOT NULL,
    stay_id     TEXT    NOT NULL,
    recorded_at INTEGER NOT NULL,
    stated      INTEGER NOT NULL CHECK (stated IN (0, 1)),
    status      TEXT    NOT NULL,
    at          INTEGER,
    body        TEXT,
    feed        TEXT    NOT NULL,
    file        TEXT    NOT NULL,
    reading     INTEGER NOT NULL, -- which reading of the file
    line        INTEGER NOT NULL,
    hash        BLOB    NOT NULL,
    load_id     INTEGER NOT NULL
) STRICT;
CREATE UNIQUE INDEX fact_versions_identity ON fact_versions (kind, source_id, recorded_at, hash);
CREATE INDEX fact_versions_stay ON fact_versions (stay_id);

CREATE TABLE stay_heads (
    stay_id  TEXT    NOT NULL PRIMARY KEY,
    revision INTEGER NOT NULL,
    seen     INTEGER NOT NULL CHECK (seen IN (0, 1))
) STRICT, WITHOUT ROWID;
CREATE INDEX stay_heads_unseen ON stay_heads (stay_id) WHERE NOT seen;

CREATE TABLE stay_spans (
    stay_id   TEXT    NOT NULL,
    unit      TEXT    NOT NULL,
    starts_at INTEGER NOT NULL,
    ends_at   INTEGER,
    PRIMARY KEY (stay_id, unit)
) STRICT, WITHOUT ROWID;
CREATE INDEX stay_spans_unit ON stay_spans (unit, ends_at, starts_at);
