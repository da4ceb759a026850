-- +goose Up
-- What was said of the feeds of a unit: that they were checked, or are to be checked again. Only
-- ever added to; of one unit the last one counts. A unit of which nothing was said is in
-- commissioning. Moments are microseconds since 1970 in UTC; -62135596800000000 is "never said".
CREATE TABLE unit_checks (
    number  INTEGER NOT NULL PRIMARY KEY,
    unit    TEXT    NOT NULL,
    checked INTEGER NOT NULL CHECK (checked IN (0, 1)),
    who     TEXT    NOT NULL,
    at      INTEGER NOT NULL
) STRICT;
CREATE INDEX unit_checks_unit ON unit_checks (unit, number);
-- Units that have facts are in use already.
INSERT INTO unit_checks (unit, checked, who, at)
    SELECT DISTINCT unit, 1, '', -62135596800000000 FROM stay_spans ORDER BY unit;
