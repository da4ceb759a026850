-- +goose Up
-- What pharmacists recorded of the doses of stays; rows are only ever added, and the
-- one with the highest number is the stay's last review. Moments are microseconds
-- since 1970 in UTC.
CREATE TABLE dose_reviews (
    stay_id       text   COLLATE "C" NOT NULL,
    number        bigint NOT NULL CHECK (number > 0), -- of the stay, from 1, without a gap
    account_id    bigint NOT NULL,
    who           text   COLLATE "C" NOT NULL, -- the account's name then
    at            bigint NOT NULL,
    outcome       text   COLLATE "C" NOT NULL,
    note          text   COLLATE "C" NOT NULL,
    look_again_on text   COLLATE "C" NOT NULL, -- a day of the site's zone, as 2006-01-02
    evidence      text   COLLATE "C" NOT NULL, -- JSON: the flags as they stood (rule, drugs, facts), positive sets, raises
    PRIMARY KEY (stay_id, number)
);

-- +goose StatementBegin
CREATE FUNCTION dose_reviews_are_kept() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'dose reviews are kept as they are';
END
$$;
-- +goose StatementEnd
CREATE TRIGGER dose_reviews_no_change BEFORE UPDATE OR DELETE ON dose_reviews
    FOR EACH ROW EXECUTE FUNCTION dose_reviews_are_kept();
CREATE TRIGGER dose_reviews_no_truncate BEFORE TRUNCATE ON dose_reviews
    FOR EACH STATEMENT EXECUTE FUNCTION dose_reviews_are_kept();
