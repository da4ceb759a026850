-- +goose Up
-- Which person of which sign-in service an account is for. Such an account has no
-- password of its own.
CREATE TABLE account_identities (
    issuer     TEXT    NOT NULL,
    subject    TEXT    NOT NULL,
    account_id INTEGER NOT NULL REFERENCES accounts (id),
    PRIMARY KEY (issuer, subject)
) STRICT;
CREATE UNIQUE INDEX account_identities_account ON account_identities (account_id);
