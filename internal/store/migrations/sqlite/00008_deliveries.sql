-- +goose Up
-- What has become of telling one notice, or one digest, by one channel. The row
-- is made before the first attempt. Moments are microseconds since 1970 in UTC.
CREATE TABLE deliveries (
    notice_id TEXT    NOT NULL, -- or the id of a digest
    channel   TEXT    NOT NULL,
    state     TEXT    NOT NULL, -- waiting, held, sent, failed, dropped, skipped
    attempts  INTEGER NOT NULL,
    made_at   INTEGER NOT NULL,
    next_at   INTEGER NOT NULL, -- when it is tried, where it is waiting or held
    done_at   INTEGER,          -- when it came to its end
    trouble   TEXT    NOT NULL, -- of the last attempt
    body      TEXT    NOT NULL, -- of a digest; empty of a notice
    PRIMARY KEY (notice_id, channel)
) STRICT, WITHOUT ROWID;
CREATE INDEX deliveries_due ON deliveries (channel, next_at) WHERE state IN ('waiting', 'held');
CREATE INDEX deliveries_failed ON deliveries (channel, done_at) WHERE state = 'failed';

-- The channels that are set up.
CREATE TABLE delivery_channels (
    channel       TEXT    NOT NULL PRIMARY KEY,
    since         INTEGER NOT NULL, -- what came before is not told by it
    through       INTEGER NOT NULL, -- up to here all notices have their delivery
    last_sent_at  INTEGER,
    failing_since INTEGER,          -- the first failure since then
    trouble       TEXT    NOT NULL
) STRICT, WITHOUT ROWID;
