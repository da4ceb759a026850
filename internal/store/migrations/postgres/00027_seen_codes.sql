-- +goose Up
-- An entry made in the app says all that one of the site's file says.
ALTER TABLE site_codes ADD COLUMN reason text COLLATE "C" NOT NULL DEFAULT '';
ALTER TABLE site_codes ADD COLUMN words text COLLATE "C" NOT NULL DEFAULT '';

-- Codes that neither an open standard nor the site's table told when they came.
CREATE TABLE seen_codes (
    feed   text COLLATE "C" NOT NULL,
    kind   text COLLATE "C" NOT NULL,
    system text COLLATE "C" NOT NULL,
    code   text COLLATE "C" NOT NULL,
    text   text COLLATE "C" NOT NULL,
    rows   bigint NOT NULL,
    newest bigint NOT NULL,
    PRIMARY KEY (feed, kind, system, code)
);
