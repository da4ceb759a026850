-- +goose Up
-- Who saw or changed what, linked in a chain; rows are only ever added. Moments
-- are microseconds since 1970 in UTC.
CREATE TABLE audit_entries (
    n         bigint NOT NULL PRIMARY KEY, -- from 1, without a gap
    at        bigint NOT NULL,
    who       text   COLLATE "C" NOT NULL,
    came_from text   COLLATE "C" NOT NULL,
    did       text   COLLATE "C" NOT NULL,
    what      text   COLLATE "C" NOT NULL,
    unit      text   COLLATE "C" NOT NULL,
    stay_id   text   COLLATE "C" NOT NULL,
    as_of     bigint,
    outcome   text   COLLATE "C" NOT NULL,
    note      text   COLLATE "C" NOT NULL,
    hash      bytea  NOT NULL
);
CREATE INDEX audit_entries_at ON audit_entries (at);
CREATE INDEX audit_entries_stay ON audit_entries (stay_id, n) WHERE stay_id <> '';
CREATE INDEX audit_entries_who ON audit_entries (who, n);

-- +goose StatementBegin
CREATE FUNCTION audit_entries_are_kept() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'the audit is only ever added to';
END
$$;
-- +goose StatementEnd
CREATE TRIGGER audit_entries_no_change BEFORE UPDATE OR DELETE ON audit_entries
    FOR EACH ROW EXECUTE FUNCTION audit_entries_are_kept();
CREATE TRIGGER audit_entries_no_truncate BEFORE TRUNCATE ON audit_entries
    FOR EACH STATEMENT EXECUTE FUNCTION audit_entries_are_kept();

-- Where the chain ends; one row, and the lock of whoever adds.
CREATE TABLE audit_head (
    id   bigint NOT NULL PRIMARY KEY CHECK (id = 1),
    n    bigint NOT NULL,
    hash bytea  NOT NULL
);
INSERT INTO audit_head (id, n, hash) VALUES (1, 0, decode(repeat('00', 32), 'hex'));
