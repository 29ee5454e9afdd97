package store

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"trivet/process/job"
	"trivet/station"
)

// Words of the chains of jobs.
const (
	linkJob      = "trivet job 1"
	linkJobEvent = "trivet job event 1"
)

// mostJobs bounds one answer of Jobs.
const mostJobs = 500

// OpenJob keeps a new job. A job of that number is an error of type station.ErrJobExists.
func (d *DB) OpenJob(ctx context.Context, j *job.Job) error {
	opening, err := json.Marshal(j.Opening)
	if err != nil {
		return err
	}
	when := utc(j.Opening.At)
	sum, err := link(linkJob, nil, j.Opening.ID, when, opening)
	if err != nil {
		return err
	}
	r, err := d.state.write.ExecContext(ctx, "INSERT INTO jobs (id, utc, opening, chain) VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING", j.Opening.ID, when, opening, sum)
	if err != nil {
		return fmt.Errorf("open job %s: %w", j.Opening.ID, err)
	}
	if n, err := r.RowsAffected(); err == nil && n == 0 {
		return station.ErrJobExists{ID: j.Opening.ID}
	}
	return nil
}

// AppendJob adds an event behind the seq that there are. Another number of events than that is station.ErrJobMoved: somebody else was faster, and
// the event must be judged anew.
func (d *DB) AppendJob(ctx context.Context, id string, seq int, e job.Event) error {
	data, err := json.Marshal(e)
	if err != nil {
		return err
	}
	tx, err := d.state.write.BeginTx(ctx, nil)
	if err != nil {
		return fmt.Errorf("job %s: %w", id, err)
	}
	defer tx.Rollback() // does nothing after a commit
	before, n, err := jobTip(ctx, tx, id)
	if err != nil {
		return err
	}
	if n != seq {
		return station.ErrJobMoved{ID: id, Has: n}
	}
	sum, err := link(linkJobEvent, before, id, int64(seq), data)
	if err != nil {
		return err
	}
	if _, err := tx.ExecContext(ctx, "INSERT INTO job_events (job, seq, event, chain) VALUES (?, ?, ?, ?)", id, seq, data, sum); err != nil {
		return fmt.Errorf("job %s: %w", id, err)
	}
	if err := tx.Commit(); err != nil {
		return fmt.Errorf("job %s: %w", id, err)
	}
	return nil
}

// jobTip returns the newest link of a job and how many events it has.
func jobTip(ctx context.Context, tx *sql.Tx, id string) (tip []byte, n int, err error) {
	err = tx.QueryRowContext(ctx, "SELECT chain FROM jobs WHERE id=?", id).Scan(&tip)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, 0, station.ErrNoJob{ID: id}
	}
	if err != nil {
		return nil, 0, fmt.Errorf("job %s: %w", id, err)
	}
	err = tx.QueryRowContext(ctx, "SELECT chain, seq+1 FROM job_events WHERE job=? ORDER BY seq DESC LIMIT 1", id).Scan(&tip, &n)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return nil, 0, fmt.Errorf("job %s: %w", id, err)
	}
	return bytes.Clone(tip), n, nil
}

// Job returns one job; station.ErrNoJob when there is none.
func (d *DB) Job(ctx context.Context, id string) (*job.Job, error) {
	j, fault, err := d.readJob(ctx, id)
	if err != nil {
		return nil, err
	}
	if fault != "" {
		return j, station.ErrJobDamaged{ID: id, What: fault}
	}
	return j, nil
}

// readJob reads a job with its chain. fault names the first place that is not as it was written; what stands before it is returned.
func (d *DB) readJob(ctx context.Context, id string) (j *job.Job, fault string, err error) {
	var opening, sum []byte
	var when string
	err = d.state.read.QueryRowContext(ctx, "SELECT utc, opening, chain FROM jobs WHERE id=?", id).Scan(&when, &opening, &sum)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, "", station.ErrNoJob{ID: id}
	}
	if err != nil {
		return nil, "", fmt.Errorf("job %s: %w", id, err)
	}
	j = &job.Job{Format: job.Format, Events: []job.Event{}}
	if want, err := link(linkJob, nil, id, when, opening); err != nil || !bytes.Equal(want, sum) || json.Unmarshal(opening, &j.Opening) != nil {
		return j, "its opening is not as it was written", nil
	}
	rows, err := d.state.read.QueryContext(ctx, "SELECT seq, event, chain FROM job_events WHERE job=? ORDER BY seq", id)
	if err != nil {
		return nil, "", fmt.Errorf("job %s: %w", id, err)
	}
	defer rows.Close()
	for n := 0; rows.Next(); n++ {
		var seq int
		var data, kept []byte
		if err := rows.Scan(&seq, &data, &kept); err != nil {
			return nil, "", fmt.Errorf("job %s: %w", id, err)
		}
		var e job.Event
		want, err := link(linkJobEvent, sum, id, int64(seq), data)
		switch {
		case seq != n:
			return j, fmt.Sprintf("event %d is missing", n+1), nil
		case err != nil || !bytes.Equal(want, kept) || json.Unmarshal(data, &e) != nil:
			return j, fmt.Sprintf("event %d is not as it was written", n+1), nil
		}
		sum = want
		j.Events = append(j.Events, e)
	}
	return j, "", rows.Err()
}

// Jobs lists jobs, newest first, at most 500. One that is damaged is listed with what could be read of it.
func (d *DB) Jobs(ctx context.Context, limit int) ([]*job.Job, error) {
	rows, err := d.state.read.QueryContext(ctx, "SELECT id FROM jobs ORDER BY utc DESC, id LIMIT ?", max(0, min(limit, mostJobs)))
	if err != nil {
		return nil, fmt.Errorf("list the jobs: %w", err)
	}
	var ids []string
	for rows.Next() {
		var id string
		if err := rows.Scan(&id); err != nil {
			return nil, errors.Join(fmt.Errorf("list the jobs: %w", err), rows.Close())
		}
		ids = append(ids, id)
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil {
		return nil, fmt.Errorf("list the jobs: %w", err)
	}
	var out []*job.Job
	for _, id := range ids {
		j, _, err := d.readJob(ctx, id)
		if err != nil {
			return nil, err
		}
		out = append(out, j)
	}
	return out, nil
}

// VerifyJob recomputes a job's chain and names the first place that is not as it was written; empty when everything is.
func (d *DB) VerifyJob(ctx context.Context, id string) (fault string, err error) {
	_, fault, err = d.readJob(ctx, id)
	return fault, err
}

// rowOfJob checks a row that is brought over from a damaged file.
func rowOfJob(id, when string, opening, sum []byte) bool {
	want, err := link(linkJob, nil, id, when, opening)
	_, bad := time.Parse(time.RFC3339Nano, when)
	return err == nil && bad == nil && bytes.Equal(want, sum)
}
