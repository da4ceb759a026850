-- +goose Up
-- Rows that left the quarantine because it may hold no more of them, or none so old: how many, of
-- which feed and kind, and when last (microseconds since 1970 in UTC).
CREATE TABLE held_dropped (
    feed  TEXT NOT NULL,
    kind  TEXT NOT NULL,
    why   TEXT NOT NULL, -- age or size
    rows  INTEGER NOT NULL,
    bytes INTEGER NOT NULL,
    at    INTEGER NOT NULL,
    PRIMARY KEY (feed, kind, why)
) STRICT;
