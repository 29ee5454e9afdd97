package store

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"trivet/process"
	"trivet/station"
)

// Begin keeps the head of a new run and returns its number. h.ID is ignored.
func (d *DB) Begin(ctx context.Context, h station.RunHead) (int64, error) {
	if len(h.Channels) > station.MaxChannels {
		return 0, fmt.Errorf("begin a run: %d columns; at most %d can be kept", len(h.Channels), station.MaxChannels)
	}
	channels, err := json.Marshal(h.Channels)
	if err != nil {
		return 0, fmt.Errorf("begin a run: %w", err)
	}
	// The head is on the disk before the first sample can exist, and before the caller knows the number. So a crash at
	// any moment leaves at worst a run without samples, never samples without a run.
	res, err := d.state.write.ExecContext(ctx, `INSERT INTO runs
		(boot_id, begun_utc, clock_synced, kind, profile, profile_toml, board, part, serial, begun_by, station, simulated, software, channels, period_ns)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		h.BootID, utc(h.BegunUTC), h.ClockSynced, string(h.Kind), h.Profile, h.ProfileTOML, h.Board, h.Part, h.Serial, h.By,
		h.Station, h.Simulated, h.Software, string(channels), int64(h.Period))
	if err != nil {
		return 0, fmt.Errorf("begin a run: %w", err)
	}
	id, err := res.LastInsertId()
	if err != nil {
		return 0, fmt.Errorf("begin a run: %w", err)
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	// Only this process may append: after a restart the number is not in the map, and the run has been closed.
	d.open[id] = &openRun{columns: len(h.Channels)}
	return id, nil
}

// Append keeps rows of a run that this process began, all of them or none. Their numbers must rise and be above all
// kept before; a hole is allowed and stays visible. After an error the same rows may be given again.
func (d *DB) Append(ctx context.Context, id int64, rows []station.Sample) error {
	// An empty call must not become an empty transaction: that would write to the disk for nothing.
	if len(rows) == 0 {
		return nil
	}
	d.mu.Lock()
	run, known := d.open[id]
	var next uint64
	if known {
		next = run.next
	}
	d.mu.Unlock()
	if !known {
		return station.ErrNoRun{ID: id}
	}
	if rows[0].Seq < next {
		return fmt.Errorf("keep samples of run %d: sample %d is already kept; the next is %d", id, rows[0].Seq, next)
	}
	// Packing happens before the transaction begins, so the file is locked for as short as possible. The lock of this
	// package is not held either: a Begin or an Event never waits behind the samples.
	chunks, err := pack(id, run.columns, rows)
	if err != nil {
		return fmt.Errorf("keep samples of run %d: %w", id, err)
	}
	if err := d.insert(ctx, chunks); err != nil {
		return fmt.Errorf("keep samples of run %d: %w", id, err)
	}
	d.mu.Lock()
	run.next = rows[len(rows)-1].Seq + 1
	d.mu.Unlock()
	return nil
}

// insert writes chunks in one transaction, so that a reader or a crash sees all rows of an Append or none. The unique
// index on run and number is the last defence against keeping a sample twice.
func (d *DB) insert(ctx context.Context, chunks []chunk) error {
	tx, err := d.samples.write.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback() // does nothing after a commit
	for i := range chunks {
		c := &chunks[i]
		if _, err := tx.ExecContext(ctx, `INSERT INTO chunks (run, first_seq, samples, columns, last_ns, crc, data) VALUES (?, ?, ?, ?, ?, ?, ?)`,
			c.run, int64(c.first), c.samples, c.columns, int64(c.last), int64(c.crc), c.data); err != nil {
			return err
		}
	}
	return tx.Commit()
}

// Event keeps something worth knowing about run id, or about the station with id 0. A run may have ended before.
func (d *DB) Event(ctx context.Context, id int64, e station.RunEvent) error {
	if id != 0 {
		if err := d.exists(ctx, id); err != nil {
			return fmt.Errorf("keep event %q of run %d: %w", e.Code, id, err)
		}
	}
	if _, err := d.state.write.ExecContext(ctx, `INSERT INTO events (run, at_ns, utc, code, text, by_who) VALUES (?, ?, ?, ?, ?, ?)`,
		id, int64(e.At), utc(e.UTC), e.Code, e.Text, e.By); err != nil {
		return fmt.Errorf("keep event %q of run %d: %w", e.Code, id, err)
	}
	return nil
}

// End keeps how a run came out. A run ends once.
func (d *DB) End(ctx context.Context, id int64, e station.RunEnd) error {
	if e.State == "" {
		return fmt.Errorf("end run %d: no state is given; an empty state means that the run is open", id)
	}
	// Bring the samples of this run to the disk before its end is, so that a power cut right after cannot leave a run that
	// says it is complete and lacks its last seconds. If that fails the end matters all the more, so go on.
	_, _ = d.samples.write.ExecContext(ctx, "PRAGMA wal_checkpoint(PASSIVE)")
	if err := d.end(ctx, id, e); err != nil {
		return fmt.Errorf("end run %d: %w", id, err)
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	delete(d.open, id)
	return nil
}

// keptVerdict is a verdict as it lies in the file: every field under its own name, so that it reads back whole. The
// verdict's own JSON is a report for people and programs outside, and leaves out what they have no use for.
type keptVerdict process.Verdict

// end writes the end of a run. A verdict that cannot be written down (it holds a NaN) must not keep the run open, so
// the end is kept without it and the error returned.
func (d *DB) end(ctx context.Context, id int64, e station.RunEnd) error {
	var verdict any
	var lost error
	if e.Verdict != nil {
		text, err := json.Marshal((*keptVerdict)(e.Verdict))
		if err != nil {
			lost = fmt.Errorf("the verdict could not be kept: %w", err)
		} else {
			verdict = string(text)
		}
	}
	// The condition makes the first end win, even between two processes that should never both have been here.
	res, err := d.state.write.ExecContext(ctx, `UPDATE runs SET end_state=?, end_code=?, end_reason=?, ended_by=?, ended_utc=?, elapsed_ns=?, verdict=?
		WHERE id=? AND end_state IS NULL`, string(e.State), e.Code, e.Reason, e.By, utc(e.EndedUTC), int64(e.Elapsed), verdict, id)
	if err != nil {
		return err
	}
	// Nothing changed: say whether that is because there is no such run or because it is over.
	if n, err := res.RowsAffected(); err != nil {
		return err
	} else if n == 0 {
		if err := d.exists(ctx, id); err != nil {
			return err
		}
		return errors.New("it has already ended")
	}
	return lost
}

// exists returns ErrNoRun when there is no run id.
func (d *DB) exists(ctx context.Context, id int64) error {
	d.mu.Lock()
	_, open := d.open[id]
	d.mu.Unlock()
	if open {
		return nil
	}
	// Runs of earlier processes are on the disk only.
	var n int
	if err := d.state.read.QueryRowContext(ctx, "SELECT count(*) FROM runs WHERE id=?", id).Scan(&n); err != nil {
		return err
	}
	if n == 0 {
		return station.ErrNoRun{ID: id}
	}
	return nil
}

// utc writes a time of day as text that sorts and that people can read; to the nanosecond, so that it reads back equal.
func utc(t time.Time) string { return t.UTC().Format(time.RFC3339Nano) }
