-- +goose Up
-- Rows with a code that neither an open standard nor the site's table told when they came, whatever else
-- became of them: they are read again when the table changes.
CREATE TABLE unmapped_rows (
    id       INTEGER NOT NULL PRIMARY KEY,
    name     TEXT    NOT NULL, -- of the bookmark of what brought it
    feed     TEXT    NOT NULL,
    file     TEXT    NOT NULL,
    line     INTEGER NOT NULL,
    context  BLOB    NOT NULL,
    original BLOB    NOT NULL,
    hash     BLOB    NOT NULL, -- of context and original
    codes    TEXT    NOT NULL, -- what nothing told
    seen_at  INTEGER NOT NULL  -- microseconds since 1970 in UTC
) STRICT;
CREATE UNIQUE INDEX unmapped_rows_identity ON unmapped_rows (name, hash);
