-- +goose Up
-- What the application computed from the facts of a stay, to be thrown away and
-- computed anew at any time.
CREATE TABLE stay_digests (
    stay_id     text   COLLATE "C" NOT NULL PRIMARY KEY,
    basis       text   COLLATE "C" NOT NULL,
    revision    bigint NOT NULL,
    valid_from  bigint NOT NULL,
    valid_until bigint,
    body        bytea  NOT NULL
);

CREATE TABLE policies (
    hash          text   COLLATE "C" NOT NULL PRIMARY KEY,
    yaml          text   COLLATE "C" NOT NULL,
    first_used_at bigint NOT NULL
);
