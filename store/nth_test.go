package store

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"trivet/station"
	"trivet/store/iofault"
)

// allStates makes the tests of this file and of cut_test.go go through every case instead of a sample.
var allStates = os.Getenv("TRIVET_ALL_STATES") != ""

// faultKinds are the ways in which a call to the operating system fails here.
var faultKinds = []iofault.Rule{
	{Errno: syscall.EIO}, {Errno: syscall.EIO, Ever: true}, {Errno: syscall.EIO, Torn: true}, {Errno: syscall.EIO, Torn: true, Ever: true},
	{Errno: syscall.ENOSPC}, {Errno: syscall.ENOSPC, Ever: true}, {Errno: syscall.EROFS}, {Errno: syscall.EROFS, Ever: true},
}

func ruleName(r iofault.Rule) string {
	return fmt.Sprintf("call %d: %v, torn %v, from then on %v", r.N, r.Errno, r.Torn, r.Ever)
}

// earlier makes a directory with one complete run in it, through which a failure must not reach.
func earlier(t *testing.T) (dir string, id int64) {
	t.Helper()
	dir = t.TempDir()
	d := open(t, dir)
	id = must[int64](t)(d.Begin(t.Context(), head()))
	if err := errors.Join(d.Append(t.Context(), id, samples(0, 50)), d.Event(t.Context(), id, event(0)),
		d.End(t.Context(), id, station.RunEnd{State: station.Complete, EndedUTC: event(1).UTC}), d.Close()); err != nil {
		t.Fatal(err)
	}
	return dir, id
}

// copied copies a directory and puts the failing disk over the copy.
func copied(t *testing.T, dir string) (string, *iofault.Disk) {
	t.Helper()
	to := t.TempDir()
	if err := os.CopyFS(to, os.DirFS(dir)); err != nil {
		t.Fatal(err)
	}
	disk, err := iofault.Watch(to)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(disk.Close)
	return to, disk
}

// intact opens a directory on a sound disk and makes sure that the earlier run is there as it was and nothing was set aside.
func intact(t *testing.T, dir string, id int64) *DB {
	t.Helper()
	d := open(t, dir)
	if n := d.Notices(); len(n) != 0 {
		t.Fatalf("notices %q; want none: the files are sound", n)
	}
	if aside, _ := filepath.Glob(filepath.Join(dir, "*damaged*")); len(aside) != 0 {
		t.Fatalf("%q were set aside", aside)
	}
	if p := must[Proof](t)(d.Verify(t.Context(), id)); !p.OK() || p.Chunks != 1 || p.Events != 1 {
		t.Fatalf("the earlier run: %+v", p)
	}
	return d
}

// perform goes through all steps of a run and reports what the recorder was told. It never stops at an error.
func perform(ctx context.Context, r Full) (id int64, err error) {
	for _, step := range steps() {
		err = errors.Join(err, step(ctx, r, &id))
	}
	return id, err
}

// TestWhicheverCallToTheSystemFailsTheRunGoesOn is the same promise as for calls of the recorder, one layer down: the n-th
// read, write, sync, truncation, lock, map, size or deletion that SQLite asks the system for in a run fails, for every n.
func TestWhicheverCallToTheSystemFailsTheRunGoesOn(t *testing.T) {
	base, before := earlier(t)
	want := withMemory(t, before)
	end := want[len(want)-1]
	cases, told, byOp := 0, 0, map[string]int{}
	for k, kind := range faultKinds {
		for n := 1; ; n++ {
			if !allStates && n%(len(faultKinds)*thin) != k {
				if n > 2000 {
					t.Fatal("there is no end to the calls of a run")
				}
				continue
			}
			kind.N = n
			dir, disk := copied(t, base)
			ctx, d, r := t.Context(), open(t, dir), &reports{}
			s := must[*Spare](t)(NewSpare(ctx, d, r.add))
			disk.Arm(kind)
			id, err := perform(ctx, s)
			disk.Disarm()
			hits, last := disk.Hits()
			if err != nil {
				t.Fatalf("%s (%s): the recorder was told %v", ruleName(kind), last, err)
			}
			if diff := differ(t, end, ctx, s, id); diff != "" {
				t.Fatalf("%s (%s): something is missing: %s", ruleName(kind), last, diff)
			}
			if err := s.Close(ctx); err != nil {
				t.Fatalf("%s (%s): after the disk was well again: %v", ruleName(kind), last, err)
			}
			if got := r.seen(); len(got) > 0 {
				told++
				if got[0] == nil || got[len(got)-1] != nil {
					t.Errorf("%s (%s): reported %v; want a failure first and then that it is over", ruleName(kind), last, got)
				}
			}
			if err := d.Close(); err != nil {
				t.Errorf("%s (%s): close: %v", ruleName(kind), last, err)
			}
			d = intact(t, dir, before)
			if diff := differ(t, end, ctx, d, id); diff != "" {
				t.Fatalf("%s (%s): the disk lacks something: %s", ruleName(kind), last, diff)
			}
			if p := must[Proof](t)(d.Verify(ctx, id)); !p.OK() {
				t.Errorf("%s (%s): the chain: %q", ruleName(kind), last, p.Faults)
			}
			if err := errors.Join(d.Check(ctx), d.Close()); err != nil {
				t.Errorf("%s (%s): %v", ruleName(kind), last, err)
			}
			disk.Close()
			if hits == 0 { // the run has fewer calls than n
				break
			}
			cases++
			byOp[last[:strings.IndexByte(last, ' ')]]++
		}
	}
	t.Logf("%d cases, %d of them noticed by the alarm; calls that failed last: %v", cases, told, byOp)
	if told == 0 || byOp["write"] == 0 || byOp["sync"] == 0 {
		t.Error("no write or no sync failed: the test shows nothing")
	}
}

// TestAFailureWhileOpeningIsAnErrorAndNotDamage lets the n-th call to the system fail while the files are opened: nothing
// may be set aside or lost because of it.
func TestAFailureWhileOpeningIsAnErrorAndNotDamage(t *testing.T) {
	base, before := earlier(t)
	cases, refused := 0, 0
	for k, kind := range faultKinds {
		for n := 1; ; n++ {
			if !allStates && n%(len(faultKinds)*min(thin, 2)) != k {
				continue
			}
			kind.N = n
			dir, disk := copied(t, base)
			disk.Arm(kind)
			d, err := Open(t.Context(), dir)
			disk.Disarm()
			hits, last := disk.Hits()
			if err == nil {
				for _, n := range d.Notices() {
					t.Errorf("%s (%s): %s", ruleName(kind), last, n)
				}
				if err := d.Close(); err != nil {
					t.Errorf("%s: close: %v", ruleName(kind), err)
				}
			} else {
				refused++
			}
			if err := intact(t, dir, before).Close(); err != nil {
				t.Errorf("%s: %v", ruleName(kind), err)
			}
			disk.Close()
			if hits == 0 {
				break
			}
			cases++
		}
	}
	t.Logf("%d cases, %d refused to open", cases, refused)
	if refused == 0 {
		t.Error("no case refused to open: the test shows nothing")
	}
}
