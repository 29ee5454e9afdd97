// Package store keeps runs on disk: what was ordered, what was measured, what happened and how it ended. It is the
// only package that links SQL, and the only one that knows how a run is laid out in a file.
//
// It decides nothing and it is never called from the tick: its calls may wait for the disk. It starts no run, resumes
// none, and keeps no setting that heat depends on.
//
// There are two files, because two things are wanted of the disk. state.db (run heads, ends, events) is committed with
// synchronous=FULL: when Begin, Event or End has returned, a power cut does not undo it. samples.db is committed with
// synchronous=NORMAL: a power cut may cost the last chunks, as many as the system has not written back by itself (up to
// half a minute with the usual settings of Linux, from memory), but not a disk flush per chunk, which an SD card would feel. A flush setting belongs to a whole file, and a FULL commit would flush the samples of a shared log with it;
// hence two files. Neither is touched while the station is idle.
package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"time"

	"trivet/station"
)

// DB is an open data directory. Its methods may be called from any goroutine.
type DB struct {
	dir       string
	lock      *os.File
	state     *file
	samples   *file
	recovered []station.RunRecord
	notices   []string

	mu         sync.Mutex
	open       map[int64]*openRun // runs begun by this process and not yet ended
	badLessons map[string]int     // damaged lessons found so far, per pairing
	badRuns    map[int64]badRun   // runs found that cannot be shown
}

// openRun is what Append must know of a run without asking the disk.
type openRun struct {
	columns int

	mu     sync.Mutex // held while samples are written, so that links follow each other; taken before DB.mu, never after it
	next   uint64     // the lowest number the next sample may have
	strand strand     // how far the chain of its chunks has come
	ended  bool
}

// Open opens the data directory dir, makes it if only its last element is missing, and brings the files to the newest
// schema. Runs that an earlier process left open are closed as aborted: power lost; see Recovered.
//
// It fails when the directory is missing or cannot be written, when another process has it open, and when the files
// come from a newer version. A file that is no sound database is set aside, never deleted, and a new one begun; see Notices.
func Open(ctx context.Context, dir string) (*DB, error) {
	lock, err := lockDir(dir)
	if err != nil {
		return nil, err
	}
	d := &DB{dir: dir, lock: lock, open: map[int64]*openRun{}, badLessons: map[string]int{}, badRuns: map[int64]badRun{}}
	if err := d.openFiles(ctx); err != nil {
		return nil, errors.Join(err, d.Close())
	}
	if err := d.recover(ctx); err != nil {
		return nil, errors.Join(fmt.Errorf("close the runs left open in %s: %w", dir, err), d.Close())
	}
	return d, nil
}

// openFiles opens both files, or leaves what it opened for Close.
func (d *DB) openFiles(ctx context.Context) (err error) {
	// Of damage at an earlier start. It is said until somebody moves them away: the start in which they were set aside may have
	// been cut short before anybody read the notice.
	old, _ := filepath.Glob(filepath.Join(globEscaped(d.dir), "*.damaged-*")) // the pattern is sound
	defer func() {
		if len(old) > 0 {
			d.notices = append(d.notices, fmt.Sprintf("%d damaged files of an earlier start lie in %s, the first is %s; move them away when nobody needs them.",
				len(old), d.dir, filepath.Base(old[0])))
		}
	}()
	// The whole check, not the quick one: that leaves out whether the indexes say what the tables say, and a row that no index leads to is
	// lost without a word. state.db is small: heads, events, lessons.
	if d.state, err = d.openSound(ctx, "state", "FULL", "PRAGMA integrity_check(1)"); err != nil {
		return err
	}
	// Looking through all samples at each start would take minutes on an SD card. Their chunks carry checks of their own.
	if d.samples, err = d.openSound(ctx, "samples", "NORMAL", "SELECT coalesce(max(run), 0) FROM chunks"); err != nil {
		return err
	}
	if err := d.missesRuns(ctx); err != nil {
		return err
	}
	return d.reserveNumbers(ctx)
}

// globEscaped makes a directory match itself.
func globEscaped(dir string) string {
	return strings.NewReplacer("\\", "\\\\", "*", "\\*", "?", "\\?", "[", "\\[").Replace(dir)
}

// missesRuns tells the operator when runs must have been there that are not. A page that was torn or put in the wrong place
// may be a sound page and still not the right one; then a list is shorter, and nothing in the file itself says so.
func (d *DB) missesRuns(ctx context.Context) error {
	if len(d.notices) > 0 {
		return nil // something is known to be wrong, and was said
	}
	// Numbers are given one after the other and runs are never deleted. A file that was begun anew after damage begins with
	// a higher number; therefore the lowest is no evidence, but events of a run that is not there are.
	var missing, high, given, last int64
	if err := d.state.write.QueryRowContext(ctx, `SELECT
		(SELECT coalesce(max(id)-min(id)+1-count(*), 0) FROM runs) + (SELECT count(DISTINCT run) FROM events WHERE run>0 AND run NOT IN (SELECT id FROM runs)),
		(SELECT coalesce(max(id), 0) FROM runs), (SELECT coalesce(max(seq), 0) FROM sqlite_sequence WHERE name='runs')`).Scan(&missing, &high, &given); err != nil {
		return err
	}
	// A head is on the disk before its first sample.
	if err := d.samples.write.QueryRowContext(ctx, "SELECT coalesce(max(run), 0) FROM chunks").Scan(&last); err != nil {
		return err
	}
	if missing > 0 || max(given, last) > high {
		d.notices = append(d.notices, fmt.Sprintf("state.db does not hold all runs that were begun: the last had the number %d, the newest that can be shown has %d.",
			max(given, last), high))
	}
	return nil
}

// reserveNumbers keeps a new state.db from reusing the number of a run whose samples are still there.
func (d *DB) reserveNumbers(ctx context.Context) error {
	// Both queries read one entry of an index. Nothing is written unless state.db is new and samples.db is not.
	var used, given sql.NullInt64
	if err := d.samples.write.QueryRowContext(ctx, "SELECT max(run) FROM chunks").Scan(&used); err != nil {
		return err
	}
	err := d.state.write.QueryRowContext(ctx, "SELECT max(seq) FROM sqlite_sequence WHERE name='runs'").Scan(&given)
	if err != nil || used.Int64 <= given.Int64 {
		return err
	}
	// The table belongs to SQLite and has no key, so an upsert is not possible; its documentation allows these two
	// statements.
	_, err = d.state.write.ExecContext(ctx, "DELETE FROM sqlite_sequence WHERE name='runs'")
	if err == nil {
		_, err = d.state.write.ExecContext(ctx, "INSERT INTO sqlite_sequence(name, seq) VALUES('runs', ?)", used.Int64)
	}
	return err
}

// recover closes every run without an end. Nothing ever resumes by itself (owner's decision 6).
func (d *DB) recover(ctx context.Context) error {
	// Through the writer, so that it is certain to see everything that was committed before.
	left, err := d.selectRuns(ctx, d.state.write, "WHERE end_state IS NULL ORDER BY id")
	if err != nil {
		return err
	}
	for _, r := range left {
		if err := d.countSamples(ctx, &r); err != nil {
			return err
		}
		at := "before its first sample was kept"
		if r.Samples > 0 {
			at = "at " + clock(r.LastAt)
		}
		// The time of day of the loss is not known. It is reckoned from the begin, whose clock may have been wrong; the
		// elapsed time is the one to trust.
		r.End = station.RunEnd{
			State: station.Aborted, Code: "power_lost",
			Reason:   "The power or the program was lost " + at + "; nothing resumes by itself.",
			EndedUTC: r.Head.BegunUTC.Add(r.LastAt), Elapsed: r.LastAt,
		}
		s, err := d.strandOf(ctx, r.Head.ID)
		if err != nil {
			return err
		}
		if _, err := d.end(ctx, r.Head.ID, r.End, s); err != nil {
			return err
		}
		d.recovered = append(d.recovered, r)
	}
	return nil
}

// clock writes a time since the start of a run as people say it: minutes and seconds.
func clock(t time.Duration) string {
	s := int(t / time.Second)
	return fmt.Sprintf("%d:%02d", s/60, s%60)
}

// Recovered returns the runs that were found open and closed as power lost, oldest first.
func (d *DB) Recovered() []station.RunRecord { return append([]station.RunRecord(nil), d.recovered...) }

// Notices returns sentences that the operator must see: which file was damaged and set aside when it was opened, and what
// was found damaged since. Usually there are none.
func (d *DB) Notices() []string {
	out := append([]string(nil), d.notices...)
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, id := range slices.Sorted(maps.Keys(d.badRuns)) {
		out = append(out, fmt.Sprintf("Run %d is damaged and cannot be shown (%v).", id, d.badRuns[id].err))
	}
	for _, p := range slices.Sorted(maps.Keys(d.badLessons)) {
		out = append(out, fmt.Sprintf("%d of the lessons about %q are damaged and left out; the next run on it teaches anew.", d.badLessons[p], p))
	}
	return out
}

// Close closes the files. Calls made afterwards fail.
func (d *DB) Close() error {
	var err error
	// Open calls this too, with whatever it had got so far.
	if d.samples != nil {
		err = errors.Join(err, d.samples.Close())
	}
	if d.state != nil {
		err = errors.Join(err, d.state.Close())
	}
	return errors.Join(err, d.lock.Close()) // closing the file releases the lock
}

// lockDir makes sure that dir exists, can be written, and is ours alone: a second daemon on the same directory would
// close the first one's run as lost. The kernel drops the lock with the process, however it dies.
func lockDir(dir string) (*os.File, error) {
	if err := os.Mkdir(dir, 0o750); err != nil && !errors.Is(err, fs.ErrExist) {
		return nil, fmt.Errorf("data directory %s: cannot be made: %w; make it, or choose another with --data", dir, cause(err))
	}
	// The file stays when the program ends; what counts is the lock on it, which the kernel drops.
	path := filepath.Join(dir, "lock")
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o640)
	if err != nil {
		return nil, fmt.Errorf("data directory %s: cannot be written: %w; give this user the right to write there, or choose another with --data", dir, cause(err))
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		f.Close()
		// Two stations on one directory is a mistake that happens: a service, and somebody trying things by hand.
		if errors.Is(err, syscall.EWOULDBLOCK) {
			return nil, fmt.Errorf("data directory %s: another running station uses it; stop that one, or choose another with --data", dir)
		}
		return nil, fmt.Errorf("data directory %s: cannot be locked: %w", dir, err)
	}
	return f, nil
}

// cause strips the operation and path from a file error, where the sentence around it names them already.
func cause(err error) error {
	var p *fs.PathError
	if errors.As(err, &p) {
		return p.Err
	}
	return err
}
