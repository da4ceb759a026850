-- +goose Up
-- What a review suggests of each drug, never a dose; and what was said of a review after it: what
-- the prescriber answered, or that it was taken back. Steps are only ever added.
ALTER TABLE dose_reviews ADD COLUMN suggestions text COLLATE "C" NOT NULL DEFAULT '[]'; -- JSON: drug, class
CREATE TABLE dose_review_steps (
    stay_id    text   COLLATE "C" NOT NULL,
    review     bigint NOT NULL, -- the number of the review
    number     bigint NOT NULL CHECK (number > 0), -- of the review's steps, from 1, without a gap
    what       text   COLLATE "C" NOT NULL, -- answered, taken_back
    account_id bigint NOT NULL,
    who        text   COLLATE "C" NOT NULL, -- the account's name then
    at         bigint NOT NULL, -- microseconds since 1970 in UTC
    answer     text   COLLATE "C" NOT NULL, -- of answered; else empty
    note       text   COLLATE "C" NOT NULL, -- why it was taken back, or what else the prescriber says
    PRIMARY KEY (stay_id, review, number)
);
CREATE INDEX dose_reviews_at ON dose_reviews (at);

CREATE TRIGGER dose_review_steps_no_change BEFORE UPDATE OR DELETE ON dose_review_steps
    FOR EACH ROW EXECUTE FUNCTION dose_reviews_are_kept();
CREATE TRIGGER dose_review_steps_no_truncate BEFORE TRUNCATE ON dose_review_steps
    FOR EACH STATEMENT EXECUTE FUNCTION dose_reviews_are_kept();
