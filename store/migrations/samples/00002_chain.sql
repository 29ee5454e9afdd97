-- +goose Up
-- Link of this chunk to the one before it or to the head of its run (chain.go); NULL in runs that have no chain.
ALTER TABLE chunks ADD COLUMN chain BLOB;

-- +goose Down
ALTER TABLE chunks DROP COLUMN chain;
