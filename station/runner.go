package station

import (
	"context"
	"runtime"
	"sync"
	"time"
)

// Runner paces a station on real time: it owns the control goroutine and the safety goroutine.
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
}

// Build makes the station with its keeper across a goroutine boundary. o.Keeper is ignored.
func (r *Runner) Build(o Options, k *Keeper) (*Station, func(context.Context) error, error) {
	link := newRemote(k)
	if r.virtual() {
		link.silence = virtualSilence
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
	runtime.LockOSThread() // the thread that may later get real-time priority
	defer runtime.UnlockOSThread()
	safetyCtx, endSafety := context.WithCancel(context.WithoutCancel(ctx))
	var wg sync.WaitGroup
	wg.Go(func() { link.run(safetyCtx) })
	defer func() {
		s.StopNow()
		endSafety()
		wg.Wait()
	}()

	speed := max(r.Speed, 1e-3)
	step := time.Duration(float64(Period) / speed)
	start, due := r.Start, time.Now()
	if start.IsZero() {
		start = due
	}
	var now time.Duration
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-s.Woken():
			s.StopNow() // relays first, at once; the next tick does the rest
			continue
		case <-timer.C:
		}
		late := max(0, time.Since(due))
		if r.virtual() {
			now, late = now+Period, 0 // the machine's time stands still while we are late
		} else {
			now = time.Since(start)
		}
		if r.Before != nil {
			r.Before(now)
		}
		s.Tick(now, late)
		if r.After != nil {
			r.After(now)
		}
		// Absolute deadlines do not drift; after a late tick we go on from now and never catch up in a burst.
		due = due.Add(step)
		if behind := time.Since(due); behind > step {
			due = time.Now()
		}
		timer.Reset(time.Until(due))
	}
}
