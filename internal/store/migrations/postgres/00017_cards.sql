-- +goose Up
-- A version that a row says beside its own, and that is not counted as a row.
ALTER TABLE fact_versions ADD COLUMN beside boolean NOT NULL DEFAULT FALSE;

-- What readers keep of things that others in their feed refer to.
CREATE TABLE feed_cards (
    feed     text   COLLATE "C" NOT NULL,
    key      text   COLLATE "C" NOT NULL,
    at       bigint NOT NULL,
    together text   COLLATE "C" NOT NULL, -- what it is found by with others
    file     text   COLLATE "C" NOT NULL,
    line     bigint NOT NULL,
    body     bytea  NOT NULL,
    PRIMARY KEY (feed, key, at)
);
CREATE INDEX feed_cards_together ON feed_cards (feed, together) WHERE together <> '';
