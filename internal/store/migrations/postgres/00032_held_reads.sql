-- +goose Up
-- Which program read the held rows last: a newer one may read what an older one could not.
CREATE TABLE held_reads (
    id      bigint NOT NULL PRIMARY KEY,
    program text COLLATE "C" NOT NULL
);
