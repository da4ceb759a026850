-- +goose Up
-- The sets sent from the bedside, each under the id that its sender made: one that is
-- sent again is answered and not stored again. Moments are microseconds since 1970 in UTC.
CREATE TABLE bedside_sets (
    id          TEXT    NOT NULL PRIMARY KEY,
    stay_id     TEXT    NOT NULL,
    who         TEXT    NOT NULL,
    received_at INTEGER NOT NULL,
    sum         TEXT    NOT NULL, -- tells the content from another
    body        TEXT    NOT NULL
) STRICT, WITHOUT ROWID;
