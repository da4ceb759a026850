-- +goose Up
-- An episode as it stands, which is what its events give. Moments are
-- microseconds since 1970 in UTC.
CREATE TABLE episodes (
    id         TEXT    NOT NULL PRIMARY KEY,
    kind       TEXT    NOT NULL,
    stay_id    TEXT    NOT NULL, -- empty for a feed
    unit       TEXT    NOT NULL, -- likewise
    state      TEXT    NOT NULL,
    opened_at  INTEGER NOT NULL,
    changed_at INTEGER NOT NULL,
    events     INTEGER NOT NULL,
    body       TEXT    NOT NULL
) STRICT, WITHOUT ROWID;
CREATE INDEX episodes_owed ON episodes (unit, opened_at, id) WHERE state <> 'done';
CREATE INDEX episodes_changed ON episodes (unit, changed_at);
CREATE INDEX episodes_stay ON episodes (stay_id);

CREATE TABLE episode_events (
    episode_id TEXT    NOT NULL,
    n          INTEGER NOT NULL,
    at         INTEGER NOT NULL,
    unit       TEXT    NOT NULL,
    what       TEXT    NOT NULL,
    who        TEXT    NOT NULL,
    body       TEXT    NOT NULL,
    PRIMARY KEY (episode_id, n)
) STRICT, WITHOUT ROWID;
CREATE INDEX episode_events_unit ON episode_events (unit, at);

-- +goose StatementBegin
CREATE TRIGGER episode_events_no_update BEFORE UPDATE ON episode_events
BEGIN
    SELECT RAISE(ABORT, 'the events of an episode are kept as they are');
END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER episode_events_no_delete BEFORE DELETE ON episode_events
BEGIN
    SELECT RAISE(ABORT, 'the events of an episode are kept as they are');
END;
-- +goose StatementEnd

-- What people are to be told, one row for each event that tells. What became of
-- the telling is kept elsewhere.
CREATE TABLE notices (
    id         TEXT    NOT NULL PRIMARY KEY, -- the same however often it is sent
    episode_id TEXT    NOT NULL,
    n          INTEGER NOT NULL, -- of the event
    kind       TEXT    NOT NULL,
    stay_id    TEXT    NOT NULL,
    unit       TEXT    NOT NULL,
    at         INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
CREATE INDEX notices_at ON notices (at, id);

-- When each unit, or the feeds, were last stepped; its row is the lock of a step.
CREATE TABLE episode_steps (
    scope      TEXT    NOT NULL PRIMARY KEY,
    stepped_at INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
