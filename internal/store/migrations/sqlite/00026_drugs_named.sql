-- +goose Up
-- Which drugs the feeds named lately is asked of orders and doses alone, by their own time;
-- without this it reads those of every year.
CREATE INDEX fact_versions_drugs ON fact_versions (kind, at) WHERE kind IN ('orders', 'doses');
