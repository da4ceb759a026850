-- +goose Up
-- What is written to see whether anything can be: a few pages, at a moment (microseconds since 1970
-- in UTC), over and over.
CREATE TABLE write_checks (
    id   bigint PRIMARY KEY,
    at   bigint NOT NULL,
    body bytea  NOT NULL
);
