-- +goose Up
-- What was taken here on its way to the hospital's record: a row a message and way. It is made in the
-- transaction that stores the facts. Moments are microseconds since 1970 in UTC.
CREATE TABLE outbox (
    number     INTEGER NOT NULL PRIMARY KEY, -- in the order in which they were queued
    channel    TEXT    NOT NULL, -- mllp or fhir
    thing      TEXT    NOT NULL, -- what its versions have in common: a set's id, a fact's source_id
    version    INTEGER NOT NULL, -- 1 for the first
    unit       TEXT    NOT NULL,
    stay_id    TEXT    NOT NULL,
    patient_id TEXT    NOT NULL,
    body       TEXT    NOT NULL, -- JSON: all of which the message is made, the same at each attempt
    queued_at  INTEGER NOT NULL,
    state      TEXT    NOT NULL, -- waits, sent, refused
    attempts   INTEGER NOT NULL,
    next_at    INTEGER NOT NULL, -- not before
    tried_at   INTEGER,
    done_at    INTEGER,          -- when the record took it, or refused it
    answer     TEXT    NOT NULL  -- the last one, or why there was none
) STRICT;
CREATE INDEX outbox_waits ON outbox (channel, next_at) WHERE state = 'waits';
CREATE INDEX outbox_refused ON outbox (channel, thing) WHERE state = 'refused';
CREATE INDEX outbox_patient ON outbox (patient_id, number);
CREATE INDEX outbox_stay ON outbox (stay_id, number);
CREATE INDEX outbox_thing ON outbox (thing);

-- What tells this installation's identities from those of any other; made once.
CREATE TABLE installation (
    id TEXT NOT NULL PRIMARY KEY -- a UUID
) STRICT;
