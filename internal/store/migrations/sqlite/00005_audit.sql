-- +goose Up
-- Who saw or changed what, linked in a chain; rows are only ever added. Moments
-- are microseconds since 1970 in UTC.
CREATE TABLE audit_entries (
    n       INTEGER NOT NULL PRIMARY KEY, -- from 1, without a gap
    at      INTEGER NOT NULL,
    who     TEXT    NOT NULL,
    came_from TEXT  NOT NULL,
    did     TEXT    NOT NULL,
    what    TEXT    NOT NULL,
    unit    TEXT    NOT NULL,
    stay_id TEXT    NOT NULL,
    as_of   INTEGER,
    outcome TEXT    NOT NULL,
    note    TEXT    NOT NULL,
    hash    BLOB    NOT NULL
) STRICT;
CREATE INDEX audit_entries_at ON audit_entries (at);
CREATE INDEX audit_entries_stay ON audit_entries (stay_id, n) WHERE stay_id <> '';
CREATE INDEX audit_entries_who ON audit_entries (who, n);

-- +goose StatementBegin
CREATE TRIGGER audit_entries_no_update BEFORE UPDATE ON audit_entries
BEGIN
    SELECT RAISE(ABORT, 'the audit is only ever added to');
END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER audit_entries_no_delete BEFORE DELETE ON audit_entries
BEGIN
    SELECT RAISE(ABORT, 'the audit is only ever added to');
END;
-- +goose StatementEnd

-- Where the chain ends; one row, and the lock of whoever adds.
CREATE TABLE audit_head (
    id   INTEGER NOT NULL PRIMARY KEY CHECK (id = 1),
    n    INTEGER NOT NULL,
    hash BLOB    NOT NULL
) STRICT;
INSERT INTO audit_head (id, n, hash) VALUES (1, 0, zeroblob(32));
