package store

import (
	"bytes"
	"errors"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"trivet/process/job"
	"trivet/station"
)

// seals looks through a directory as verify does.
func seals(t *testing.T, dir string) Tested {
	t.Helper()
	r := must[*Reader](t)(OpenReader(t.Context(), dir))
	defer r.Close()
	return must[Tested](t)(r.VerifyAll(t.Context()))
}

func TestWhatIsBackedUpWipedAndRestoredHasTheSameDigests(t *testing.T) {
	dir, _ := chained(t)
	for name, text := range map[string]string{"trips.json": "[]", "pairings.json": "{}", "files/photo-1.jpg": "x", "state.damaged-1.db": "y"} {
		if err := errors.Join(os.MkdirAll(filepath.Dir(filepath.Join(dir, name)), 0o750), os.WriteFile(filepath.Join(dir, name), []byte(text), 0o640)); err != nil {
			t.Fatal(err)
		}
	}
	before := seals(t, dir)
	out := filepath.Join(t.TempDir(), "b.trivet")
	if got := must[Tested](t)(Backup(t.Context(), dir, out)); len(got.Faults) > 0 || got.Runs != 3 || !maps.Equal(got.Seals, before.Seals) {
		t.Fatalf("%+v; want the seals of %+v", got, before)
	}
	if _, err := Restore(t.Context(), out, dir); err == nil || !strings.Contains(err.Error(), "holds records already") {
		t.Errorf("restored over records: %v", err)
	}
	if err := os.RemoveAll(dir); err != nil {
		t.Fatal(err)
	}
	got := must[Tested](t)(Restore(t.Context(), out, dir))
	if after := seals(t, dir); !maps.Equal(after.Seals, before.Seals) || !maps.Equal(got.Seals, before.Seals) || len(after.Faults) > 0 {
		t.Errorf("restored %+v; want %+v", after, before)
	}
	for name, want := range map[string]bool{"trips.json": true, "files/photo-1.jpg": true, "pairings.json": false, "state.damaged-1.db": false} {
		if _, err := os.Stat(filepath.Join(dir, name)); (err == nil) != want {
			t.Errorf("%s: %v; want it there %v", name, err, want)
		}
	}
	must[station.RunRecord](t)(open(t, dir).Run(t.Context(), 2))
}

// A station goes on with its run while it is backed up: the copy holds the run as it was at one moment, and it verifies there.
func TestABackupInMidRunHoldsTheRunAsItWasThen(t *testing.T) {
	dir := t.TempDir()
	d, ctx := open(t, dir), t.Context()
	defer d.Close()
	id := must[int64](t)(d.Begin(ctx, head()))
	j := &job.Job{Opening: job.Opening{ID: "J-1", At: event(0).UTC, By: "Kim"}}
	if err := errors.Join(d.OpenJob(ctx, j), d.AppendJob(ctx, "J-1", 0, job.Event{At: event(1).UTC, By: "Kim", Kind: job.Noted, Text: "Came in a box."})); err != nil {
		t.Fatal(err)
	}
	stop, done := make(chan struct{}), make(chan error)
	go func() {
		for i := 0; ; i++ {
			select {
			case <-stop:
				done <- nil
				return
			default:
			}
			if err := errors.Join(d.Append(ctx, id, samples(uint64(i*10), 10)), d.Event(ctx, id, event(i%60))); err != nil {
				done <- err
				return
			}
			time.Sleep(time.Millisecond)
		}
	}()
	var files []string
	for k := range 3 {
		out := filepath.Join(t.TempDir(), "b.trivet")
		got, err := Backup(ctx, dir, out)
		if err != nil || len(got.Faults) > 0 || got.Open != 1 || got.Jobs != 1 {
			t.Errorf("backup %d: %+v, %v", k, got, err)
		}
		files = append(files, out)
	}
	close(stop)
	err := errors.Join(<-done, d.End(ctx, id, station.RunEnd{State: station.Complete, Code: "complete", EndedUTC: event(9).UTC}))
	if err != nil {
		t.Fatal(err)
	}
	for _, out := range files {
		to := filepath.Join(t.TempDir(), "data")
		got, err := Restore(ctx, out, to)
		if err != nil {
			t.Fatal(err)
		}
		// The newest link of the copy is one of the links of the run as it went on.
		var n int
		if err := d.state.read.QueryRowContext(ctx, "SELECT (SELECT count(*) FROM events WHERE lower(hex(chain))=?1) + (SELECT count(*) FROM runs WHERE lower(hex(chain_head))=?1)", got.Seals["run 1"]).Scan(&n); err != nil || n != 1 {
			t.Errorf("the seal of the copy is no link of the run: %d, %v", n, err)
		}
		again := open(t, to)
		if r := must[station.RunRecord](t)(again.Run(ctx, id)); r.End.Code != "power_lost" || r.Samples == 0 {
			t.Errorf("the restored run is %+v", r.End)
		}
		if p := must[Proof](t)(again.Verify(ctx, id)); !p.OK() || p.Open {
			t.Errorf("%+v", p)
		}
		again.Close()
	}
}

// Runs begin and end while the two databases are copied one after the other: whatever the copy has of a run belongs together.
func TestRunsThatEndWhileABackupIsMadeAreWholeInItOrOpen(t *testing.T) {
	dir := t.TempDir()
	d, ctx := open(t, dir), t.Context()
	defer d.Close()
	stop, done := make(chan struct{}), make(chan error)
	go func() {
		for {
			select {
			case <-stop:
				done <- nil
				return
			default:
			}
			id, err := d.Begin(ctx, head())
			for k := range 3 {
				err = errors.Join(err, d.Append(ctx, id, samples(uint64(k*10), 10)))
			}
			if err = errors.Join(err, d.End(ctx, id, station.RunEnd{State: station.Complete, Code: "complete", EndedUTC: event(9).UTC})); err != nil {
				done <- err
				return
			}
		}
	}()
	for k := range 8 {
		out := filepath.Join(t.TempDir(), "b.trivet")
		got, err := Backup(ctx, dir, out)
		if err != nil || len(got.Faults) > 0 {
			t.Errorf("backup %d of %d runs: %q, %v", k, got.Runs, got.Faults, err)
		}
		to := filepath.Join(t.TempDir(), "data")
		must[Tested](t)(Restore(ctx, out, to))
		again := open(t, to)
		if n := again.Notices(); len(n) > 0 { // samples of a run that the copy does not know would be noticed
			t.Errorf("backup %d: %q", k, n)
		}
		again.Close()
	}
	close(stop)
	if err := <-done; err != nil {
		t.Fatal(err)
	}
}

func TestABackupWithOneByteChangedIsNotRestored(t *testing.T) {
	dir, _ := chained(t)
	out := filepath.Join(t.TempDir(), "b.trivet")
	must[Tested](t)(Backup(t.Context(), dir, out))
	whole := must[[]byte](t)(os.ReadFile(out))
	from := filepath.Join(t.TempDir(), "changed")
	harmless := 0
	for i := 0; i < len(whole); i += max(1, len(whole)/60) {
		edited := bytes.Clone(whole)
		edited[i] ^= 1
		if err := os.WriteFile(from, edited, 0o640); err != nil {
			t.Fatal(err)
		}
		to := filepath.Join(t.TempDir(), "data")
		got, err := Restore(t.Context(), from, to)
		if err == nil { // the wrapping has a few bytes that mean nothing, such as its time, and bits behind its last code; then all is as it was
			if harmless++; i > 10 && i < len(whole)-32 || len(got.Faults) > 0 {
				t.Errorf("byte %d of %d was changed and %+v restored", i, len(whole), got)
			}
			continue
		}
		left, _ := fs.Glob(os.DirFS(to), "*.db")
		if len(left) > 0 {
			t.Errorf("byte %d: %v left behind", i, left)
		}
	}
	for _, n := range []int{0, 1, 20, len(whole) / 2, len(whole) - 1} {
		if err := os.WriteFile(from, whole[:n], 0o640); err != nil {
			t.Fatal(err)
		}
		if _, err := Restore(t.Context(), from, filepath.Join(t.TempDir(), "data")); err == nil {
			t.Errorf("%d of %d bytes were restored", n, len(whole))
		}
	}
	if err := os.WriteFile(from, append(bytes.Clone(whole), whole...), 0o640); err != nil {
		t.Fatal(err)
	}
	if _, err := Restore(t.Context(), from, filepath.Join(t.TempDir(), "data")); err == nil {
		t.Error("two backups in one file were restored")
	}
}

func TestARunTakenOutIsMissed(t *testing.T) {
	dir, id := chained(t)
	d := edited(t, dir, "state", "DELETE FROM events WHERE run=2", "DELETE FROM runs WHERE id=2")
	at := d.dir
	d.Close()
	if got := seals(t, at); len(got.Faults) != 1 || !strings.Contains(got.Faults[0], "Between runs 1 and 3 1 are missing") {
		t.Errorf("run %d was taken out: %q", id, got.Faults)
	}
}

// One byte of the files of a directory is changed, in hundreds of places. Either it is named, or a file cannot be read, or it was none of the
// record of a run or job: space that nothing uses, a lesson, an event of the station itself.
func TestAByteChangedInTheFilesIsNamedOrTouchesNoRecord(t *testing.T) {
	dir, _ := chained(t)
	whole := func(dir string) (all []byte, err error) {
		r, err := OpenReader(t.Context(), dir)
		if err != nil {
			return nil, err
		}
		defer r.Close()
		for id := range int64(3) {
			data, err := r.Export(t.Context(), id+1)
			if err != nil {
				return nil, err
			}
			all = append(all, data...)
		}
		return all, nil
	}
	want := must[[]byte](t)(whole(dir))
	named, unreadable, harmless := 0, 0, 0
	for _, name := range []string{"state", "samples"} {
		at := dbPath(dir, name)
		sound := must[[]byte](t)(os.ReadFile(at))
		for i := 0; i < len(sound); i += 131 * thin {
			edited := bytes.Clone(sound)
			edited[i] ^= 1
			if err := os.WriteFile(at, edited, 0o640); err != nil {
				t.Fatal(err)
			}
			r, err := OpenReader(t.Context(), dir)
			var got Tested
			if err == nil {
				got, err = r.VerifyAll(t.Context())
				r.Close()
			}
			switch {
			case err != nil:
				unreadable++
				continue
			case len(got.Faults) > 0:
				named++
				continue
			}
			if now, err := whole(dir); err != nil || !bytes.Equal(now, want) {
				t.Errorf("byte %d of %s.db was changed and nothing said of it: %v", i, name, err)
			}
			harmless++
		}
		if err := os.WriteFile(at, sound, 0o640); err != nil {
			t.Fatal(err)
		}
	}
	if named == 0 {
		t.Error("nothing was named")
	}
	t.Logf("%d named, %d make a file unreadable, %d touch no record", named, unreadable, harmless)
}
