-- +goose Up
-- A file whose note of its version has rotted is brought up again, so what is there already is left as it is.
-- Jobs, each the opening and its events, as JSON of process/job. Nothing is ever changed or removed. chain holds SHA-256 links as in
-- chain.go: of an opening over the row, of an event over the row and the link before it.
CREATE TABLE IF NOT EXISTS jobs (
    id      TEXT PRIMARY KEY,
    utc     TEXT NOT NULL,
    opening BLOB NOT NULL,
    chain   BLOB NOT NULL
) STRICT;

CREATE TABLE IF NOT EXISTS job_events (
    id    INTEGER PRIMARY KEY,
    job   TEXT NOT NULL,
    seq   INTEGER NOT NULL,
    event BLOB NOT NULL,
    chain BLOB NOT NULL,
    UNIQUE (job, seq)
) STRICT;

-- +goose Down
DROP TABLE job_events;
DROP TABLE jobs;
