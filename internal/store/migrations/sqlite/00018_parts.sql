-- +goose Up
-- Rows that say something only together with others, in every version: facts are composed
-- of them by topic. Moments are microseconds since 1970 in UTC.
CREATE TABLE feed_parts (
    id          INTEGER NOT NULL PRIMARY KEY,
    feed        TEXT NOT NULL,
    part_id     TEXT NOT NULL,
    recorded_at INTEGER NOT NULL,
    kind        TEXT NOT NULL,
    home        TEXT NOT NULL, -- the topic that says what becomes of the row
    topics      TEXT NOT NULL, -- JSON: all of them, by name
    body        BLOB NOT NULL,
    file        TEXT NOT NULL,
    reading     INTEGER NOT NULL,
    line        INTEGER NOT NULL,
    hash        BLOB NOT NULL,
    load_id     INTEGER NOT NULL, -- that brought it
    state       TEXT NOT NULL  -- what became of it: skipped, waits, or empty for used
) STRICT;
CREATE UNIQUE INDEX feed_parts_identity ON feed_parts (feed, part_id, recorded_at, hash);
CREATE INDEX feed_parts_load ON feed_parts (load_id);
CREATE INDEX feed_parts_waits ON feed_parts (feed, kind) WHERE state = 'waits';

-- The parts of which any version names a topic; says is of the version that came last.
CREATE TABLE feed_part_topics (
    feed    TEXT NOT NULL,
    topic   TEXT NOT NULL,
    part_id TEXT NOT NULL,
    says    TEXT NOT NULL,
    PRIMARY KEY (feed, topic, part_id)
) STRICT, WITHOUT ROWID;

-- What was looked at to compose a topic.
CREATE TABLE feed_topic_uses (
    feed  TEXT NOT NULL,
    topic TEXT NOT NULL,
    uses  TEXT NOT NULL,
    PRIMARY KEY (feed, topic, uses)
) STRICT, WITHOUT ROWID;
CREATE INDEX feed_topic_uses_of ON feed_topic_uses (feed, uses);

-- The versions that came of a topic.
CREATE TABLE feed_composed (
    feed        TEXT NOT NULL,
    topic       TEXT NOT NULL,
    kind        TEXT NOT NULL,
    source_id   TEXT NOT NULL,
    recorded_at INTEGER NOT NULL,
    hash        BLOB NOT NULL,
    file        TEXT NOT NULL, -- where the part stood that brought it
    line        INTEGER NOT NULL,
    PRIMARY KEY (feed, topic, kind, source_id, recorded_at, hash)
) STRICT, WITHOUT ROWID;
CREATE INDEX feed_composed_fact ON feed_composed (kind, source_id);

-- Topics to be composed before the transaction ends.
CREATE TABLE feed_topics_due (
    feed  TEXT NOT NULL,
    topic TEXT NOT NULL,
    PRIMARY KEY (feed, topic)
) STRICT, WITHOUT ROWID;

-- Parts that a load brought again, kept until it is finished.
CREATE TABLE repeated_parts (
    load_id     INTEGER NOT NULL,
    feed        TEXT NOT NULL,
    part_id     TEXT NOT NULL,
    recorded_at INTEGER NOT NULL,
    hash        BLOB NOT NULL,
    file        TEXT NOT NULL,
    line        INTEGER NOT NULL
) STRICT;
CREATE INDEX repeated_parts_load ON repeated_parts (load_id);
