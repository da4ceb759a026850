-- +goose Up
-- The versions of the policy that were saved in the application; rows are only
-- ever added, and the one with the highest number is in force. Moments are
-- microseconds since 1970 in UTC.
CREATE TABLE policy_versions (
    number     INTEGER NOT NULL PRIMARY KEY CHECK (number > 0), -- from 1, without a gap
    saved_at   INTEGER NOT NULL,
    who        TEXT    NOT NULL,
    note       TEXT    NOT NULL,
    yaml       TEXT    NOT NULL, -- every key with its value
    hash       TEXT    NOT NULL,
    returns_to INTEGER           -- an earlier version, or 0 for the built-in policy
) STRICT;

-- +goose StatementBegin
CREATE TRIGGER policy_versions_no_update BEFORE UPDATE ON policy_versions
BEGIN
    SELECT RAISE(ABORT, 'the versions of the policy are kept as they are');
END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER policy_versions_no_delete BEFORE DELETE ON policy_versions
BEGIN
    SELECT RAISE(ABORT, 'the versions of the policy are kept as they are');
END;
-- +goose StatementEnd
