package iofault_test

import (
	"database/sql"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"trivet/store/iofault"
)

func database(t *testing.T, dir string) *sql.DB {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+filepath.Join(dir, "a.db")+"?_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)")
	if err != nil {
		t.Fatal(err)
	}
	db.SetMaxOpenConns(1)
	t.Cleanup(func() { db.Close() })
	return db
}

func TestTheCallThatIsNamedFailsAndNoOther(t *testing.T) {
	dir := t.TempDir()
	d, err := iofault.Watch(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	db := database(t, dir)
	if _, err := db.Exec("CREATE TABLE t (x)"); err != nil {
		t.Fatal(err)
	}
	for what, r := range map[string]iofault.Rule{
		"full":       {N: 1, Only: []iofault.Op{iofault.Write}, Errno: syscall.ENOSPC},
		"I/O error":  {N: 1, Only: []iofault.Op{iofault.Sync}, Files: "-wal", Errno: syscall.EIO},
		"I/O  error": {N: 2, Only: []iofault.Op{iofault.Write}, Errno: syscall.EIO, Torn: true},
	} {
		d.Arm(r)
		_, err := db.Exec("INSERT INTO t VALUES (zeroblob(9000))")
		if hits, last := d.Hits(); hits != 1 || err == nil || !strings.Contains(err.Error(), strings.ReplaceAll(what, "  ", " ")) {
			t.Errorf("%s: %v, %d calls failed (%s); want that error from one", what, err, hits, last)
		}
		if _, err := db.Exec("INSERT INTO t VALUES (1)"); err != nil {
			t.Errorf("%s: the next call: %v", what, err)
		}
		d.Disarm()
	}
	d.Arm(iofault.Rule{N: 1, Only: []iofault.Op{iofault.Sync}, Delay: 30 * time.Millisecond})
	began := time.Now()
	if _, err := db.Exec("INSERT INTO t VALUES (1)"); err != nil || time.Since(began) < 30*time.Millisecond {
		t.Errorf("a late call: %v after %v; want success, 30 ms late", err, time.Since(began))
	}
	d.Disarm()
	var n int
	if err := db.QueryRow("SELECT count(*) FROM t").Scan(&n); err != nil || n != 4 {
		t.Errorf("%d rows, %v; want the 4 whose calls succeeded", n, err)
	}
}

func TestChangesAreWrittenDownInOrder(t *testing.T) {
	dir := t.TempDir()
	d, err := iofault.Watch(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	d.Record()
	db := database(t, dir)
	if _, err := db.Exec("CREATE TABLE t (x)"); err != nil {
		t.Fatal(err)
	}
	c := d.Changes()
	if len(c) < 3 || c[len(c)-1].Op != iofault.Sync || c[len(c)-1].File != "a.db-wal" {
		t.Errorf("%d changes, the last %+v; want writes and then the sync of the log", len(c), c[len(c)-1])
	}
}

func TestADirectoryNobodyWatchesIsLeftAlone(t *testing.T) {
	d, err := iofault.Watch(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	d.Arm(iofault.Rule{N: 1, Errno: syscall.EIO, Ever: true})
	if _, err := database(t, t.TempDir()).Exec("CREATE TABLE t (x)"); err != nil || d.Calls() != 0 {
		t.Errorf("%v, %d calls counted; want none", err, d.Calls())
	}
}

func TestTheProgramDoesNotContainTheInstrument(t *testing.T) {
	out, err := exec.Command("go", "list", "-deps", "trivet/cmd/trivet").Output()
	if err != nil {
		t.Fatal(err)
	}
	if strings.Contains(string(out), "iofault") {
		t.Error("trivet/cmd/trivet is linked with trivet/store/iofault; only tests may import it")
	}
}
