-- +goose Up
-- What a review suggests of each drug, never a dose; and what was said of a review after it: what
-- the prescriber answered, or that it was taken back. Steps are only ever added.
ALTER TABLE dose_reviews ADD COLUMN suggestions TEXT NOT NULL DEFAULT '[]'; -- JSON: drug, class
CREATE TABLE dose_review_steps (
    stay_id    TEXT    NOT NULL,
    review     INTEGER NOT NULL, -- the number of the review
    number     INTEGER NOT NULL CHECK (number > 0), -- of the review's steps, from 1, without a gap
    what       TEXT    NOT NULL, -- answered, taken_back
    account_id INTEGER NOT NULL,
    who        TEXT    NOT NULL, -- the account's name then
    at         INTEGER NOT NULL, -- microseconds since 1970 in UTC
    answer     TEXT    NOT NULL, -- of answered; else empty
    note       TEXT    NOT NULL, -- why it was taken back, or what else the prescriber says
    PRIMARY KEY (stay_id, review, number)
) STRICT, WITHOUT ROWID;
CREATE INDEX dose_reviews_at ON dose_reviews (at);

-- +goose StatementBegin
CREATE TRIGGER dose_review_steps_no_update BEFORE UPDATE ON dose_review_steps
BEGIN
    SELECT RAISE(ABORT, 'dose reviews and what was said of them are kept as they are');
END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER dose_review_steps_no_delete BEFORE DELETE ON dose_review_steps
BEGIN
    SELECT RAISE(ABORT, 'dose reviews and what was said of them are kept as they are');
END;
-- +goose StatementEnd
