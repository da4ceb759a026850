-- +goose Up
-- Held rows of every format are kept as they were received, with what their reader needs
-- beside them to read them again: of CSV the line of column names. Those held before are
-- written as lines of CSV; one that could not be parted by columns was kept as it stood.
ALTER TABLE quarantined_rows ADD COLUMN context BLOB NOT NULL DEFAULT x'';
ALTER TABLE quarantined_rows ADD COLUMN original BLOB NOT NULL DEFAULT x'';
UPDATE quarantined_rows SET
    context = CAST(coalesce((SELECT group_concat('"' || replace(value, '"', '""') || '"', ',' ORDER BY key) FROM json_each(header)), '') AS BLOB),
    original = CASE WHEN header IN ('null', '[]')
        THEN CAST(coalesce(json_extract(record, '$[0]'), '') AS BLOB)
        ELSE CAST(coalesce((SELECT group_concat('"' || replace(value, '"', '""') || '"', ',' ORDER BY key) FROM json_each(record)), '') AS BLOB) END;
ALTER TABLE quarantined_rows DROP COLUMN header;
ALTER TABLE quarantined_rows DROP COLUMN record;
ALTER TABLE row_fixes ADD COLUMN context BLOB NOT NULL DEFAULT x'';
ALTER TABLE row_fixes ADD COLUMN original BLOB NOT NULL DEFAULT x'';
ALTER TABLE row_fixes ADD COLUMN new_context BLOB NOT NULL DEFAULT x'';
ALTER TABLE row_fixes ADD COLUMN new_original BLOB NOT NULL DEFAULT x'';
UPDATE row_fixes SET
    context = CAST(coalesce((SELECT group_concat('"' || replace(value, '"', '""') || '"', ',' ORDER BY key) FROM json_each(header)), '') AS BLOB),
    original = CASE WHEN header IN ('null', '[]')
        THEN CAST(coalesce(json_extract(record, '$[0]'), '') AS BLOB)
        ELSE CAST(coalesce((SELECT group_concat('"' || replace(value, '"', '""') || '"', ',' ORDER BY key) FROM json_each(record)), '') AS BLOB) END,
    new_context = CAST(coalesce((SELECT group_concat('"' || replace(value, '"', '""') || '"', ',' ORDER BY key) FROM json_each(new_header)), '') AS BLOB),
    new_original = CAST(coalesce((SELECT group_concat('"' || replace(value, '"', '""') || '"', ',' ORDER BY key) FROM json_each(new_record)), '') AS BLOB);
ALTER TABLE row_fixes DROP COLUMN header;
ALTER TABLE row_fixes DROP COLUMN record;
ALTER TABLE row_fixes DROP COLUMN new_header;
ALTER TABLE row_fixes DROP COLUMN new_record;

-- Rows that are understood and of no use here are counted like all others.
ALTER TABLE loads ADD COLUMN skipped INTEGER NOT NULL DEFAULT 0;
ALTER TABLE feed_kinds ADD COLUMN skipped INTEGER NOT NULL DEFAULT 0;
ALTER TABLE feed_files ADD COLUMN skipped INTEGER;
UPDATE feed_files SET skipped = 0 WHERE rows IS NOT NULL;
-- Kept until the load is finished.
CREATE TABLE skipped_rows (
    load_id INTEGER NOT NULL,
    feed    TEXT    NOT NULL,
    kind    TEXT    NOT NULL,
    rows    INTEGER NOT NULL,
    PRIMARY KEY (load_id, feed, kind)
) STRICT, WITHOUT ROWID;

-- What was sent once under an id of its sender's, sets from the bedside among them: sent
-- again it is answered and not stored again.
CREATE TABLE feed_messages (
    feed        TEXT    NOT NULL,
    id          TEXT    NOT NULL, -- made by the sender
    sum         TEXT    NOT NULL, -- tells the content from another
    stay_id     TEXT    NOT NULL, -- empty where it is not of one stay
    who         TEXT    NOT NULL,
    received_at INTEGER NOT NULL,
    body        TEXT    NOT NULL, -- empty where nothing of it is asked for again
    PRIMARY KEY (feed, id)
) STRICT, WITHOUT ROWID;
INSERT INTO feed_messages (feed, id, sum, stay_id, who, received_at, body)
    SELECT 'bedside', id, sum, stay_id, who, received_at, body FROM bedside_sets;
DROP TABLE bedside_sets;
