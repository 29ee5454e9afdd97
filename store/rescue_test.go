package store

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"trivet/station"
)

// spoil changes bytes of a file.
func spoil(t *testing.T, path string, at int, with ...byte) {
	t.Helper()
	b := must[[]byte](t)(os.ReadFile(path))
	copy(b[at:], with)
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
}

func TestAFileWithASpoiltHeaderGivesUpEverythingInIt(t *testing.T) {
	for name, at := range map[string]int{"its first byte": 0, "the page size": 16, "the fractions": 21, "the encoding": 59} {
		t.Run(name, func(t *testing.T) {
			dir, id := chained(t)
			ctx := t.Context()
			d := open(t, dir)
			want := must[all](t)(readAll(ctx, d, id))
			if err := errors.Join(d.SetLessons(ctx, pairing, lessons(1, 4)), d.Close()); err != nil {
				t.Fatal(err)
			}
			want.Lessons = lessons(1, 4)
			for _, f := range []string{"state.db", "samples.db"} {
				spoil(t, filepath.Join(dir, f), at, 0x7f, 0x7f)
			}
			d = open(t, dir)
			if diff := cmp.Diff(want, must[all](t)(readAll(ctx, d, id))); diff != "" {
				t.Errorf("not everything was brought over:\n%s", diff)
			}
			for run := id - 1; run <= id+1; run++ {
				if p := must[Proof](t)(d.Verify(ctx, run)); !p.OK() {
					t.Errorf("run %d: %q", run, p.Faults)
				}
			}
			said := strings.Join(d.Notices(), " ")
			for _, want := range []string{"3 runs, 24 events, 4 lessons were brought over; 0 records", "12 chunks of samples were brought over; 0 records"} {
				if !strings.Contains(said, want) {
					t.Errorf("notices %q; want %q", said, want)
				}
			}
			if next := must[int64](t)(d.Begin(ctx, head())); next != id+2 {
				t.Errorf("the next run is %d; want %d", next, id+2)
			}
			d.Close()
			if n := open(t, dir).Notices(); len(n) != 1 || !strings.Contains(n[0], "damaged files of an earlier start") {
				t.Errorf("at the next start %q; want that the damaged files are still there", n)
			}
		})
	}
}

func TestWhatWasChangedIsNotBroughtOver(t *testing.T) {
	dir, id := chained(t)
	ctx := t.Context()
	d := open(t, dir)
	if err := d.SetLessons(ctx, pairing, lessons(1, 2)); err != nil {
		t.Fatal(err)
	}
	for f, edit := range map[*file]string{d.state: "UPDATE runs SET board='another' WHERE id=2; UPDATE lessons SET data=x'00' WHERE run=1", d.samples: "UPDATE chunks SET crc=crc+1 WHERE run=1"} {
		if _, err := f.write.Exec(edit); err != nil {
			t.Fatal(err)
		}
	}
	d.Close()
	for _, f := range []string{"state.db", "samples.db"} {
		spoil(t, filepath.Join(dir, f), 0, 0)
	}
	d = open(t, dir)
	runs := must[[]station.RunRecord](t)(d.Runs(ctx, 10))
	if len(runs) != 2 || runs[0].Head.ID == id || runs[1].Head.ID == id {
		t.Errorf("%d runs; want two, without the one that was changed", len(runs))
	}
	if l := must[[]station.Lesson](t)(d.Lessons(ctx, pairing)); len(l) != 1 {
		t.Errorf("%d lessons; want the one that holds", len(l))
	}
	said := strings.Join(d.Notices(), " ")
	for _, want := range []string{"2 runs, 24 events, 1 lessons were brought over; 2 records", "8 chunks of samples were brought over; 4 records"} {
		if !strings.Contains(said, want) {
			t.Errorf("notices %q; want %q", said, want)
		}
	}
}

func TestARunThatCannotBeShownHidesNoOther(t *testing.T) {
	dir, id := chained(t)
	d, ctx := open(t, dir), t.Context()
	if _, err := d.state.write.Exec("UPDATE runs SET begun_utc='noon' WHERE id=?", id); err != nil {
		t.Fatal(err)
	}
	d.Close()
	d = open(t, dir)
	if n := len(must[[]station.RunRecord](t)(d.Runs(ctx, 10))); n != 2 {
		t.Errorf("%d runs are listed; want the 2 that can be shown", n)
	}
	if n := d.Notices(); len(n) != 1 || !strings.Contains(n[0], "Run 2 is damaged") {
		t.Errorf("notices %q; want one about run 2", n)
	}
	var none station.ErrNoRun
	if _, err := d.Run(ctx, id); err == nil || errors.As(err, &none) {
		t.Errorf("run 2: %v; want what is wrong with it", err)
	}
}

func TestALogThatRottedInTheMiddleIsSavedAndTold(t *testing.T) {
	h := session(t)
	m := h.at(len(h.changes))
	if n := lostFrames(m["state.db-wal"]); n != 0 {
		t.Fatalf("%d frames of a sound log are lost", n)
	}
	dir := t.TempDir()
	log := m["state.db-wal"]
	frames := (len(log) - walHeader) / (walFrameHeader + pageSize)
	log[walHeader+3*(walFrameHeader+pageSize)+100] ^= 1
	if n := lostFrames(log); n != frames-4 {
		t.Errorf("%d frames are lost; want %d, all behind the fourth", n, frames-4)
	}
	for name, b := range m {
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	d := open(t, dir)
	if n := d.Notices(); len(n) == 0 || !strings.Contains(n[0], "state.damaged-1.db-wal") {
		t.Errorf("notices %q; want one that names the copy", n)
	}
	if saved := mustRead(t, dir, "state.damaged-1.db-wal"); string(saved) != string(log) {
		t.Error("the copy is not the log as it was")
	}
}
