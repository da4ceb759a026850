-- +goose Up
-- What feeds have brought of each stay by day, and where the patient was, counted again whenever
-- the stay has changed. It is worked out of the facts alone: it may be lost. Moments are
-- microseconds since 1970 in UTC, days those of the site's calendar.
CREATE TABLE stay_tallies (
    stay_id  TEXT    NOT NULL PRIMARY KEY,
    basis    TEXT    NOT NULL, -- what it rests on besides the facts
    revision INTEGER NOT NULL  -- of the stay, as of which it was counted
) STRICT, WITHOUT ROWID;
CREATE TABLE stay_days (
    stay_id       TEXT    NOT NULL,
    unit          TEXT    NOT NULL,
    day           TEXT    NOT NULL, -- 2026-11-25
    feed          TEXT    NOT NULL,
    readings      INTEGER NOT NULL,
    positioned    INTEGER NOT NULL,
    sets          INTEGER NOT NULL,
    orders        INTEGER NOT NULL,
    orders_known  INTEGER NOT NULL,
    doses         INTEGER NOT NULL,
    doses_known   INTEGER NOT NULL,
    doses_ordered INTEGER NOT NULL,
    precautions   INTEGER NOT NULL,
    fluids        INTEGER NOT NULL,
    weights       INTEGER NOT NULL,
    labs          INTEGER NOT NULL,
    PRIMARY KEY (stay_id, unit, day, feed)
) STRICT, WITHOUT ROWID;
CREATE INDEX stay_days_day ON stay_days (day);
CREATE TABLE stay_presences (
    stay_id   TEXT    NOT NULL,
    n         INTEGER NOT NULL,
    unit      TEXT    NOT NULL,
    starts_at INTEGER NOT NULL,
    ends_at   INTEGER,
    PRIMARY KEY (stay_id, n)
) STRICT, WITHOUT ROWID;
CREATE INDEX stay_presences_end ON stay_presences (ends_at);
