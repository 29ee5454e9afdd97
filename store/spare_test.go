package store

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"trivet/station"
)

// brittle is a record whose n-th call fails or is late, and from then on all of them if ever is set.
type brittle struct {
	Full
	mu    sync.Mutex
	n     int
	ever  bool
	err   error
	delay time.Duration
	calls int
}

func (b *brittle) hit() error {
	b.mu.Lock()
	b.calls++
	hit := b.calls == b.n || b.ever && b.n > 0 && b.calls > b.n
	err, delay := b.err, b.delay
	b.mu.Unlock()
	if !hit {
		return nil
	}
	time.Sleep(delay)
	return err
}

func (b *brittle) made() int { b.mu.Lock(); defer b.mu.Unlock(); return b.calls }

func (b *brittle) heal() { b.mu.Lock(); defer b.mu.Unlock(); b.n = 0 }

func (b *brittle) Begin(ctx context.Context, h station.RunHead) (int64, error) {
	if err := b.hit(); err != nil {
		return 0, err
	}
	return b.Full.Begin(ctx, h)
}

func (b *brittle) Append(ctx context.Context, id int64, rows []station.Sample) error {
	if err := b.hit(); err != nil {
		return err
	}
	return b.Full.Append(ctx, id, rows)
}

func (b *brittle) Event(ctx context.Context, id int64, e station.RunEvent) error {
	if err := b.hit(); err != nil {
		return err
	}
	return b.Full.Event(ctx, id, e)
}

func (b *brittle) End(ctx context.Context, id int64, e station.RunEnd) error {
	if err := b.hit(); err != nil {
		return err
	}
	return b.Full.End(ctx, id, e)
}

func (b *brittle) SetLessons(ctx context.Context, pairing string, l []station.Lesson) error {
	if err := b.hit(); err != nil {
		return err
	}
	return b.Full.SetLessons(ctx, pairing, l)
}

// reports collects what a Spare says about the disk.
type reports struct {
	mu   sync.Mutex
	list []error
}

func (r *reports) add(err error) { r.mu.Lock(); defer r.mu.Unlock(); r.list = append(r.list, err) }

func (r *reports) seen() []error {
	r.mu.Lock()
	defer r.mu.Unlock()
	return append([]error(nil), r.list...)
}

// steps is a run as a recorder sees it, one call each, so that a test can look in between.
func steps() []func(ctx context.Context, r Full, id *int64) error {
	type call = func(ctx context.Context, r Full, id *int64) error
	add := func(from, n uint64) call {
		return func(ctx context.Context, r Full, id *int64) error { return r.Append(ctx, *id, samples(from, n)) }
	}
	happens := func(n int) call {
		return func(ctx context.Context, r Full, id *int64) error { return r.Event(ctx, *id, event(n)) }
	}
	return []call{
		func(ctx context.Context, r Full, id *int64) (err error) { *id, err = r.Begin(ctx, head()); return err },
		happens(0), add(0, 10), add(10, 10), happens(1),
		func(ctx context.Context, r Full, _ *int64) error { return r.Event(ctx, 0, event(30)) },
		add(20, 520), happens(2), add(540, 10),
		func(ctx context.Context, r Full, id *int64) error {
			return r.End(ctx, *id, station.RunEnd{State: station.Complete, Code: "complete", Reason: "Done.", EndedUTC: event(9).UTC, Elapsed: time.Minute})
		},
		happens(3),
		func(ctx context.Context, r Full, _ *int64) error { return r.SetLessons(ctx, pairing, lessons(1, 3)) },
	}
}

// all is everything that can be read of a run and beside it.
type all struct {
	Run     station.RunRecord
	Rows    []station.Sample
	Events  []station.RunEvent
	Station []station.RunEvent
	Lessons []station.Lesson
	Listed  int
}

func readAll(ctx context.Context, r interface {
	recorder
	school
}, id int64) (a all, err error) {
	var errs [6]error
	var list []station.RunRecord
	a.Run, errs[0] = r.Run(ctx, id)
	_, a.Rows, errs[1] = r.Samples(ctx, id)
	a.Events, errs[2] = r.Events(ctx, id)
	a.Station, errs[3] = r.Events(ctx, 0)
	a.Lessons, errs[4] = r.Lessons(ctx, pairing)
	list, errs[5] = r.Runs(ctx, 10)
	for _, l := range list {
		if l.Head.ID == id {
			a.Listed++
		}
	}
	return a, errors.Join(errs[:]...)
}

// differ says what r holds otherwise than want. Rows are compared by themselves: there are many, and they are wide.
func differ(t *testing.T, want all, ctx context.Context, r interface {
	recorder
	school
}, id int64) string {
	t.Helper()
	got, err := readAll(ctx, r, id)
	if err != nil {
		return err.Error()
	}
	if !slices.Equal(want.Rows, got.Rows) {
		return fmt.Sprintf("%d rows; want %d, or others", len(got.Rows), len(want.Rows))
	}
	want.Rows, got.Rows = nil, nil
	return cmp.Diff(want, got, cmpopts.EquateEmpty())
}

// withMemory runs the same steps on memory alone: what must be there after k of them.
func withMemory(t *testing.T, before int64) []all {
	t.Helper()
	m := NewMemory()
	m.last = before
	var out []all
	var id int64
	for _, step := range steps() {
		if err := step(t.Context(), numbered{m}, &id); err != nil {
			t.Fatal(err)
		}
		out = append(out, must[all](t)(readAll(t.Context(), m, id)))
	}
	return out
}

type numbered struct{ *Memory }

func (numbered) LastNumber(context.Context) (int64, error) { return 0, nil }

// TestWhicheverCallFailsTheRunGoesOn lets the n-th call of the recorder fail, for every n and in every way, once and for
// good. The recorder must not notice, the alarm must come and go, nothing may be missing at any moment, and at the end
// the disk must hold the same as if nothing had happened.
func TestWhicheverCallFailsTheRunGoesOn(t *testing.T) {
	cases := 0
	for _, fault := range []error{syscall.EIO, syscall.ENOSPC, syscall.EROFS} {
		for _, ever := range []bool{false, true} {
			for n := 1; n <= len(steps()); n++ {
				cases++
				t.Run(fmt.Sprintf("%v %v %d", fault, ever, n), func(t *testing.T) {
					ctx, db := t.Context(), open(t, t.TempDir())
					before := must[int64](t)(db.Begin(ctx, head()))
					want := withMemory(t, before)
					b, r := &brittle{Full: db, n: n, ever: ever, err: fault}, &reports{}
					s := must[*Spare](t)(NewSpare(ctx, b, r.add))
					var id int64
					for k, step := range steps() {
						if err := step(ctx, s, &id); err != nil {
							t.Fatalf("step %d: %v", k, err)
						}
						if diff := differ(t, want[k], ctx, s, id); diff != "" {
							t.Fatalf("after step %d something is missing (-want +got):\n%s", k, diff)
						}
					}
					if got := r.seen(); len(got) != 1 || !errors.Is(got[0], fault) || !s.Failing() {
						t.Errorf("reported %v; want the fault, once", got)
					}
					b.heal()
					if err := s.Retry(ctx); err != nil {
						t.Fatal(err)
					}
					if got := r.seen(); len(got) != 2 || got[1] != nil || s.Failing() {
						t.Errorf("reported %v; want that the disk works again", got)
					}
					if diff := differ(t, want[len(want)-1], ctx, db, id); diff != "" {
						t.Errorf("the disk lacks something (-want +got):\n%s", diff)
					}
					if p := must[Proof](t)(db.Verify(ctx, id)); !p.OK() {
						t.Errorf("the chain: %q", p.Faults)
					}
					if len(s.runs) != 0 || len(s.mem.runs) != 0 || s.mem.bytes != 0 {
						t.Errorf("%d debts, %d runs and %d bytes still in memory; want none", len(s.runs), len(s.mem.runs), s.mem.bytes)
					}
				})
			}
		}
	}
	t.Logf("%d cases", cases)
}

// TestADiskThatIsLateHoldsTheRecorderForOneSecondAtMost runs on the fake clock of the test bubble, so the disk is memory.
func TestADiskThatIsLateHoldsTheRecorderForOneSecondAtMost(t *testing.T) {
	for n := 1; n <= len(steps()); n++ {
		synctest.Test(t, func(t *testing.T) {
			ctx, m := t.Context(), NewMemory()
			b, r := &brittle{Full: numbered{m}, n: n, delay: 2 * time.Second}, &reports{}
			s := must[*Spare](t)(NewSpare(ctx, b, r.add))
			want := withMemory(t, 0)
			var id int64
			for k, step := range steps() {
				began := time.Now()
				if err := step(ctx, s, &id); err != nil {
					t.Fatal(err)
				}
				if took := time.Since(began); took > Patience {
					t.Errorf("call %d late: step %d took %v; want at most %v", n, k, took, Patience)
				}
				if diff := differ(t, want[k], ctx, s, id); diff != "" {
					t.Fatalf("call %d late: after step %d something is missing:\n%s", n, k, diff)
				}
			}
			time.Sleep(3 * time.Second) // the late call comes back; what came in meanwhile is owed
			if err := s.Retry(ctx); err != nil {
				t.Fatal(err)
			}
			if got := r.seen(); len(got) != 2 || !errors.Is(got[0], ErrSlow) || got[1] != nil {
				t.Errorf("call %d late: reported %v; want slow, then well", n, got)
			}
			if diff := differ(t, want[len(want)-1], ctx, m, id); diff != "" {
				t.Errorf("call %d late: the disk lacks something:\n%s", n, diff)
			}
		})
	}
}

func TestADiskThatRecoversIsFoundWithoutBeingAsked(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := NewMemory()
		b, r := &brittle{Full: numbered{m}, n: 1, ever: true, err: syscall.EIO}, &reports{}
		s := must[*Spare](t)(NewSpare(t.Context(), b, r.add))
		ctx, end := context.WithCancel(t.Context())
		defer end()
		go s.Watch(ctx)
		must[int64](t)(s.Begin(ctx, head()))
		time.Sleep(10 * retryEvery)
		if !s.Failing() {
			t.Error("a disk that does nothing is taken for a good one")
		}
		b.heal()
		time.Sleep(2 * retryEvery)
		if got := r.seen(); s.Failing() || len(got) != 2 || got[1] != nil {
			t.Errorf("reported %v; want the failure and then that it is over", got)
		}
		end()
		synctest.Wait()
	})
}

func TestWrongCallsAreRefusedAsOnDiskWhetherTheDiskWorksOrNot(t *testing.T) {
	for _, dead := range []bool{false, true} {
		ctx, db := t.Context(), open(t, t.TempDir())
		b := &brittle{Full: db, err: syscall.EIO, ever: true}
		s := must[*Spare](t)(NewSpare(ctx, b, nil))
		if dead {
			b.n = 1
		}
		id := must[int64](t)(s.Begin(ctx, head()))
		if err := s.Append(ctx, id, samples(0, 10)); err != nil {
			t.Fatal(err)
		}
		wide := head()
		wide.Channels = make([]station.Channel, station.MaxChannels+1)
		_, tooWide := s.Begin(ctx, wide)
		for what, err := range map[string]error{
			"samples already kept": s.Append(ctx, id, samples(9, 3)), "samples of no run": s.Append(ctx, 99, samples(0, 1)),
			"an end without a state": s.End(ctx, id, station.RunEnd{}), "the end of no run": s.End(ctx, 99, station.RunEnd{State: station.Stopped}),
			"too many columns": tooWide, "lessons of no pairing": s.SetLessons(ctx, "", nil),
		} {
			if err == nil {
				t.Errorf("disk dead %v: %s: accepted", dead, what)
			}
		}
		var none station.ErrNoRun
		if err := s.Event(ctx, 99, event(1)); !dead && !errors.As(err, &none) {
			t.Errorf("an event of no run: %v; want ErrNoRun", err)
		}
		if err := s.End(ctx, id, station.RunEnd{State: station.Stopped}); err != nil {
			t.Fatal(err)
		}
		if err := s.End(ctx, id, station.RunEnd{State: station.Stopped}); err == nil {
			t.Errorf("disk dead %v: a run ended twice", dead)
		}
		b.heal()
		if err := s.Close(ctx); err != nil {
			t.Error(err)
		}
		if n := len(must[[]station.RunEvent](t)(db.Events(ctx, 0))); n != 0 {
			t.Errorf("%d events of the station; want none", n)
		}
	}
}

func TestANumberThatTheDiskGivesOtherwiseStillFindsTheRun(t *testing.T) {
	ctx, db := t.Context(), open(t, t.TempDir())
	b := &brittle{Full: db, n: 1, err: syscall.EIO}
	s := must[*Spare](t)(NewSpare(ctx, b, nil))
	id := must[int64](t)(s.Begin(ctx, head()))
	other := must[int64](t)(db.Begin(ctx, head())) // takes the number that memory has given
	if other != id {
		t.Fatalf("numbers %d and %d; the test needs them to be equal", id, other)
	}
	if err := errors.Join(s.Append(ctx, id, samples(0, 20)), s.Retry(ctx), s.Append(ctx, id, samples(20, 10)), s.Event(ctx, id, event(1)),
		s.End(ctx, id, station.RunEnd{State: station.Stopped}), s.Event(ctx, id, event(2))); err != nil {
		t.Fatal(err)
	}
	r := must[station.RunRecord](t)(s.Run(ctx, id))
	if r.Samples != 30 || r.Head.ID != id || r.End.State != station.Stopped || len(must[[]station.RunEvent](t)(s.Events(ctx, id))) != 2 {
		t.Errorf("run %d has %+v; want the 30 samples that were given", id, r)
	}
	if r := must[station.RunRecord](t)(db.Run(ctx, other)); r.Samples != 0 {
		t.Errorf("%d samples went to another run", r.Samples)
	}
}
