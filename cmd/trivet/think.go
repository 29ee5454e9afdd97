package main

import (
	"context"
	"time"

	"trivet/control/full"
	"trivet/sim/bench"
	"trivet/station"
)

// thinker does the slow work of a law that knows the board in a goroutine of its own, or by way of it in another process, so that no fit and
// no plan ever delays a tick. The two sides share nothing but one piece of work and one result at a time.
type thinker struct {
	law    *full.Law
	tell   func(*station.Ahead) // hands the forecast to the station
	work   chan full.Work
	result chan full.Result
	solve  func(full.Work) full.Result
	end    func() // when nothing will be solved any more
}

// newThinker returns a thinker for a law; for a law without slow work it does nothing.
func newThinker(l station.Law) *thinker {
	t := &thinker{work: make(chan full.Work, 1), result: make(chan full.Result, 1), solve: full.Solve, end: func() {}}
	t.law, _ = l.(*full.Law)
	return t
}

// elsewhere has the work done by a child process.
func (t *thinker) elsewhere(b *brain) { t.solve, t.end = b.solve, b.end }

// after is called by the control goroutine after each tick. It never waits: the law hands out one piece of work at a time, so that
// there is always room for it.
func (t *thinker) after(time.Duration) {
	if t.law == nil {
		return
	}
	select {
	case r := <-t.result:
		t.law.Give(r)
		if a := bench.AheadOf(&r); a != nil && t.tell != nil {
			t.tell(a)
		}
	default:
	}
	if w, ok := t.law.Want(); ok {
		t.work <- w
	}
}

// run thinks until ctx ends.
func (t *thinker) run(ctx context.Context) {
	defer t.end()
	for {
		select {
		case w := <-t.work:
			t.result <- t.solve(w)
		case <-ctx.Done():
			return
		}
	}
}
