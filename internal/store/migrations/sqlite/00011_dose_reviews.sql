-- +goose Up
-- What pharmacists recorded of the doses of stays; rows are only ever added, and the
-- one with the highest number is the stay's last review. Moments are microseconds
-- since 1970 in UTC.
CREATE TABLE dose_reviews (
    stay_id       TEXT    NOT NULL,
    number        INTEGER NOT NULL CHECK (number > 0), -- of the stay, from 1, without a gap
    account_id    INTEGER NOT NULL,
    who           TEXT    NOT NULL, -- the account's name then
    at            INTEGER NOT NULL,
    outcome       TEXT    NOT NULL,
    note          TEXT    NOT NULL,
    look_again_on TEXT    NOT NULL, -- a day of the site's zone, as 2006-01-02
    evidence      TEXT    NOT NULL, -- JSON: the flags as they stood (rule, drugs, facts), positive sets, raises
    PRIMARY KEY (stay_id, number)
) STRICT, WITHOUT ROWID;

-- +goose StatementBegin
CREATE TRIGGER dose_reviews_no_update BEFORE UPDATE ON dose_reviews
BEGIN
    SELECT RAISE(ABORT, 'dose reviews are kept as they are');
END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER dose_reviews_no_delete BEFORE DELETE ON dose_reviews
BEGIN
    SELECT RAISE(ABORT, 'dose reviews are kept as they are');
END;
-- +goose StatementEnd
