-- +goose Up
-- Held rows of every format are kept as they were received, with what their reader needs
-- beside them to read them again: of CSV the line of column names. Those held before are
-- written as lines of CSV; one that could not be parted by columns was kept as it stood.
ALTER TABLE quarantined_rows ADD COLUMN context bytea NOT NULL DEFAULT ''::bytea;
ALTER TABLE quarantined_rows ALTER COLUMN context DROP DEFAULT;
ALTER TABLE quarantined_rows ADD COLUMN original bytea NOT NULL DEFAULT ''::bytea;
ALTER TABLE quarantined_rows ALTER COLUMN original DROP DEFAULT;
UPDATE quarantined_rows SET
    context = convert_to(coalesce((SELECT string_agg('"' || replace(c.value, '"', '""') || '"', ',' ORDER BY c.key) FROM json_array_elements_text((replace(CASE WHEN header = 'null' THEN '[]' ELSE header END, '\u0000', '\ufffd'))::json) WITH ORDINALITY AS c (value, key)), ''), 'UTF8'),
    original = CASE WHEN header IN ('null', '[]')
        THEN convert_to(coalesce((replace(CASE WHEN record = 'null' THEN '[]' ELSE record END, '\u0000', '\ufffd'))::json ->> 0, ''), 'UTF8')
        ELSE convert_to(coalesce((SELECT string_agg('"' || replace(c.value, '"', '""') || '"', ',' ORDER BY c.key) FROM json_array_elements_text((replace(CASE WHEN record = 'null' THEN '[]' ELSE record END, '\u0000', '\ufffd'))::json) WITH ORDINALITY AS c (value, key)), ''), 'UTF8') END;
ALTER TABLE quarantined_rows DROP COLUMN header;
ALTER TABLE quarantined_rows DROP COLUMN record;
ALTER TABLE row_fixes ADD COLUMN context bytea NOT NULL DEFAULT ''::bytea;
ALTER TABLE row_fixes ALTER COLUMN context DROP DEFAULT;
ALTER TABLE row_fixes ADD COLUMN original bytea NOT NULL DEFAULT ''::bytea;
ALTER TABLE row_fixes ALTER COLUMN original DROP DEFAULT;
ALTER TABLE row_fixes ADD COLUMN new_context bytea NOT NULL DEFAULT ''::bytea;
ALTER TABLE row_fixes ALTER COLUMN new_context DROP DEFAULT;
ALTER TABLE row_fixes ADD COLUMN new_original bytea NOT NULL DEFAULT ''::bytea;
ALTER TABLE row_fixes ALTER COLUMN new_original DROP DEFAULT;
UPDATE row_fixes SET
    context = convert_to(coalesce((SELECT string_agg('"' || replace(c.value, '"', '""') || '"', ',' ORDER BY c.key) FROM json_array_elements_text((replace(CASE WHEN header = 'null' THEN '[]' ELSE header END, '\u0000', '\ufffd'))::json) WITH ORDINALITY AS c (value, key)), ''), 'UTF8'),
    original = CASE WHEN header IN ('null', '[]')
        THEN convert_to(coalesce((replace(CASE WHEN record = 'null' THEN '[]' ELSE record END, '\u0000', '\ufffd'))::json ->> 0, ''), 'UTF8')
        ELSE convert_to(coalesce((SELECT string_agg('"' || replace(c.value, '"', '""') || '"', ',' ORDER BY c.key) FROM json_array_elements_text((replace(CASE WHEN record = 'null' THEN '[]' ELSE record END, '\u0000', '\ufffd'))::json) WITH ORDINALITY AS c (value, key)), ''), 'UTF8') END,
    new_context = convert_to(coalesce((SELECT string_agg('"' || replace(c.value, '"', '""') || '"', ',' ORDER BY c.key) FROM json_array_elements_text((replace(CASE WHEN new_header = 'null' THEN '[]' ELSE new_header END, '\u0000', '\ufffd'))::json) WITH ORDINALITY AS c (value, key)), ''), 'UTF8'),
    new_original = convert_to(coalesce((SELECT string_agg('"' || replace(c.value, '"', '""') || '"', ',' ORDER BY c.key) FROM json_array_elements_text((replace(CASE WHEN new_record = 'null' THEN '[]' ELSE new_record END, '\u0000', '\ufffd'))::json) WITH ORDINALITY AS c (value, key)), ''), 'UTF8');
ALTER TABLE row_fixes DROP COLUMN header;
ALTER TABLE row_fixes DROP COLUMN record;
ALTER TABLE row_fixes DROP COLUMN new_header;
ALTER TABLE row_fixes DROP COLUMN new_record;

-- Rows that are understood and of no use here are counted like all others.
ALTER TABLE loads ADD COLUMN skipped bigint NOT NULL DEFAULT 0;
ALTER TABLE loads ALTER COLUMN skipped DROP DEFAULT;
ALTER TABLE feed_kinds ADD COLUMN skipped bigint NOT NULL DEFAULT 0;
ALTER TABLE feed_kinds ALTER COLUMN skipped DROP DEFAULT;
ALTER TABLE feed_files ADD COLUMN skipped bigint;
UPDATE feed_files SET skipped = 0 WHERE rows IS NOT NULL;
-- Kept until the load is finished.
CREATE TABLE skipped_rows (
    load_id bigint NOT NULL,
    feed    text   COLLATE "C" NOT NULL,
    kind    text   COLLATE "C" NOT NULL,
    rows    bigint NOT NULL,
    PRIMARY KEY (load_id, feed, kind)
);

-- What was sent once under an id of its sender's, sets from the bedside among them: sent
-- again it is answered and not stored again.
CREATE TABLE feed_messages (
    feed        text   COLLATE "C" NOT NULL,
    id          text   COLLATE "C" NOT NULL, -- made by the sender
    sum         text   COLLATE "C" NOT NULL, -- tells the content from another
    stay_id     text   COLLATE "C" NOT NULL, -- empty where it is not of one stay
    who         text   COLLATE "C" NOT NULL,
    received_at bigint NOT NULL,
    body        text   COLLATE "C" NOT NULL, -- empty where nothing of it is asked for again
    PRIMARY KEY (feed, id)
);
INSERT INTO feed_messages (feed, id, sum, stay_id, who, received_at, body)
    SELECT 'bedside', id, sum, stay_id, who, received_at, body FROM bedside_sets;
DROP TABLE bedside_sets;
