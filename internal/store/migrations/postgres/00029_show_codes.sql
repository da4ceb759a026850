-- +goose Up
-- Whether the codes of rules stand in the pages of an account.
ALTER TABLE accounts ADD COLUMN show_codes boolean NOT NULL DEFAULT false;
