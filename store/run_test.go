package store

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"trivet/process"
	"trivet/sim/bench"
	"trivet/sim/catalog"
	"trivet/sim/plant"
	"trivet/station"
)

// watched is what was seen of a station from outside.
type watched struct {
	mu      sync.Mutex
	worst   time.Duration // how late a tick was
	ticks   int
	alarmed bool // the station said that the record cannot be kept
	snap    station.Snapshot
}

func (w *watched) look(s *station.Snapshot) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.ticks++
	w.worst = max(w.worst, s.Late)
	w.alarmed = w.alarmed || !s.Recording
	w.snap = *s
}

func (w *watched) last() (station.State, bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.snap.State, w.snap.Recording
}

// rideOn runs the real station with its clerk, its safety goroutine and a Spare over disk, in real time on the fake clock of
// a test bubble: some seconds of a run, a stop, and some seconds for the disk to get what it lacks. after is called
// when the run has ended and before the disk is well again.
func rideOn(t *testing.T, disk Full, after func(s *Spare, clerk *station.Clerk), heal func()) *watched {
	t.Helper()
	p := bench.Parts{Scenario: catalog.Scenario{Name: "disk", Machine: "bench-5kw", Seed: 1, AmbientC: 23, Law: "cascade"}}
	p.Machine, p.Board = must[plant.Machine](t)(catalog.Machine("bench-5kw")), must[plant.Board](t)(catalog.Board("switch-16-layer"))
	p.Profile = must[process.Profile](t)(catalog.Profile("removal-heavy-lead-free"))
	b := must[*bench.Bench](t)(bench.Assemble(p, 1))
	w := &watched{}
	var st *station.Station
	s := must[*Spare](t)(NewSpare(t.Context(), disk, func(err error) { st.SetRecording(err == nil) }))
	clerk := station.NewClerk(b.Setup, s, func(o *station.RunOrder) station.RunHead {
		return station.RunHead{BootID: "b", BegunUTC: time.Now().UTC(), Kind: o.Kind, Board: o.Board}
	}, func(err error) { t.Errorf("the clerk was told %v; a Spare takes everything", err) })
	o := b.Options()
	o.Publish = func(sn *station.Snapshot) { w.look(sn); clerk.Publish(sn) }
	runner := station.Runner{Before: b.Rig.Advance, Speed: 1}
	st, run, err := runner.Build(o, b.Keeper)
	if err != nil {
		t.Fatal(err)
	}
	ctx, end := context.WithCancel(t.Context())
	var wg sync.WaitGroup
	wg.Go(func() { s.Watch(ctx) })
	time.Sleep(30 * time.Millisecond) // so that the clerk never writes in the very moment in which a failed disk is tried again
	wg.Go(func() { clerk.Run(ctx) })
	wg.Go(func() {
		if err := run(ctx); err != nil {
			t.Error(err)
		}
	})
	time.Sleep(3 * time.Second) // sensors convert, permissives settle
	if err := st.Do(ctx, station.Command{Event: station.Start, Order: &station.RunOrder{Kind: p.Profile.Kind, Profile: p.Profile, Board: p.Board.Title, By: "test"}, By: "test"}); err != nil {
		t.Fatal(err)
	}
	time.Sleep(6*time.Second + 50*time.Millisecond)
	if state, _ := w.last(); !state.Live() {
		t.Errorf("the run did not go on: the station is %s", state)
	}
	st.Stop("test")
	time.Sleep(8 * time.Second)
	after(s, clerk)
	heal()
	time.Sleep(3 * retryEvery)
	if _, recording := w.last(); !recording || s.Failing() {
		t.Error("the disk is well again and the alarm stays")
	}
	end()
	wg.Wait()
	if err := s.Close(t.Context()); err != nil {
		t.Error(err)
	}
	return w
}

// TestAStationRidesThroughEveryFailureOfItsRecorder lets the n-th call of the recorder fail or take two seconds under the
// real station, for every n. No tick may be late, the run goes on, the alarm appears, and every row ends up on the disk.
func TestAStationRidesThroughEveryFailureOfItsRecorder(t *testing.T) {
	kinds := []brittle{{err: syscall.EIO}, {err: syscall.EIO, ever: true}, {err: syscall.ENOSPC, ever: true}, {err: syscall.EROFS, ever: true}, {delay: 2 * time.Second}}
	cases, calls := 0, 0
	for n := 0; n <= calls+1; n++ { // 0: nothing fails; it counts the calls there are
		for k := range kinds {
			if n == 0 && k > 0 {
				continue
			}
			b := &brittle{n: n, err: kinds[k].err, ever: kinds[k].ever, delay: kinds[k].delay}
			what := fmt.Sprintf("call %d: %v, from then on %v, %v late", n, b.err, b.ever, b.delay)
			synctest.Test(t, func(t *testing.T) {
				b.Full = numbered{NewMemory()}
				hit := false
				w := rideOn(t, b, func(s *Spare, clerk *station.Clerk) {
					hit = n > 0 && b.made() >= n
					id, _, rows := clerk.Present()
					if _, got, err := s.Samples(t.Context(), id); err != nil || len(got) != len(rows) {
						t.Errorf("%s: %d rows to be read, %v; the run had %d", what, len(got), err, len(rows))
					}
					if r, err := s.Run(t.Context(), id); err != nil || r.End.State == "" {
						t.Errorf("%s: the run has no end: %v", what, err)
					}
				}, b.heal)
				if w.worst != 0 {
					t.Errorf("%s: a tick was %v late", what, w.worst)
				}
				list, err := b.Full.Runs(t.Context(), 10)
				if err != nil || len(list) != 1 || list[0].End.State != station.Stopped || list[0].Samples < 60 {
					t.Fatalf("%s: on disk: %+v, %v; want one stopped run of 6 s and more", what, list, err)
				}
				_, rows, _ := b.Full.Samples(t.Context(), list[0].Head.ID)
				for i := range rows {
					if rows[i].Seq != uint64(i) || i > 0 && rows[i].At-rows[i-1].At != station.Period {
						t.Fatalf("%s: row %d has the number %d and comes %v after the one before", what, i, rows[i].Seq, rows[i].At-rows[max(i-1, 0)].At)
					}
				}
				if hit {
					cases++
				}
				if hit != w.alarmed { // a call that fails when the run has ended is an alarm too
					t.Errorf("%s: failed %v, alarm %v", what, hit, w.alarmed)
				}
			})
			if n == 0 {
				calls = b.made()
			}
		}
	}
	t.Logf("%d calls of the recorder in a run, %d failures injected, no tick late on the clock of the test", calls, cases)
	if cases == 0 {
		t.Error("nothing failed: the test shows nothing")
	}
}

// TestADiskWithoutRoomIsRiddenThrough is one case with the system's own refusal in place of ours.
func TestADiskWithoutRoomIsRiddenThrough(t *testing.T) {
	dir, err := fullDisk(t)
	if err != nil {
		t.Skipf("A FULL DISK WAS NOT TESTED: no small file system can be mounted here: %v", err)
	}
	ctx, d, r := t.Context(), open(t, dir), &reports{}
	s := must[*Spare](t)(NewSpare(ctx, d, r.add))
	id := must[int64](t)(s.Begin(ctx, head()))
	const n = 40_000 // at 23 bytes each about 0.9 MB, three times: file, log, and what SQLite needs to copy one into the other
	for i := uint64(0); i < n; i += 500 {
		if err := s.Append(ctx, id, samples(i, 500)); err != nil {
			t.Fatal(err)
		}
	}
	if got := r.seen(); len(got) == 0 || !s.Failing() {
		t.Fatalf("reported %v; want that the disk is full", got)
	}
	t.Logf("the system says: %v", r.seen()[0])
	if _, rows, err := s.Samples(ctx, id); err != nil || len(rows) != n {
		t.Errorf("%d rows, %v; want all %d from memory", len(rows), err, n)
	}
	if err := errors.Join(s.End(ctx, id, station.RunEnd{State: station.Stopped}), syscall.Unlink(dir+"/ballast")); err != nil {
		t.Fatal(err)
	}
	if err := s.Retry(ctx); err != nil {
		t.Fatalf("after room was made: %v", err)
	}
	if p := must[Proof](t)(d.Verify(ctx, id)); !p.OK() {
		t.Errorf("the chain: %q", p.Faults)
	}
	if _, rows, err := d.Samples(ctx, id); err != nil || len(rows) != n {
		t.Errorf("%d rows on disk, %v; want %d", len(rows), err, n)
	}
}
