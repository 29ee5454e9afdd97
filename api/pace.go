package api

import (
	"context"
	"time"
)

// How viewers are woken for a new state. A thousand that are woken at once fill every place that the runtime has for running goroutines,
// for as long as it takes to write to all of them; the control loop, and a Stop that comes in, would wait behind them. So only a
// few are woken at a time, and the next when one of these is done. One that is not done soon is held up by its peer: it loses its
// place to the next, and is passed over until it has caught up.
const (
	atOnce   = 2                    // judgement: fewer than the places there are, which are the processors and some
	slowTurn = 5 * time.Millisecond // a write that the system takes at once is over in 20 µs here
)

// pace belongs to one poller. Only freed is used by others.
type pace struct {
	freed  chan struct{} // a word from each viewer that gives its place back
	active int           // places given and neither given back nor taken back
	held   []*viewer     // those that may have one
	timer  *time.Timer
}

func newPace() *pace {
	t := time.NewTimer(time.Hour)
	t.Stop()
	return &pace{freed: make(chan struct{}, atOnce), timer: t} // never more words than places
}

// wake rings each viewer, or ends early with ctx. What it shall send waits for it already.
func (p *pace) wake(ctx context.Context, round []*viewer) {
	for _, v := range round {
		// One that is still writing will come by the ring by itself, and is no work for anybody before that.
		if v.idle.Load() && !p.give(ctx, v) {
			return
		}
		v.ring()
	}
}

// give waits for a place and gives it to v. It returns false when ctx has ended.
func (p *pace) give(ctx context.Context, v *viewer) bool {
	for p.active >= atOnce {
		p.timer.Reset(slowTurn)
		select {
		case <-p.freed:
			p.active--
		case <-p.timer.C:
			// Whoever clears the mark counts the place, so it is counted once.
			for _, h := range p.held {
				if h.place.Swap(nil) != nil {
					p.active--
				}
			}
		case <-ctx.Done():
			return false
		}
	}
	p.timer.Stop()
	kept := p.held[:0]
	for _, h := range p.held {
		if h.place.Load() != nil {
			kept = append(kept, h)
		}
	}
	p.held = append(kept, v)
	p.active++
	v.place.Store(p)
	return true
}

// rest says that nothing is left to send, and gives the place back if there is one. The viewer's writer calls it.
func (v *viewer) rest() {
	v.idle.Store(true)
	if p := v.place.Swap(nil); p != nil {
		p.freed <- struct{}{}
	}
}
