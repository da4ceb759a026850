-- +goose Up
-- Held rows are gone through by place, those of a load too, a few at a time. One that is held
-- only because it lay ahead of the clock is read again by itself from retry_at on
-- (microseconds since 1970 in UTC).
ALTER TABLE quarantined_rows ADD COLUMN retry_at INTEGER;
CREATE INDEX quarantined_rows_place ON quarantined_rows (file, line, name, id);
CREATE INDEX quarantined_rows_load ON quarantined_rows (load_id, file, line, name, id);
CREATE INDEX quarantined_rows_retry ON quarantined_rows (retry_at) WHERE retry_at IS NOT NULL;
