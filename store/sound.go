package store

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// openSound opens a file and asks it the question that shows whether it is sound. A file that is damaged is set aside, and
// what can be read of it is brought over into the new one.
//
// A disk that fails is not damage: then the file is left where it is, and the error returned.
func (d *DB) openSound(ctx context.Context, name, synchronous, question string) (*file, error) {
	if err := d.lookAtLog(name); err != nil {
		return nil, err
	}
	f, err := d.ask(ctx, name, synchronous, question)
	if err == nil || !broken(err) {
		return f, err
	}
	to, aside := setAside(d.dir, name)
	if aside != nil {
		return nil, errors.Join(err, aside)
	}
	if f, err = d.ask(ctx, name, synchronous, question); err != nil {
		return nil, err
	}
	r := rescue(ctx, f, to, map[string][]string{"state": {"runs", "events", "lessons", "jobs", "job_events"}, "samples": {"chunks"}}[name])
	d.notices = append(d.notices, fmt.Sprintf("The file %s.db was damaged. It was set aside as %s and a new one was begun. %v", name, filepath.Base(to), r))
	return f, nil
}

// lookAtLog tells the operator when the log of a file has rotted, and saves a copy of it before SQLite overwrites it.
func (d *DB) lookAtLog(name string) error {
	lost, err := checkLog(dbPath(d.dir, name))
	if err != nil || lost == 0 {
		return err
	}
	to, err := saveLog(d.dir, name)
	if err != nil {
		return fmt.Errorf("put the damaged log of %s.db aside: %w", name, err)
	}
	d.notices = append(d.notices, fmt.Sprintf("The log of %s.db was damaged; %d pages of the newest records could not be read. A copy was put aside as %s.",
		name, lost, filepath.Base(to)))
	return nil
}

// ask opens a file and asks it the question.
func (d *DB) ask(ctx context.Context, name, synchronous, question string) (*file, error) {
	f, err := openFile(ctx, d.dir, name, synchronous)
	if err != nil {
		return nil, err
	}
	var answer string
	if err = f.write.QueryRowContext(ctx, question).Scan(&answer); err == nil && name == "state" && answer != "ok" {
		err = answered(f.path, answer)
	}
	if err == nil {
		err = f.hasWhatIsAsked(ctx, name)
	}
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return f, nil
}

// asked is what will be asked of a file for as long as it is open. A check of SQLite looks at the pages and believes the names of
// tables and columns, whatever they are.
var asked = map[string][]string{
	"state": {
		"SELECT " + runColumns + ", chain_head, chain_tip, chain_events, chain_chunks, chain_last, chain_end FROM runs LIMIT 0",
		"SELECT " + eventColumns + ", chain FROM events LIMIT 0",
		"SELECT id, pairing, run, utc, data, crc FROM lessons LIMIT 0",
		"SELECT id, utc, opening, chain FROM jobs LIMIT 0",
		"SELECT id, job, seq, event, chain FROM job_events LIMIT 0",
		"SELECT count(seq) FROM sqlite_sequence WHERE name='runs'",
		"SELECT count(*) FROM events WHERE run NOT IN (SELECT id FROM runs)", // through the indexes, which the check leaves out
		"SELECT count(*) FROM runs WHERE end_state IS NULL",
	},
	"samples": {"SELECT " + chunkColumns + ", chain FROM chunks LIMIT 0"},
}

// hasWhatIsAsked asks a file once what it will be asked later. Our own words are right, so that what is wrong with them is the file.
func (f *file) hasWhatIsAsked(ctx context.Context, name string) error {
	for _, q := range asked[name] {
		rows, err := f.write.QueryContext(ctx, q)
		if err == nil {
			for rows.Next() {
			}
			err = errors.Join(rows.Err(), rows.Close())
		}
		if err != nil && misread(err) && !broken(err) {
			return unsound{f.path, err.Error()}
		} else if err != nil {
			return err
		}
	}
	return nil
}

// unsound is what a check of SQLite had to say about a file.
type unsound struct{ path, answer string }

func (e unsound) Error() string { return e.path + " is not sound: " + e.answer }

// answered makes an error of the answer of a check. A page that the disk did not deliver is reported by SQLite as if the
// page were wrong, with the code of the failure in the text; that says something about the disk and nothing about the file.
func answered(path, answer string) error {
	if _, after, ok := strings.Cut(answer, "error code="); ok {
		digits := after[:len(after)-len(strings.TrimLeft(after, "0123456789"))]
		if code, err := strconv.Atoi(digits); err == nil && !damageCode(code) {
			return fmt.Errorf("%s cannot be read: %s", path, answer)
		}
	}
	return unsound{path, answer}
}

// broken reports whether err says that a file is not a sound database. The disk being full or unreadable is not that.
func broken(err error) bool {
	var u unsound
	if errors.As(err, &u) {
		return true
	}
	var e *sqlite.Error
	return errors.As(err, &e) && damageCode(e.Code())
}

// misread reports whether err says so, or that our own words are wrong SQL, as they are where the names of tables or columns have rotted.
func misread(err error) bool {
	var e *sqlite.Error
	return broken(err) || errors.As(err, &e) && e.Code() == sqlite3.SQLITE_ERROR
}

func damageCode(code int) bool {
	switch code & 0xff { // the low byte is the primary result code
	case sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB:
		return true
	}
	return false
}

func dbPath(dir, name string) string { return filepath.Join(dir, name+".db") }

// freeName finds a name for a damaged database or log that nothing has yet.
func freeName(dir, name string) (string, error) {
	for i := 1; i < 1000; i++ {
		to := filepath.Join(dir, fmt.Sprintf("%s.damaged-%d.db", name, i))
		_, err := os.Lstat(to)
		_, log := os.Lstat(to + "-wal")
		if errors.Is(err, fs.ErrNotExist) && errors.Is(log, fs.ErrNotExist) {
			return to, nil
		}
	}
	return "", fmt.Errorf("more than 999 damaged files in %s; move them away", dir)
}

// setAside renames a database and its companions out of the way, to a name that is still free, and returns that name.
// Nothing is deleted: somebody may want to rescue what can be read.
func setAside(dir, name string) (string, error) {
	to, err := freeName(dir, name)
	if err != nil {
		return "", err
	}
	// The log first. If the power fails in between, a database without its log is old but sound; a log beside a new
	// database would be taken for that one's.
	for _, tail := range []string{"-wal", "-shm", ""} {
		err := os.Rename(dbPath(dir, name)+tail, to+tail)
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return "", err
		}
	}
	return to, nil
}
