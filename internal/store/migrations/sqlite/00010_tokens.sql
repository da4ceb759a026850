-- +goose Up
-- The tokens of machines. The token itself is not kept. Rows are never dropped: a
-- name serves once. Moments are microseconds since 1970 in UTC.
CREATE TABLE api_tokens (
    id         INTEGER NOT NULL PRIMARY KEY,
    name       TEXT    NOT NULL,
    name_key   TEXT    NOT NULL, -- the form in which names are compared
    token_hash BLOB    NOT NULL,
    all_units  INTEGER NOT NULL,
    made_by    TEXT    NOT NULL, -- account, or "command line"
    made_at    INTEGER NOT NULL,
    expires_at INTEGER NOT NULL,
    revoked_at INTEGER,
    used_at    INTEGER -- the hour of the last use
) STRICT;
CREATE UNIQUE INDEX api_tokens_name_key ON api_tokens (name_key);
CREATE UNIQUE INDEX api_tokens_hash ON api_tokens (token_hash);

-- The scopes and the units of a token.
CREATE TABLE api_token_grants (
    token_id INTEGER NOT NULL REFERENCES api_tokens (id),
    kind     TEXT    NOT NULL, -- scope or unit
    value    TEXT    NOT NULL,
    PRIMARY KEY (token_id, kind, value)
) STRICT;
