-- +goose Up
-- An episode as it stands, which is what its events give. Moments are
-- microseconds since 1970 in UTC.
CREATE TABLE episodes (
    id         text   COLLATE "C" NOT NULL PRIMARY KEY,
    kind       text   COLLATE "C" NOT NULL,
    stay_id    text   COLLATE "C" NOT NULL, -- empty for a feed
    unit       text   COLLATE "C" NOT NULL, -- likewise
    state      text   COLLATE "C" NOT NULL,
    opened_at  bigint NOT NULL,
    changed_at bigint NOT NULL,
    events     bigint NOT NULL,
    body       text   COLLATE "C" NOT NULL
);
CREATE INDEX episodes_owed ON episodes (unit, opened_at, id) WHERE state <> 'done';
CREATE INDEX episodes_changed ON episodes (unit, changed_at);
CREATE INDEX episodes_stay ON episodes (stay_id);

CREATE TABLE episode_events (
    episode_id text   COLLATE "C" NOT NULL,
    n          bigint NOT NULL,
    at         bigint NOT NULL,
    unit       text   COLLATE "C" NOT NULL,
    what       text   COLLATE "C" NOT NULL,
    who        text   COLLATE "C" NOT NULL,
    body       text   COLLATE "C" NOT NULL,
    PRIMARY KEY (episode_id, n)
);
CREATE INDEX episode_events_unit ON episode_events (unit, at);

-- +goose StatementBegin
CREATE FUNCTION episode_events_are_kept() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'the events of an episode are kept as they are';
END
$$;
-- +goose StatementEnd
CREATE TRIGGER episode_events_no_change BEFORE UPDATE OR DELETE ON episode_events
    FOR EACH ROW EXECUTE FUNCTION episode_events_are_kept();
CREATE TRIGGER episode_events_no_truncate BEFORE TRUNCATE ON episode_events
    FOR EACH STATEMENT EXECUTE FUNCTION episode_events_are_kept();

-- What people are to be told, one row for each event that tells. What became of
-- the telling is kept elsewhere.
CREATE TABLE notices (
    id         text   COLLATE "C" NOT NULL PRIMARY KEY, -- the same however often it is sent
    episode_id text   COLLATE "C" NOT NULL,
    n          bigint NOT NULL, -- of the event
    kind       text   COLLATE "C" NOT NULL,
    stay_id    text   COLLATE "C" NOT NULL,
    unit       text   COLLATE "C" NOT NULL,
    at         bigint NOT NULL
);
CREATE INDEX notices_at ON notices (at, id);

-- When each unit, or the feeds, were last stepped; its row is the lock of a step.
CREATE TABLE episode_steps (
    scope      text   COLLATE "C" NOT NULL PRIMARY KEY,
    stepped_at bigint NOT NULL
);
