package store

import (
	"context"
	"database/sql"
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
	id, sum, err := d.begin(ctx, h, string(channels))
	if err != nil {
		return 0, fmt.Errorf("begin a run: %w", err)
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	// Only this process may append: after a restart the number is not in the map, and the run has been closed.
	d.open[id] = &openRun{columns: len(h.Channels), strand: strand{last: sum}}
	return id, nil
}

// begin inserts the head and its link, in one transaction.
func (d *DB) begin(ctx context.Context, h station.RunHead, channels string) (id int64, sum []byte, err error) {
	tx, err := d.state.write.BeginTx(ctx, nil)
	if err != nil {
		return 0, nil, err
	}
	defer tx.Rollback() // does nothing after a commit
	res, err := tx.ExecContext(ctx, `INSERT INTO runs
		(boot_id, begun_utc, clock_synced, kind, profile, profile_toml, board, part, serial, begun_by, station, simulated, software, channels, period_ns)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		h.BootID, utc(h.BegunUTC), h.ClockSynced, string(h.Kind), h.Profile, h.ProfileTOML, h.Board, h.Part, h.Serial, h.By,
		h.Station, h.Simulated, h.Software, channels, int64(h.Period))
	if err != nil {
		return 0, nil, err
	}
	if id, err = res.LastInsertId(); err != nil {
		return 0, nil, err
	}
	if sum, err = chainHead(ctx, tx, id); err != nil {
		return 0, nil, err
	}
	return id, sum, tx.Commit()
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
	d.mu.Unlock()
	if !known {
		return station.ErrNoRun{ID: id}
	}
	// The lock of this run, not of the package: a Begin or an Event never waits behind the samples.
	run.mu.Lock()
	defer run.mu.Unlock()
	if run.ended {
		return station.ErrNoRun{ID: id}
	}
	if rows[0].Seq < run.next {
		return fmt.Errorf("keep samples of run %d: sample %d is already kept; the next is %d", id, rows[0].Seq, run.next)
	}
	// Packing happens before the transaction begins, so the file is locked for as short as possible.
	chunks, err := pack(id, run.columns, rows)
	if err != nil {
		return fmt.Errorf("keep samples of run %d: %w", id, err)
	}
	now, err := d.insert(ctx, chunks, run.strand)
	if err != nil {
		return fmt.Errorf("keep samples of run %d: %w", id, err)
	}
	run.next, run.strand = rows[len(rows)-1].Seq+1, now
	return nil
}

// insert writes chunks and their links in one transaction, so that a reader or a crash sees all rows of an Append or none,
// and returns how far the strand has come. The unique index on run and number is the last defence against keeping a
// sample twice.
func (d *DB) insert(ctx context.Context, chunks []chunk, at strand) (strand, error) {
	tx, err := d.samples.write.BeginTx(ctx, nil)
	if err != nil {
		return at, err
	}
	defer tx.Rollback() // does nothing after a commit
	// The link covers the number of the row, so it is chosen here: the next one, which is what SQLite would take.
	var id int64
	if err := tx.QueryRowContext(ctx, "SELECT coalesce(max(id), 0) FROM chunks").Scan(&id); err != nil {
		return at, err
	}
	now := at
	for i := range chunks {
		c := &chunks[i]
		id++
		now = strand{chunks: now.chunks + 1, last: linkChunkRow(now.last, id, c)}
		if _, err := tx.ExecContext(ctx, `INSERT INTO chunks (`+chunkColumns+`, chain) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)`,
			id, c.run, int64(c.first), c.samples, c.columns, int64(c.last), int64(c.crc), c.data, now.last); err != nil {
			return at, err
		}
	}
	return now, tx.Commit()
}

// Event keeps something worth knowing about run id, or about the station with id 0. A run may have ended before.
func (d *DB) Event(ctx context.Context, id int64, e station.RunEvent) error {
	if err := d.event(ctx, id, e); err != nil {
		return fmt.Errorf("keep event %q of run %d: %w", e.Code, id, err)
	}
	return nil
}

// event inserts an event with its link, in one transaction. Events of the station itself have no chain: it never ends.
func (d *DB) event(ctx context.Context, id int64, e station.RunEvent) error {
	tx, err := d.state.write.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback() // does nothing after a commit
	var tip []byte
	if id != 0 {
		if tip, err = chainTip(ctx, tx, id); err != nil {
			return err
		}
	}
	res, err := tx.ExecContext(ctx, `INSERT INTO events (run, at_ns, utc, code, text, by_who) VALUES (?, ?, ?, ?, ?, ?)`,
		id, int64(e.At), utc(e.UTC), e.Code, e.Text, e.By)
	if err != nil {
		return err
	}
	if tip != nil {
		event, err := res.LastInsertId()
		if err != nil {
			return err
		}
		if err := chainEvent(ctx, tx, id, event, tip); err != nil {
			return err
		}
	}
	return tx.Commit()
}

// End keeps how a run came out. A run ends once.
func (d *DB) End(ctx context.Context, id int64, e station.RunEnd) error {
	if e.State == "" {
		return fmt.Errorf("end run %d: no state is given; an empty state means that the run is open", id)
	}
	// Bring the samples of this run to the disk before its end is, so that a power cut right after cannot leave a run that
	// says it is complete and lacks its last seconds. If that fails the end matters all the more, so go on.
	_, _ = d.samples.write.ExecContext(ctx, "PRAGMA wal_checkpoint(PASSIVE)")
	d.mu.Lock()
	run := d.open[id]
	d.mu.Unlock()
	s, err := strand{}, error(nil)
	if run != nil {
		// No sample may come between the end and the links that it covers.
		run.mu.Lock()
		defer run.mu.Unlock()
		s = run.strand
	} else {
		s, err = d.strandOf(ctx, id)
	}
	if err != nil && !errors.Is(err, sql.ErrNoRows) { // that there is no such run is said below
		return fmt.Errorf("end run %d: %w", id, err)
	}
	ended, err := d.end(ctx, id, e, s)
	if ended && run != nil {
		run.ended = true
		d.mu.Lock()
		delete(d.open, id)
		d.mu.Unlock()
	}
	if err != nil {
		return fmt.Errorf("end run %d: %w", id, err)
	}
	return nil
}

// keptVerdict is a verdict as it lies in the file: every field under its own name, so that it reads back whole. The
// verdict's own JSON is a report for people and programs outside, and leaves out what they have no use for.
type keptVerdict process.Verdict

// end writes the end of a run with its link and says whether it did. A verdict that cannot be written down (it holds a
// NaN) must not keep the run open, so the end is kept without it and the error returned.
func (d *DB) end(ctx context.Context, id int64, e station.RunEnd, s strand) (ended bool, err error) {
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
	tx, err := d.state.write.BeginTx(ctx, nil)
	if err != nil {
		return false, err
	}
	defer tx.Rollback() // does nothing after a commit
	// The condition makes the first end win, even between two processes that should never both have been here.
	res, err := tx.ExecContext(ctx, `UPDATE runs SET end_state=?, end_code=?, end_reason=?, ended_by=?, ended_utc=?, elapsed_ns=?, verdict=?
		WHERE id=? AND end_state IS NULL`, string(e.State), e.Code, e.Reason, e.By, utc(e.EndedUTC), int64(e.Elapsed), verdict, id)
	if err != nil {
		return false, err
	}
	// Nothing changed: say whether that is because there is no such run or because it is over.
	if n, err := res.RowsAffected(); err != nil {
		return false, err
	} else if n == 0 {
		if _, err := chainTip(ctx, tx, id); err != nil {
			return false, err
		}
		return false, errors.New("it has already ended")
	}
	if err := chainEnd(ctx, tx, id, s); err != nil {
		return false, err
	}
	if err := tx.Commit(); err != nil {
		return false, err
	}
	return true, lost
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
