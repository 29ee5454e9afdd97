-- +goose Up
-- One row is a few seconds of samples. The layout of data and what crc covers are described in chunk.go.
CREATE TABLE chunks (
    id        INTEGER PRIMARY KEY,
    run       INTEGER NOT NULL,
    first_seq INTEGER NOT NULL,
    samples   INTEGER NOT NULL,
    columns   INTEGER NOT NULL,
    last_ns   INTEGER NOT NULL, -- time of the last sample since the run began
    crc       INTEGER NOT NULL,
    data      BLOB NOT NULL,
    UNIQUE (run, first_seq)
) STRICT;

-- +goose Down
DROP TABLE chunks;
