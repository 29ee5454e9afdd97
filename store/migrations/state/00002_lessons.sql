-- +goose Up
-- What runs have taught, per pairing of board type, part and machine. Rows of a pairing are ordered by id, oldest first.
-- data means nothing to the store; crc covers the other columns but id, as described in lesson.go.
CREATE TABLE lessons (
    id      INTEGER PRIMARY KEY,
    pairing TEXT NOT NULL,
    run     INTEGER NOT NULL,
    utc     TEXT NOT NULL,
    data    BLOB NOT NULL,
    crc     INTEGER NOT NULL
) STRICT;

CREATE INDEX lessons_by_pairing ON lessons(pairing, id);

-- +goose Down
DROP TABLE lessons;
