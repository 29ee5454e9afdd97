package store

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"path/filepath"

	"github.com/pressly/goose/v3"
	"github.com/pressly/goose/v3/database"
	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

//go:embed migrations
var migrations embed.FS

// ErrNewer says that the records were written by a newer version of the program. Older code must not touch them.
type ErrNewer struct {
	File       string
	Has, Knows int64 // schema versions
}

func (e ErrNewer) Error() string {
	return fmt.Sprintf("%s was written by a newer version of this program (its schema is version %d, this program knows up to %d); "+
		"install the newer version again, or choose another data directory with --data", e.File, e.Has, e.Knows)
}

// file is one database file with its two ways in.
type file struct {
	path  string
	write *sql.DB // exactly one connection: SQLite has one writer anyway, and queueing here beats its busy errors
	read  *sql.DB // may not write (query_only); a reader never delays the writer in WAL mode
}

// pragmas are set through the data source name, because that reaches every connection the pool ever makes; a PRAGMA
// statement reaches one of them. A test asks them back from both pools.
//
//   - busy_timeout 5 s: covers a person copying the file with the sqlite3 tool.
//   - journal_size_limit 4 MiB: the write-ahead log gives disk space back after a burst.
//   - trusted_schema off: a doctored file cannot make us call functions with side effects.
func pragmas(synchronous string, readOnly bool) url.Values {
	// The driver applies them in this order. busy_timeout comes first, because changing the journal mode may have to
	// wait for somebody.
	q := url.Values{}
	q.Add("_pragma", "busy_timeout(5000)")
	q.Add("_pragma", "journal_mode(WAL)")
	q.Add("_pragma", "synchronous("+synchronous+")")
	q.Add("_pragma", "foreign_keys(1)")
	q.Add("_pragma", "trusted_schema(0)")
	q.Add("_pragma", "journal_size_limit(4194304)")
	q.Add("_pragma", "temp_store(MEMORY)")
	if readOnly {
		q.Add("_pragma", "query_only(1)")
	}
	q.Set("_txlock", "immediate") // fail at BEGIN, not at the first write
	return q
}

func openFile(ctx context.Context, dir, name, synchronous string) (*file, error) {
	path := filepath.Join(dir, name+".db")
	// A relative name would mean another file after a change of the working directory.
	abs, err := filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	dsn := func(readOnly bool) string {
		// Through net/url, so that a directory with a question mark or a per cent sign in its name is still a directory.
		u := url.URL{Scheme: "file", Path: abs, RawQuery: pragmas(synchronous, readOnly).Encode()}
		return u.String()
	}
	f := &file{path: path}
	if f.write, err = sql.Open("sqlite", dsn(false)); err != nil {
		return nil, fmt.Errorf("open %s: %w", path, err)
	}
	// The pool keeps this connection for good: no idle timeout, no lifetime, so the pragmas are applied once.
	f.write.SetMaxOpenConns(1)
	if err = f.migrate(ctx, name); err != nil {
		return nil, errors.Join(err, f.Close())
	}
	if f.read, err = sql.Open("sqlite", dsn(true)); err != nil {
		return nil, errors.Join(fmt.Errorf("open %s: %w", path, err), f.Close())
	}
	// Two: one long record being read out must not keep the list of runs waiting.
	f.read.SetMaxOpenConns(2)
	return f, nil
}

// migrate brings the file to the newest schema this program knows. It writes nothing when that is what it has.
func (f *file) migrate(ctx context.Context, name string) error {
	dir, err := fs.Sub(migrations, "migrations/"+name)
	if err != nil {
		return err
	}
	// A provider of its own per file. The package-level functions of the library share state between files.
	p, err := goose.NewProvider(database.DialectSQLite3, f.write, dir)
	if err != nil {
		return fmt.Errorf("read the migrations of %s: %w", f.path, err)
	}
	has, knows, err := p.GetVersions(ctx)
	var plain *sqlite.Error
	if errors.As(err, &plain) && plain.Code() == sqlite3.SQLITE_ERROR {
		// Nothing but a header or a list of tables that has rotted makes so plain a question fail as wrong SQL.
		return unsound{f.path, err.Error()}
	} else if err != nil && plain == nil && ctx.Err() == nil {
		return unsound{f.path, err.Error()} // an answer came, and it was no number
	} else if err != nil {
		return fmt.Errorf("read the schema version of %s: %w", f.path, err)
	}
	if has > knows {
		if f.skips(ctx, has) {
			return unsound{f.path, fmt.Sprintf("its schema is said to be version %d, and the ones before it are missing", has)}
		}
		return ErrNewer{File: f.path, Has: has, Knows: knows}
	}
	// Up would find nothing to do either, but it opens a transaction to find that out.
	if has == knows {
		return nil
	}
	if _, err := p.Up(ctx); err != nil {
		if plain = nil; !errors.As(err, &plain) && ctx.Err() == nil {
			return unsound{f.path, err.Error()} // the list of what was done is no list of numbers
		}
		return fmt.Errorf("bring %s to schema version %d: %w", f.path, knows, err)
	}
	return nil
}

// skips reports whether versions before this one are not in the file's list of them. A newer program would have gone through all of them.
func (f *file) skips(ctx context.Context, version int64) bool {
	var n int64
	err := f.write.QueryRowContext(ctx, "SELECT count(DISTINCT version_id) FROM goose_db_version WHERE version_id BETWEEN 1 AND ?", version).Scan(&n)
	return err == nil && n != version
}

// Close closes both ways in.
func (f *file) Close() error {
	var err error
	// The reader first: the last one to close tidies the log away, and the reader may not write.
	if f.read != nil {
		err = f.read.Close()
	}
	return errors.Join(err, f.write.Close())
}
