-- +goose Up
-- What feeds have brought of each stay by day, and where the patient was, counted again whenever
-- the stay has changed. It is worked out of the facts alone: it may be lost. Moments are
-- microseconds since 1970 in UTC, days those of the site's calendar.
CREATE TABLE stay_tallies (
    stay_id  text COLLATE "C"    NOT NULL PRIMARY KEY,
    basis    text COLLATE "C"    NOT NULL, -- what it rests on besides the facts
    revision bigint NOT NULL  -- of the stay, as of which it was counted
);
CREATE TABLE stay_days (
    stay_id       text COLLATE "C"    NOT NULL,
    unit          text COLLATE "C"    NOT NULL,
    day           text COLLATE "C"    NOT NULL, -- 2026-11-25
    feed          text COLLATE "C"    NOT NULL,
    readings      bigint NOT NULL,
    positioned    bigint NOT NULL,
    sets          bigint NOT NULL,
    orders        bigint NOT NULL,
    orders_known  bigint NOT NULL,
    doses         bigint NOT NULL,
    doses_known   bigint NOT NULL,
    doses_ordered bigint NOT NULL,
    precautions   bigint NOT NULL,
    fluids        bigint NOT NULL,
    weights       bigint NOT NULL,
    labs          bigint NOT NULL,
    PRIMARY KEY (stay_id, unit, day, feed)
);
CREATE INDEX stay_days_day ON stay_days (day);
CREATE TABLE stay_presences (
    stay_id   text COLLATE "C"    NOT NULL,
    n         bigint NOT NULL,
    unit      text COLLATE "C"    NOT NULL,
    starts_at bigint NOT NULL,
    ends_at   bigint,
    PRIMARY KEY (stay_id, n)
);
CREATE INDEX stay_presences_end ON stay_presences (ends_at);
