-- +goose Up
-- The versions of the policy that were saved in the application; rows are only
-- ever added, and the one with the highest number is in force. Moments are
-- microseconds since 1970 in UTC.
CREATE TABLE policy_versions (
    number     bigint NOT NULL PRIMARY KEY CHECK (number > 0), -- from 1, without a gap
    saved_at   bigint NOT NULL,
    who        text   COLLATE "C" NOT NULL,
    note       text   COLLATE "C" NOT NULL,
    yaml       text   COLLATE "C" NOT NULL, -- every key with its value
    hash       text   COLLATE "C" NOT NULL,
    returns_to bigint          -- an earlier version, or 0 for the built-in policy
);

-- +goose StatementBegin
CREATE FUNCTION policy_versions_are_kept() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'the versions of the policy are kept as they are';
END
$$;
-- +goose StatementEnd
CREATE TRIGGER policy_versions_no_change BEFORE UPDATE OR DELETE ON policy_versions
    FOR EACH ROW EXECUTE FUNCTION policy_versions_are_kept();
CREATE TRIGGER policy_versions_no_truncate BEFORE TRUNCATE ON policy_versions
    FOR EACH STATEMENT EXECUTE FUNCTION policy_versions_are_kept();
