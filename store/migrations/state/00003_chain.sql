-- +goose Up
-- A chain of SHA-256 sums over what is kept of a run; what each link covers is described in chain.go. The columns are NULL
-- for runs that were begun before there was a chain.
ALTER TABLE runs ADD COLUMN chain_head   BLOB;    -- link over the head
ALTER TABLE runs ADD COLUMN chain_tip    BLOB;    -- newest link over head, events and end
ALTER TABLE runs ADD COLUMN chain_end    BLOB;    -- link over the end; NULL while the run is open
ALTER TABLE runs ADD COLUMN chain_events INTEGER; -- how many events came before the end
ALTER TABLE runs ADD COLUMN chain_chunks INTEGER; -- how many chunks there were at the end
ALTER TABLE runs ADD COLUMN chain_last   BLOB;    -- link over the last of them, or over the head
ALTER TABLE events ADD COLUMN chain BLOB;

-- +goose Down
ALTER TABLE events DROP COLUMN chain;
ALTER TABLE runs DROP COLUMN chain_last;
ALTER TABLE runs DROP COLUMN chain_chunks;
ALTER TABLE runs DROP COLUMN chain_events;
ALTER TABLE runs DROP COLUMN chain_end;
ALTER TABLE runs DROP COLUMN chain_tip;
ALTER TABLE runs DROP COLUMN chain_head;
