package store

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// TestNoFlippedByteKeepsTheStationFromOpeningItsRecords: what is damaged is set aside and told, never a reason not to begin. One that was
// written by a newer program is refused, but no flipped byte makes such a one.
func TestNoFlippedByteKeepsTheStationFromOpeningItsRecords(t *testing.T) {
	h, dir := session(t), t.TempDir()
	m := h.closed(t)
	for _, name := range []string{"state.db", "samples.db"} {
		states, aside, began := 0, 0, time.Now()
		for i := 0; i < len(m[name]); i++ {
			if !allStates && i%(149*thin) != 0 && (i >= pageSize || i%(23*thin) != 0) { // more of the first page, where tables and columns are named
				continue
			}
			bad := m.clone()
			bad[name][i] ^= 1 << (i % 8)
			states++
			fill(t, dir, bad)
			d, err := Open(t.Context(), dir)
			if err != nil {
				t.Errorf("%s, byte %d of %d flipped: %v", name, i, len(m[name]), err)
				continue
			}
			if len(d.Notices()) > 0 {
				aside++
			}
			if err := d.Close(); err != nil {
				t.Errorf("%s, byte %d: %v", name, i, err)
			}
		}
		t.Logf("%s: %d states opened in %.1f s, %d with something told", name, states, time.Since(began).Seconds(), aside)
	}
}

// fill empties a directory and writes an image into it.
func fill(t *testing.T, dir string, m image) {
	t.Helper()
	for _, e := range must[[]os.DirEntry](t)(os.ReadDir(dir)) {
		if err := os.Remove(filepath.Join(dir, e.Name())); err != nil {
			t.Fatal(err)
		}
	}
	for name, b := range m {
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

// TestRunsOutliveTheNamesOfTheirColumns: where a name in the description of a table has rotted, the rows are all there, and are brought over.
func TestRunsOutliveTheNamesOfTheirColumns(t *testing.T) {
	h, dir := session(t), t.TempDir()
	m := h.closed(t)
	for _, c := range []struct{ old, now string }{{"begun_utc", "begun_utd"}, {"end_state", "end_stata"}, {"chain_tip", "chain_tiq"},
		{"CREATE TABLE runs", "CREATE TABLE runt"}, {"by_who", "by_whp"}, {"CREATE TABLE events", "CREATE TABLE evenus"}, {"pairing", "qairing"},
		{"sqlite_sequence(name,seq)", "sqlite_sequence(name,seb)"}} {
		if !bytes.Contains(m["state.db"], []byte(c.old)) {
			t.Fatalf("no %q in it", c.old)
		}
		bad := m.clone()
		bad["state.db"] = bytes.ReplaceAll(bad["state.db"], []byte(c.old), []byte(c.now)) // also where older copies of the description lie about
		fill(t, dir, bad)
		d, err := Open(t.Context(), dir)
		if err != nil {
			t.Errorf("%s: %v", c.now, err)
			continue
		}
		list, err := d.Runs(t.Context(), 10)
		if told := strings.Join(d.Notices(), " "); err != nil || len(list) != 3 || !strings.Contains(told, "was damaged") {
			t.Errorf("%s: %d runs, %v, told %q", c.now, len(list), err, told)
		}
		for _, r := range list {
			if p, err := d.Verify(t.Context(), r.Head.ID); err != nil || !p.OK() || p.Events != 3 {
				t.Errorf("%s: run %d: %+v, %v", c.now, r.Head.ID, p, err)
			}
		}
		if err := d.Close(); err != nil {
			t.Error(err)
		}
	}
}

func TestAVersionWithoutThoseBeforeItIsDamageAndNoNewerProgram(t *testing.T) {
	dir := t.TempDir()
	d := open(t, dir)
	if _, err := d.state.write.Exec("UPDATE goose_db_version SET version_id=35 WHERE version_id=3"); err != nil {
		t.Fatal(err)
	}
	if err := d.Close(); err != nil {
		t.Fatal(err)
	}
	d, err := Open(t.Context(), dir)
	var newer ErrNewer
	if errors.As(err, &newer) || err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	if told := strings.Join(d.Notices(), " "); !strings.Contains(told, "set aside") {
		t.Errorf("told %q", told)
	}
}
