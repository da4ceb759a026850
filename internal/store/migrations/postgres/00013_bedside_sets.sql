-- +goose Up
-- The sets sent from the bedside, each under the id that its sender made: one that is
-- sent again is answered and not stored again. Moments are microseconds since 1970 in UTC.
CREATE TABLE bedside_sets (
    id          text   COLLATE "C" NOT NULL PRIMARY KEY,
    stay_id     text   COLLATE "C" NOT NULL,
    who         text   COLLATE "C" NOT NULL,
    received_at bigint NOT NULL,
    sum         text   COLLATE "C" NOT NULL, -- tells the content from another
    body        text   COLLATE "C" NOT NULL
);
