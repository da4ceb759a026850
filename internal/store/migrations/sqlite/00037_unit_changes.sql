-- +goose Up
-- What was changed on a unit and from when, for its figures over time: only added to.
CREATE TABLE unit_changes (
    number INTEGER NOT NULL PRIMARY KEY,
    unit   TEXT    NOT NULL,
    day    TEXT    NOT NULL, -- 2026-11-25, in the site's calendar
    what   TEXT    NOT NULL,
    anew   INTEGER NOT NULL, -- 1: a phase begins, and the charts have a centre of its own from there
    who    TEXT    NOT NULL,
    at     INTEGER NOT NULL, -- microseconds since 1970 in UTC
    ends   INTEGER NOT NULL  -- the number of the change that this one takes back; 0 for none
) STRICT;
CREATE INDEX unit_changes_unit ON unit_changes (unit);
