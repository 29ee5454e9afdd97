package station

import (
	"context"
	"runtime"
	"sync"
	"sync/atomic"
	"time"
)

// Runner paces a station on real time: it owns the control goroutine and the safety goroutine. Each is locked to a thread of its own.
type Runner struct {
	// Before is called before each tick with the time the tick will have; a simulated machine advances itself there.
	Before func(now time.Duration)
	// After is called after each tick: the place to exchange slow work. It must return at once; nil is allowed.
	After func(now time.Duration)
	// Speed is how many times real time a simulated machine runs; 1 for a real one. Above 1, time is counted in
	// ticks instead of being measured.
	Speed float64

	// Start is when the station's time began; zero: when it is run. Drivers that stamp their own readings share it.
	Start time.Time
	// NewPace makes what each of the two goroutines sleeps by; nil for the runtime's own timers and channels.
	NewPace func() Pace
	// Threads is called by each of the two goroutines on its thread, before its first work: the place to ask for real-time priority.
	// nil is allowed.
	Threads func(Role)
	// Measure is told by the control goroutine, after each tick, how late it began and how long it took, both on the wall's time. It must
	// return at once and must not allocate; nil is allowed.
	Measure func(late, took time.Duration)
}

// Role is what a thread of a Runner does.
type Role uint8

// The two threads.
const (
	ControlThread Role = iota
	SafetyThread
)

// Build makes the station with its keeper across a goroutine boundary. o.Keeper is ignored.
func (r *Runner) Build(o Options, k *Keeper) (*Station, func(context.Context) error, error) {
	link := newRemote(k)
	if r.virtual() {
		link.silence = virtualSilence
	}
	if r.NewPace != nil {
		link.paced = &paced{control: r.NewPace(), safety: r.NewPace()}
	}
	o.Keeper = link
	s, err := New(o)
	if err != nil {
		return nil, nil, err
	}
	return s, func(ctx context.Context) error { return r.run(ctx, s, link) }, nil
}

// virtual reports whether time is counted in ticks: a simulated machine at other than real speed. Its time stands still while
// a tick is late, so that lateness hurts nothing there.
func (r *Runner) virtual() bool { return r.Speed != 1 }

// virtualSilence replaces safety.MaxLate on counted time: it still finds a loop that hangs.
const virtualSilence = 5 * time.Second

// run ticks until ctx ends. However it returns, heat is off: relays by this goroutine, heat-enable by the other.
func (r *Runner) run(ctx context.Context, s *Station, link *remote) error {
	runtime.LockOSThread() // a thread with real-time priority must not serve anybody else
	defer runtime.UnlockOSThread()
	safetyCtx, endSafety := context.WithCancel(context.WithoutCancel(ctx))
	var wg sync.WaitGroup
	wg.Go(func() {
		runtime.LockOSThread() // until it ends: the thread ends with it, and its priority is handed on to nobody
		r.thread(SafetyThread)
		link.run(safetyCtx)
	})
	defer func() {
		s.StopNow()
		endSafety()
		wg.Wait()
	}()
	r.thread(ControlThread)
	sleep := newSleeper(ctx, s, link)
	defer sleep.end()

	speed := max(r.Speed, 1e-3)
	step := time.Duration(float64(Period) / speed)
	start := time.Now()
	due := start
	if !r.Start.IsZero() {
		start = r.Start
	}
	var now time.Duration
	for sleep.until(due) {
		begun := time.Now()
		late := max(0, begun.Sub(due))
		if r.virtual() {
			now += Period // the machine's time stands still while we are late
		} else {
			now = begun.Sub(start)
		}
		r.tick(s, now, late)
		if r.Measure != nil {
			r.Measure(late, time.Since(begun))
		}
		// Absolute deadlines do not drift; after a late tick we go on from now and never catch up in a burst.
		due = due.Add(step)
		if behind := time.Since(due); behind > step {
			due = time.Now()
		}
	}
	return nil
}

// tick is one tick with what belongs to it.
func (r *Runner) tick(s *Station, now, late time.Duration) {
	if r.virtual() {
		late = 0
	}
	if r.Before != nil {
		r.Before(now)
	}
	s.Tick(now, late)
	if r.After != nil {
		r.After(now)
	}
}

func (r *Runner) thread(role Role) {
	if r.Threads != nil {
		r.Threads(role)
	}
}

// sleeper waits for the next tick, and meanwhile for a Stop and for the end.
type sleeper interface {
	// until returns true when due has come, and false when the loop shall end. A Stop in between is carried out at once.
	until(due time.Time) bool
	end()
}

func newSleeper(ctx context.Context, s *Station, link *remote) sleeper {
	if link.paced == nil {
		return &timerSleep{ctx: ctx, s: s, timer: time.NewTimer(time.Hour)}
	}
	p := &pacedSleep{s: s, pace: link.paced.control, quit: make(chan struct{})}
	p.helper.Go(func() { p.listen(ctx) })
	return p
}

// timerSleep sleeps by the runtime's timers.
type timerSleep struct {
	ctx   context.Context
	s     *Station
	timer *time.Timer
}

func (t *timerSleep) until(due time.Time) bool {
	t.timer.Reset(time.Until(due))
	for {
		select {
		case <-t.ctx.Done():
			return false
		case <-t.s.Woken():
			t.s.StopNow() // relays first, at once; the next tick does the rest
		case <-t.timer.C:
			return t.ctx.Err() == nil
		}
	}
}

func (t *timerSleep) end() { t.timer.Stop() }

// pacedSleep sleeps by a Pace. A goroutine that sleeps in the kernel hears no channel; a helper listens for it.
type pacedSleep struct {
	s      *Station
	pace   Pace
	stop   atomic.Bool
	ended  atomic.Bool
	quit   chan struct{}
	helper sync.WaitGroup
}

func (p *pacedSleep) listen(ctx context.Context) {
	for {
		select {
		case <-p.s.Woken():
			p.stop.Store(true)
		case <-ctx.Done():
			p.ended.Store(true)
			p.pace.Wake()
			return
		case <-p.quit:
			return
		}
		p.pace.Wake()
	}
}

func (p *pacedSleep) until(due time.Time) bool {
	for {
		if p.ended.Load() {
			return false
		}
		if p.stop.Swap(false) {
			p.s.StopNow() // relays first, at once; the next tick does the rest
		}
		if time.Until(due) <= 0 {
			return true
		}
		p.pace.Sleep(due)
	}
}

func (p *pacedSleep) end() {
	close(p.quit)
	p.helper.Wait()
}
