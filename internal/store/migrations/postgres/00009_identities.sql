-- +goose Up
-- Which person of which sign-in service an account is for. Such an account has no
-- password of its own.
CREATE TABLE account_identities (
    issuer     text   COLLATE "C" NOT NULL,
    subject    text   COLLATE "C" NOT NULL,
    account_id bigint NOT NULL REFERENCES accounts (id),
    PRIMARY KEY (issuer, subject)
);
CREATE UNIQUE INDEX account_identities_account ON account_identities (account_id);
