-- +goose Up
-- Rows that left the quarantine because it may hold no more of them, or none so old: how many, of
-- which feed and kind, and when last (microseconds since 1970 in UTC).
CREATE TABLE held_dropped (
    feed  text   COLLATE "C" NOT NULL,
    kind  text   COLLATE "C" NOT NULL,
    why   text   COLLATE "C" NOT NULL, -- age or size
    rows  bigint NOT NULL,
    bytes bigint NOT NULL,
    at    bigint NOT NULL,
    PRIMARY KEY (feed, kind, why)
);
