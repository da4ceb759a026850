-- +goose Up
-- What a code or a text of the feeds means at this site, as it was said in the app. Only
-- ever added to; of one system and code the last one counts.
CREATE TABLE site_codes (
    number INTEGER NOT NULL PRIMARY KEY,
    system TEXT NOT NULL,
    code   TEXT NOT NULL,
    kind   TEXT NOT NULL,
    value  TEXT NOT NULL,
    who    TEXT NOT NULL,
    at     INTEGER NOT NULL
) STRICT;
