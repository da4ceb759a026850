-- +goose Up
-- What has become of telling one notice, or one digest, by one channel. The row
-- is made before the first attempt. Moments are microseconds since 1970 in UTC.
CREATE TABLE deliveries (
    notice_id text   COLLATE "C" NOT NULL, -- or the id of a digest
    channel   text   COLLATE "C" NOT NULL,
    state     text   COLLATE "C" NOT NULL, -- waiting, held, sent, failed, dropped, skipped
    attempts  bigint NOT NULL,
    made_at   bigint NOT NULL,
    next_at   bigint NOT NULL, -- when it is tried, where it is waiting or held
    done_at   bigint,          -- when it came to its end
    trouble   text   COLLATE "C" NOT NULL, -- of the last attempt
    body      text   COLLATE "C" NOT NULL, -- of a digest; empty of a notice
    PRIMARY KEY (notice_id, channel)
);
CREATE INDEX deliveries_due ON deliveries (channel, next_at) WHERE state IN ('waiting', 'held');
CREATE INDEX deliveries_failed ON deliveries (channel, done_at) WHERE state = 'failed';

-- The channels that are set up.
CREATE TABLE delivery_channels (
    channel       text   COLLATE "C" NOT NULL PRIMARY KEY,
    since         bigint NOT NULL, -- what came before is not told by it
    through       bigint NOT NULL, -- up to here all notices have their delivery
    last_sent_at  bigint,
    failing_since bigint,          -- the first failure since then
    trouble       text   COLLATE "C" NOT NULL
);
