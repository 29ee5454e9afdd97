package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"trivet/process/job"
	"trivet/station"
)

// Reader looks at a data directory without taking part in it: it takes no lock, closes no run, mends nothing and writes no record, so that
// it can look while a station runs. It is for the same version of the program that wrote the files last.
type Reader struct{ db *DB }

// OpenReader opens a data directory for looking. Files of another schema are refused: of a newer one with ErrNewer.
func OpenReader(ctx context.Context, dir string) (*Reader, error) {
	r := &Reader{db: &DB{dir: dir, open: map[int64]*openRun{}, badLessons: map[string]int{}, badRuns: map[int64]badRun{}}}
	for _, f := range []struct {
		name string
		to   **file
	}{{"state", &r.db.state}, {"samples", &r.db.samples}} {
		var err error
		if *f.to, err = openToRead(ctx, dir, f.name); err != nil {
			return nil, errors.Join(err, r.Close())
		}
	}
	return r, nil
}

// openToRead opens one file through a connection that cannot write it.
func openToRead(ctx context.Context, dir, name string) (*file, error) {
	path := dbPath(dir, name)
	abs, err := filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	if _, err := os.Stat(abs); err != nil { // SQLite would only say that it cannot open it
		return nil, fmt.Errorf("%s: %w", path, cause(err))
	}
	q := url.Values{"mode": {"ro"}, "_pragma": {"busy_timeout(5000)", "query_only(1)", "trusted_schema(0)"}}
	f := &file{path: path}
	if f.read, err = sql.Open("sqlite", (&url.URL{Scheme: "file", Path: abs, RawQuery: q.Encode()}).String()); err != nil {
		return nil, fmt.Errorf("open %s: %w", path, err)
	}
	f.read.SetMaxOpenConns(2)
	var has int64
	if err := f.read.QueryRowContext(ctx, "SELECT max(version_id) FROM goose_db_version WHERE is_applied").Scan(&has); err != nil {
		return nil, errors.Join(fmt.Errorf("%s cannot be read: %w", path, err), f.read.Close())
	}
	knows, err := newestSchema(name)
	switch {
	case err != nil:
	case has > knows:
		err = ErrNewer{File: path, Has: has, Knows: knows}
	case has < knows:
		err = fmt.Errorf("%s was written by an older version of this program; start the station on it once with this one, which brings it up to date", path)
	}
	if err != nil {
		return nil, errors.Join(err, f.read.Close())
	}
	return f, nil
}

// newestSchema is the newest version of a file's schema that this program knows: migrations are numbered.
func newestSchema(name string) (newest int64, err error) {
	list, err := migrations.ReadDir("migrations/" + name)
	for _, e := range list {
		digits, _, _ := strings.Cut(e.Name(), "_")
		n, err := strconv.ParseInt(digits, 10, 64)
		if err != nil {
			return 0, err
		}
		newest = max(newest, n)
	}
	return newest, err
}

// Close closes the files.
func (r *Reader) Close() (err error) {
	for _, f := range []*file{r.db.samples, r.db.state} {
		if f != nil {
			err = errors.Join(err, f.read.Close())
		}
	}
	return err
}

// Runs implements station.Archive.
func (r *Reader) Runs(ctx context.Context, limit int) ([]station.RunRecord, error) {
	return r.db.Runs(ctx, limit)
}

// Run implements station.Archive.
func (r *Reader) Run(ctx context.Context, id int64) (station.RunRecord, error) {
	return r.db.Run(ctx, id)
}

// Samples implements station.Archive.
func (r *Reader) Samples(ctx context.Context, id int64) ([]station.Channel, []station.Sample, error) {
	return r.db.Samples(ctx, id)
}

// Events implements station.Archive.
func (r *Reader) Events(ctx context.Context, id int64) ([]station.RunEvent, error) {
	return r.db.Events(ctx, id)
}

// Verify says whether the record of a run is as it was written, see DB.Verify.
func (r *Reader) Verify(ctx context.Context, id int64) (Proof, error) { return r.db.Verify(ctx, id) }

// Export returns the record of a run as a file, see DB.Export.
func (r *Reader) Export(ctx context.Context, id int64) ([]byte, error) { return r.db.Export(ctx, id) }

// Jobs lists jobs, see DB.Jobs.
func (r *Reader) Jobs(ctx context.Context, limit int) ([]*job.Job, error) {
	return r.db.Jobs(ctx, limit)
}

// Tested is what VerifyAll found out.
type Tested struct {
	Runs, Jobs int
	Unchained  int               // runs of versions that kept no chain, of which nothing can be said
	Open       int               // runs without an end: going on, or left by a program that was ended
	Seals      map[string]string // newest link by "run 7" or "job J-12", hexadecimal
	Faults     []string          // one sentence each; empty when everything is as it was written
}

// VerifyAll looks through every run and every job, and whether numbers of runs are missing: they are given one after the other, and no run is ever
// deleted. It may take minutes on a large record. An error means that a file could not be read at all.
func (r *Reader) VerifyAll(ctx context.Context) (t Tested, err error) {
	t.Seals = map[string]string{}
	var check string
	if err := r.db.state.read.QueryRowContext(ctx, "PRAGMA integrity_check(1)").Scan(&check); err != nil {
		return t, fmt.Errorf("%s cannot be read: %w", r.db.state.path, err)
	}
	if check != "ok" {
		t.Faults = append(t.Faults, "state.db is no sound database: "+check+".")
	}
	ids, err := column[int64](ctx, r.db.state.read, "SELECT id FROM runs ORDER BY id")
	if err != nil {
		return t, fmt.Errorf("%s cannot be read: %w", r.db.state.path, err)
	}
	for i, id := range ids {
		if i > 0 && id != ids[i-1]+1 {
			t.Faults = append(t.Faults, fmt.Sprintf("Between runs %d and %d %d are missing.", ids[i-1], id, id-ids[i-1]-1))
		}
		p, err := r.Verify(ctx, id)
		switch {
		case broken(err):
			t.Faults = append(t.Faults, fmt.Sprintf("Run %d cannot be read: %v.", id, err))
			continue
		case err != nil:
			return t, err
		}
		t.Runs++
		if p.Open {
			t.Open++
		}
		if !p.Chained {
			t.Unchained++
		}
		t.Seals[fmt.Sprintf("run %d", id)] = p.Seal
		t.Faults = append(t.Faults, p.Faults...)
	}
	if last, err := r.db.LastNumber(ctx); err == nil && len(ids) > 0 && last > ids[len(ids)-1] {
		t.Faults = append(t.Faults, fmt.Sprintf("The last run had the number %d; the newest that is there has %d.", last, ids[len(ids)-1]))
	}
	return t, r.verifyJobs(ctx, &t)
}

// verifyJobs looks through every job.
func (r *Reader) verifyJobs(ctx context.Context, t *Tested) error {
	jobs, err := column[string](ctx, r.db.state.read, "SELECT id FROM jobs ORDER BY id")
	if err != nil {
		return fmt.Errorf("%s cannot be read: %w", r.db.state.path, err)
	}
	for _, id := range jobs {
		fault, err := r.db.VerifyJob(ctx, id)
		if err != nil {
			return err
		}
		t.Jobs++
		if fault != "" {
			t.Faults = append(t.Faults, fmt.Sprintf("Job %s: %s.", id, fault))
			continue
		}
		var seal string
		if err := r.db.state.read.QueryRowContext(ctx, "SELECT lower(hex(coalesce((SELECT chain FROM job_events WHERE job=jobs.id ORDER BY seq DESC LIMIT 1), chain))) FROM jobs WHERE id=?", id).Scan(&seal); err != nil {
			return err
		}
		t.Seals["job "+id] = seal
	}
	return nil
}

// column reads the one column of a query.
func column[T any](ctx context.Context, db *sql.DB, query string) (out []T, err error) {
	rows, err := db.QueryContext(ctx, query)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var v T
		if err := rows.Scan(&v); err != nil {
			return nil, err
		}
		out = append(out, v)
	}
	return out, rows.Err()
}
