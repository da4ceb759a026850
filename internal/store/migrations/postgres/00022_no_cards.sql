-- +goose Up
-- FHIR is composed of parts, as HL7 v2 is. What a card said cannot be told as a part, so nothing
-- of them is carried over: the bookmarks go with them, and what they were of is read again.
-- Facts stay, and those read again find themselves there.
DELETE FROM feed_files WHERE EXISTS (
    SELECT 1 FROM (SELECT DISTINCT file FROM feed_cards) c WHERE right(feed_files.name, length(c.file) + 1) = '/' || c.file);
DELETE FROM feed_messages WHERE feed = 'fhir';
DROP TABLE feed_cards;
ALTER TABLE fact_versions DROP COLUMN beside;
