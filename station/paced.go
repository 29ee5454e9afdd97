package station

import (
	"context"
	"sync/atomic"
	"time"
)

// Pace is a clock to sleep by that can be interrupted. Each belongs to one goroutine, which alone calls Sleep.
type Pace interface {
	// Sleep returns when due has come, or earlier after a Wake since it last returned, or for no reason.
	Sleep(due time.Time)
	// Wake ends the present sleep, or the next one. Any goroutine may call it.
	Wake()
}

// paced is how control and safety goroutine wake each other when both are locked to threads of their own, asleep in the kernel.
//
// Channels are wrong there: a goroutine that waits on a channel gives its place to run to some other thread of the program, and that one, of
// ordinary priority, must come by before the other side runs. Beside two busy processes a tick took up to 190 ms that way, with real-time
// priority for both of its threads, and the guard was not heard in time.
type paced struct {
	control Pace // the control goroutine's
	safety  Pace
	asked   atomic.Pointer[call] // a call that nobody has taken yet
	over    atomic.Bool
}

// do is remote.do: ask, and wait for patience at most.
func (p *paced) do(r *remote) (*call, bool) {
	c := r.present
	c.answered.Store(false)
	limit := time.Now().Add(patience)
	p.asked.Store(c)
	p.safety.Wake()
	for !c.answered.Load() {
		if time.Until(limit) <= 0 {
			if !p.asked.CompareAndSwap(c, nil) {
				r.present = newCall() // the keeper has taken the old one and still holds it
			}
			return c, false
		}
		p.control.Sleep(limit)
	}
	return c, true
}

// run is the loop of the safety goroutine.
func (p *paced) run(ctx context.Context, r *remote) {
	stop := context.AfterFunc(ctx, func() { p.over.Store(true); p.safety.Wake() })
	defer stop()
	silent := time.Now().Add(r.silence)
	for !p.over.Load() {
		// Before any call: a process that was stopped in the middle of a tick and goes on must not earn an edge for it.
		if time.Until(silent) <= 0 {
			r.keeper.Silence()
			silent = time.Now().Add(r.silence)
		}
		if c := p.asked.Swap(nil); c != nil {
			r.serve(c)
			if c.op == opDone { // only a completed tick counts as a sign of life
				silent = time.Now().Add(r.silence)
			}
			c.answered.Store(true) // from here on it is the other side's
			p.control.Wake()
			continue
		}
		p.safety.Sleep(silent)
	}
}
