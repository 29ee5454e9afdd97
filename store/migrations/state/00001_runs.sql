-- +goose Up
-- Times of day are RFC 3339 text in UTC, for people who look with a tool; durations are whole nanoseconds.
CREATE TABLE runs (
    id           INTEGER PRIMARY KEY AUTOINCREMENT, -- a number is never used twice, even after a run is deleted
    boot_id      TEXT NOT NULL,
    begun_utc    TEXT NOT NULL,
    clock_synced INTEGER NOT NULL,
    kind         TEXT NOT NULL,
    profile      TEXT NOT NULL,
    profile_toml TEXT NOT NULL,
    board        TEXT NOT NULL,
    part         TEXT NOT NULL,
    serial       TEXT NOT NULL,
    begun_by     TEXT NOT NULL,
    station      TEXT NOT NULL,
    simulated    INTEGER NOT NULL,
    software     TEXT NOT NULL,
    channels     TEXT NOT NULL,                     -- JSON array, in the order of the sample columns
    period_ns    INTEGER NOT NULL,
    end_state    TEXT,                              -- NULL while the run is open: the crash marker
    end_code     TEXT,
    end_reason   TEXT,
    ended_by     TEXT,
    ended_utc    TEXT,
    elapsed_ns   INTEGER,
    verdict      TEXT                               -- JSON, NULL when there was nothing to judge
) STRICT;

CREATE INDEX runs_open ON runs(id) WHERE end_state IS NULL;

-- Run 0 stands for the station itself, so there is no foreign key.
CREATE TABLE events (
    id     INTEGER PRIMARY KEY,
    run    INTEGER NOT NULL,
    at_ns  INTEGER NOT NULL,
    utc    TEXT NOT NULL,
    code   TEXT NOT NULL,
    text   TEXT NOT NULL,
    by_who TEXT NOT NULL
) STRICT;

CREATE INDEX events_by_run ON events(run, id);

-- +goose Down
DROP TABLE events;
DROP TABLE runs;
