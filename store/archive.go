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

// runColumns is every column of runs in the order in which scanRun takes them; the two must be changed together.
const runColumns = headColumns + `, end_state, end_code, end_reason, ended_by, ended_utc, elapsed_ns, verdict`

// Runs returns the newest runs first, at most limit of them. Its records do not count damaged chunks (that takes
// reading all samples); Run does.
func (d *DB) Runs(ctx context.Context, limit int) ([]station.RunRecord, error) {
	runs, err := d.selectRuns(ctx, d.state.read, "ORDER BY id DESC LIMIT ?", max(0, limit))
	if err != nil {
		return nil, fmt.Errorf("list the runs: %w", err)
	}
	// One small query per run: fifty runs of seven minutes take 16 ms (measured on a two-core x86). A join is not possible: heads and chunks lie in different files.
	for i := range runs {
		if err := d.countSamples(ctx, &runs[i]); err != nil {
			return nil, fmt.Errorf("count the samples of run %d: %w", runs[i].Head.ID, err)
		}
	}
	return runs, nil
}

// Run returns one run, or ErrNoRun. Samples and Bad count what Samples would return and leave out.
func (d *DB) Run(ctx context.Context, id int64) (station.RunRecord, error) {
	runs, err := d.selectRuns(ctx, d.state.read, "WHERE id=?", id)
	if err != nil {
		return station.RunRecord{}, fmt.Errorf("read run %d: %w", id, err)
	}
	if len(runs) == 0 {
		d.mu.Lock()
		bad, known := d.badRuns[id]
		d.mu.Unlock()
		if known {
			return station.RunRecord{}, fmt.Errorf("read %w", bad)
		}
		return station.RunRecord{}, station.ErrNoRun{ID: id}
	}
	r := runs[0]
	samples, bad, err := d.load(ctx, id)
	if err != nil {
		return station.RunRecord{}, fmt.Errorf("read the samples of run %d: %w", id, err)
	}
	// What the chunks claim is replaced by what really can be read, so that the numbers of one run always agree with
	// what Samples returns.
	r.Samples, r.Bad = len(samples), bad
	if n := len(samples); n > 0 {
		r.LastAt = samples[n-1].At
	}
	return r, nil
}

// Samples returns the columns of a run and its kept rows in order. Rows of damaged chunks are left out; their numbers are missing.
func (d *DB) Samples(ctx context.Context, id int64) ([]station.Channel, []station.Sample, error) {
	var text string
	switch err := d.state.read.QueryRowContext(ctx, "SELECT channels FROM runs WHERE id=?", id).Scan(&text); {
	case errors.Is(err, sql.ErrNoRows):
		return nil, nil, station.ErrNoRun{ID: id}
	case err != nil:
		return nil, nil, fmt.Errorf("read the columns of run %d: %w", id, err)
	}
	// The columns are those of the run itself, not of the machine as it is configured now: an old run stays readable
	// after a sensor has been added.
	var channels []station.Channel
	if err := json.Unmarshal([]byte(text), &channels); err != nil {
		return nil, nil, fmt.Errorf("read the columns of run %d: %w", id, err)
	}
	rows, _, err := d.load(ctx, id)
	if err != nil {
		return nil, nil, fmt.Errorf("read the samples of run %d: %w", id, err)
	}
	return channels, rows, nil
}

// load reads the chunks of a run one by one, so that one that cannot be read at all costs only itself.
func (d *DB) load(ctx context.Context, run int64) (samples []station.Sample, bad int, err error) {
	ids, total, err := d.chunkIDs(ctx, run)
	if broken(err) {
		bad = 1 // the list itself is torn: keep what could still be listed
	} else if err != nil {
		return nil, 0, err
	}
	samples = make([]station.Sample, 0, total)
	for _, id := range ids {
		c := chunk{}
		var first, last, crc int64
		err := d.samples.read.QueryRowContext(ctx, `SELECT run, first_seq, samples, columns, last_ns, crc, data FROM chunks WHERE id=?`, id).
			Scan(&c.run, &first, &c.samples, &c.columns, &last, &crc, &c.data)
		// A page that is damaged costs the chunks on it. Anything else (no memory, cancelled, the disk is gone) says
		// nothing about this chunk, and calling it damaged would be a lie in the record.
		if err != nil && !broken(err) && !errors.Is(err, sql.ErrNoRows) {
			return nil, 0, err
		}
		c.first, c.last, c.crc = uint64(first), time.Duration(last), uint32(crc)
		// The index led here; a row that belongs to another run means that the index is wrong. The check inside unpack
		// covers the number too, but against the row's own word for it.
		if err == nil && c.run == run {
			samples, err = c.unpack(samples)
		} else {
			err = errDamaged
		}
		if err != nil {
			bad++
		}
	}
	return samples, bad, nil
}

// chunkIDs lists the chunks of a run in the order of their samples, and how many samples they claim to hold. The claim
// is only used to size a buffer, and capped, because it may be damaged too. With an error it returns what it got so far.
func (d *DB) chunkIDs(ctx context.Context, run int64) (ids []int64, total int, err error) {
	// Ordered by number, not by id: after a damaged index the ids are all that is left to trust, but then the list
	// breaks off with an error and the caller counts it.
	rows, err := d.samples.read.QueryContext(ctx, "SELECT id, samples FROM chunks WHERE run=? ORDER BY first_seq", run)
	if err != nil {
		return nil, 0, err
	}
	defer rows.Close()
	for rows.Next() {
		var id, n int64
		if err := rows.Scan(&id, &n); err != nil {
			return ids, total, err
		}
		ids, total = append(ids, id), total+int(min(max(n, 0), maxChunk))
	}
	return ids, total, rows.Err()
}

// Events returns what happened in a run, or with id 0 to the station, oldest first.
func (d *DB) Events(ctx context.Context, id int64) ([]station.RunEvent, error) {
	if id != 0 {
		if err := d.exists(ctx, id); err != nil {
			return nil, err
		}
	}
	// By id, which is the order in which they were kept; two events may carry the same time.
	rows, err := d.state.read.QueryContext(ctx, "SELECT at_ns, utc, code, text, by_who FROM events WHERE run=? ORDER BY id", id)
	if err != nil {
		return nil, fmt.Errorf("read the events of run %d: %w", id, err)
	}
	defer rows.Close()
	var out []station.RunEvent
	for rows.Next() {
		var e station.RunEvent
		var at int64
		var when string
		if err := rows.Scan(&at, &when, &e.Code, &e.Text, &e.By); err != nil {
			return nil, fmt.Errorf("read the events of run %d: %w", id, err)
		}
		e.At = time.Duration(at)
		if e.UTC, err = time.Parse(time.RFC3339Nano, when); err != nil {
			return nil, fmt.Errorf("read the events of run %d: %w", id, err)
		}
		out = append(out, e)
	}
	return out, rows.Err()
}

// LastNumber returns the highest number that was ever given to a run, 0 before the first.
func (d *DB) LastNumber(ctx context.Context) (int64, error) {
	var n sql.NullInt64
	// SQLite's own table for AUTOINCREMENT; it outlives the deletion of a run.
	if err := d.state.read.QueryRowContext(ctx, "SELECT max(seq) FROM sqlite_sequence WHERE name='runs'").Scan(&n); err != nil {
		return 0, fmt.Errorf("read the number of the last run: %w", err)
	}
	return n.Int64, nil
}

// countSamples fills in how many samples the chunks of a run claim to hold and when the last one was. Where the list of
// chunks is torn it says none, because a damaged sample must not keep the program from starting.
func (d *DB) countSamples(ctx context.Context, r *station.RunRecord) error {
	var n, last sql.NullInt64
	err := d.samples.read.QueryRowContext(ctx, "SELECT sum(samples), max(last_ns) FROM chunks WHERE run=?", r.Head.ID).Scan(&n, &last)
	r.Samples, r.LastAt = int(n.Int64), time.Duration(last.Int64)
	if broken(err) {
		return nil
	}
	return err
}

// selectRuns reads heads and ends. tail is one of this package's own constants, never anything from outside; values go
// through args.
func (d *DB) selectRuns(ctx context.Context, from *sql.DB, tail string, args ...any) ([]station.RunRecord, error) {
	rows, err := from.QueryContext(ctx, "SELECT "+runColumns+" FROM runs "+tail, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []station.RunRecord
	for rows.Next() {
		r, err := scanRun(rows)
		var bad badRun
		if errors.As(err, &bad) {
			d.noteRun(bad) // one run that cannot be shown must not hide all others
			continue
		} else if err != nil {
			return nil, err
		}
		out = append(out, r)
	}
	return out, rows.Err()
}

// badRun says that the row of a run holds something that this program has never written.
type badRun struct {
	id  int64
	err error
}

func (e badRun) Error() string { return fmt.Sprintf("run %d: %v", e.id, e.err) }
func (e badRun) Unwrap() error { return e.err }

// noteRun remembers a run that cannot be shown, so that Notices tells it once.
func (d *DB) noteRun(b badRun) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.badRuns[b.id] = b
}

// scanRun takes one row apart. Times of day that do not parse are an error and not a zero time: the file was written
// by this program, so it has been tampered with or damaged, and a wrong date in a record is worse than none.
func scanRun(rows *sql.Rows) (station.RunRecord, error) {
	var r station.RunRecord
	var h, e = &r.Head, &r.End
	var begun, kind, channels string
	var period int64
	var state, code, reason, by, ended, verdict sql.NullString
	var elapsed sql.NullInt64
	err := rows.Scan(&h.ID, &h.BootID, &begun, &h.ClockSynced, &kind, &h.Profile, &h.ProfileTOML, &h.Board, &h.Part, &h.Serial, &h.By,
		&h.Station, &h.Simulated, &h.Software, &channels, &period, &state, &code, &reason, &by, &ended, &elapsed, &verdict)
	if err != nil {
		return r, err
	}
	// Kinds and states are not checked against today's lists: a word that an older version wrote must still be shown.
	h.Kind, h.Period = process.Kind(kind), time.Duration(period)
	if h.BegunUTC, err = time.Parse(time.RFC3339Nano, begun); err != nil {
		return r, badRun{h.ID, err}
	}
	if err = json.Unmarshal([]byte(channels), &h.Channels); err != nil {
		return r, badRun{h.ID, fmt.Errorf("columns: %w", err)}
	}
	// The run is open: it is going on in this process, or it is about to be closed by recover.
	if !state.Valid {
		return r, nil
	}
	e.State, e.Code, e.Reason, e.By, e.Elapsed = station.State(state.String), code.String, reason.String, by.String, time.Duration(elapsed.Int64)
	if e.EndedUTC, err = time.Parse(time.RFC3339Nano, ended.String); err != nil {
		return r, badRun{h.ID, err}
	}
	if verdict.Valid {
		e.Verdict = new(process.Verdict)
		if err = json.Unmarshal([]byte(verdict.String), (*keptVerdict)(e.Verdict)); err != nil {
			return r, badRun{h.ID, fmt.Errorf("verdict: %w", err)}
		}
	}
	return r, nil
}
