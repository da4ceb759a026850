-- +goose Up
-- A version that a row says beside its own, and that is not counted as a row.
ALTER TABLE fact_versions ADD COLUMN beside INTEGER NOT NULL DEFAULT 0 CHECK (beside IN (0, 1));

-- What readers keep of things that others in their feed refer to.
CREATE TABLE feed_cards (
    feed     TEXT    NOT NULL,
    key      TEXT    NOT NULL,
    at       INTEGER NOT NULL,
    together TEXT    NOT NULL, -- what it is found by with others
    file     TEXT    NOT NULL,
    line     INTEGER NOT NULL,
    body     BLOB    NOT NULL,
    PRIMARY KEY (feed, key, at)
) STRICT, WITHOUT ROWID;
CREATE INDEX feed_cards_together ON feed_cards (feed, together) WHERE together <> '';
