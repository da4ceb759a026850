-- +goose Up
CREATE TABLE accounts (
    id              INTEGER NOT NULL PRIMARY KEY,
    name            TEXT    NOT NULL,
    name_key        TEXT    NOT NULL, -- the form in which names are compared
    password        TEXT    NOT NULL, -- its hash; empty for none
    password_set_at INTEGER NOT NULL,
    one_time        INTEGER NOT NULL, -- the password must be changed at the first sign-in
    all_units       INTEGER NOT NULL,
    epoch           INTEGER NOT NULL, -- sessions of another epoch have ended
    disabled_at     INTEGER,
    created_at      INTEGER NOT NULL
) STRICT;
CREATE UNIQUE INDEX accounts_name_key ON accounts (name_key);

-- The roles and the units of an account.
CREATE TABLE account_grants (
    account_id INTEGER NOT NULL REFERENCES accounts (id),
    kind       TEXT    NOT NULL, -- role or unit
    value      TEXT    NOT NULL,
    PRIMARY KEY (account_id, kind, value)
) STRICT;

CREATE TABLE sessions (
    token_hash BLOB    NOT NULL PRIMARY KEY,
    account_id INTEGER NOT NULL REFERENCES accounts (id),
    epoch      INTEGER NOT NULL,
    started_at INTEGER NOT NULL,
    used_at    INTEGER NOT NULL
) STRICT;
CREATE INDEX sessions_used ON sessions (used_at);

-- Keys that the program makes for itself, once.
CREATE TABLE server_keys (
    name  TEXT NOT NULL PRIMARY KEY,
    value BLOB NOT NULL
) STRICT;
