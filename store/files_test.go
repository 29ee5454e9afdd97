package store

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"trivet/station"
)

func TestEveryConnectionHasThePragmas(t *testing.T) {
	d := open(t, t.TempDir())
	for name, f := range map[string]struct {
		*file
		synchronous string
	}{"state": {d.state, "2"}, "samples": {d.samples, "1"}} { // 2 is FULL, 1 is NORMAL
		want := map[string]string{"journal_mode": "wal", "synchronous": f.synchronous, "busy_timeout": "5000", "foreign_keys": "1", "trusted_schema": "0", "journal_size_limit": "4194304"}
		for pragma, value := range want {
			var got string
			if err := f.write.QueryRow("PRAGMA " + pragma).Scan(&got); err != nil || got != value {
				t.Errorf("%s: writer has %s = %q (%v); want %q", name, pragma, got, err, value)
			}
		}
		a, err := f.read.Conn(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		defer a.Close()
		b, err := f.read.Conn(t.Context()) // a is still held, so this is a second connection
		if err != nil {
			t.Fatal(err)
		}
		defer b.Close()
		want["query_only"] = "1"
		for pragma, value := range want {
			var one, two string
			if err := errors.Join(a.QueryRowContext(t.Context(), "PRAGMA "+pragma).Scan(&one), b.QueryRowContext(t.Context(), "PRAGMA "+pragma).Scan(&two)); err != nil {
				t.Fatal(err)
			}
			if one != value || two != value {
				t.Errorf("%s: readers have %s = %q and %q; want %q", name, pragma, one, two, value)
			}
		}
		if n := f.write.Stats().MaxOpenConnections; n != 1 {
			t.Errorf("%s: the writer may open %d connections; want 1", name, n)
		}
	}
}

// Source: the WAL-reset corruption fixed in SQLite 3.51.3 (design note on libraries, row "SQLite version floor").
func TestSQLiteHasTheFixForTheLogResetRace(t *testing.T) {
	d := open(t, t.TempDir())
	var v string
	if err := d.state.read.QueryRow("SELECT sqlite_version()").Scan(&v); err != nil {
		t.Fatal(err)
	}
	var major, minor, patch int
	if _, err := fmt.Sscanf(v, "%d.%d.%d", &major, &minor, &patch); err != nil {
		t.Fatal(err)
	}
	if major*1_000_000+minor*1000+patch < 3_051_003 {
		t.Errorf("SQLite is %s; want at least 3.51.3", v)
	}
}

func TestNothingIsWrittenWhileIdle(t *testing.T) {
	dir := t.TempDir()
	d := open(t, dir)
	id := must[int64](t)(d.Begin(t.Context(), head()))
	if err := errors.Join(d.Append(t.Context(), id, samples(0, 50)), d.End(t.Context(), id, station.RunEnd{State: station.Complete, Code: "complete"})); err != nil {
		t.Fatal(err)
	}
	look := func() string {
		var b strings.Builder
		entries, err := os.ReadDir(dir)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range entries {
			info, err := e.Info()
			if err != nil {
				t.Fatal(err)
			}
			if strings.HasSuffix(e.Name(), "-shm") {
				continue // a memory map that readers mark; it is never flushed to the disk
			}
			fmt.Fprintln(&b, e.Name(), info.Size(), info.ModTime().UnixNano())
		}
		for _, f := range []*file{d.state, d.samples} {
			var n int64
			if err := f.write.QueryRow("SELECT total_changes()").Scan(&n); err != nil {
				t.Fatal(err)
			}
			fmt.Fprintln(&b, f.path, n)
		}
		return b.String()
	}
	before := look()
	for range 20 { // what an idle station does: it is looked at
		must[[]station.RunRecord](t)(d.Runs(t.Context(), 50))
		must[station.RunRecord](t)(d.Run(t.Context(), id))
		must[[]station.RunEvent](t)(d.Events(t.Context(), 0))
	}
	time.Sleep(50 * time.Millisecond) // longer than the clock of the file system is coarse
	if after := look(); after != before {
		t.Errorf("the files changed while idle:\n%s\nbecame\n%s", before, after)
	}
}

func TestOpeningASoundDirectoryAgainWritesNothing(t *testing.T) {
	dir := t.TempDir()
	if err := open(t, dir).Close(); err != nil {
		t.Fatal(err)
	}
	read := func() string {
		a, err1 := os.ReadFile(filepath.Join(dir, "state.db"))
		b, err2 := os.ReadFile(filepath.Join(dir, "samples.db"))
		if err := errors.Join(err1, err2); err != nil {
			t.Fatal(err)
		}
		return string(a) + string(b)
	}
	before := read()
	if err := open(t, dir).Close(); err != nil {
		t.Fatal(err)
	}
	if read() != before {
		t.Error("opening and closing changed a file")
	}
}

func TestANewerSchemaIsRefused(t *testing.T) {
	dir := t.TempDir()
	d := open(t, dir)
	for v := 4; v <= 41; v++ { // a newer program went through all of them
		if _, err := d.state.write.Exec("INSERT INTO goose_db_version (version_id, is_applied) VALUES (?, 1)", v); err != nil {
			t.Fatal(err)
		}
	}
	d.Close()
	_, err := Open(t.Context(), dir)
	var newer ErrNewer
	if !errors.As(err, &newer) || newer.Has != 41 || !strings.Contains(err.Error(), "state.db was written by a newer version") {
		t.Fatalf("got %v; want ErrNewer with version 41", err)
	}
}

func TestABadDirectoryIsNamed(t *testing.T) {
	dir := t.TempDir()
	plain := filepath.Join(dir, "plain")
	if err := os.WriteFile(plain, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	open(t, filepath.Join(dir, "taken"))
	for path, want := range map[string]string{
		filepath.Join(dir, "no", "such"): "cannot be made",
		plain:                            "cannot be written",
		"/proc/self":                     "cannot be written", // no file can be made there, not even by root
		filepath.Join(dir, "taken"):      "another running station",
	} {
		_, err := Open(t.Context(), path)
		if err == nil || !strings.Contains(err.Error(), path) || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v; want the directory and %q", path, err, want)
		}
	}
}

func TestADamagedFileIsSetAsideAndANewOneBegun(t *testing.T) {
	for _, name := range []string{"state", "samples"} {
		t.Run(name, func(t *testing.T) {
			dir, ctx := t.TempDir(), t.Context()
			d := open(t, dir)
			id := must[int64](t)(d.Begin(ctx, head()))
			if err := errors.Join(d.Append(ctx, id, samples(0, 10)), d.End(ctx, id, station.RunEnd{State: station.Complete}), d.Close()); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(filepath.Join(dir, name+".db"), []byte(strings.Repeat("this is not a database ", 500)), 0o600); err != nil {
				t.Fatal(err)
			}
			d = open(t, dir)
			if len(d.Notices()) != 1 || !strings.Contains(d.Notices()[0], name+".damaged-1.db") {
				t.Errorf("notices %q; want one that names where the file went", d.Notices())
			}
			if _, err := os.Stat(filepath.Join(dir, name+".damaged-1.db")); err != nil {
				t.Error(err)
			}
			next := must[int64](t)(d.Begin(ctx, head()))
			if next <= id {
				t.Errorf("the next run is %d; want above %d, whose samples may still be there", next, id)
			}
			if err := d.Append(ctx, next, samples(0, 10)); err != nil {
				t.Error(err)
			}
		})
	}
}
