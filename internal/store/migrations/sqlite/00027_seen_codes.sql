-- +goose Up
-- An entry made in the app says all that one of the site's file says.
ALTER TABLE site_codes ADD COLUMN reason TEXT NOT NULL DEFAULT '';
ALTER TABLE site_codes ADD COLUMN words TEXT NOT NULL DEFAULT '';

-- Codes that neither an open standard nor the site's table told when they came.
CREATE TABLE seen_codes (
    feed   TEXT NOT NULL,
    kind   TEXT NOT NULL,
    system TEXT NOT NULL,
    code   TEXT NOT NULL,
    text   TEXT NOT NULL,
    rows   INTEGER NOT NULL,
    newest INTEGER NOT NULL,
    PRIMARY KEY (feed, kind, system, code)
) STRICT, WITHOUT ROWID;
