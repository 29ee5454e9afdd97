// Package frozen finds a chip that answers with one value for ever (hazard study, S-07), for chips whose steps are so coarse that
// no number of equal answers proves it. It measures in the caller's time and knows no chip.
package frozen

import "time"

const (
	// movingAfter replaces Watch.After while the junction is being heated or cooled on purpose (hazard study, S-07: energy
	// rule, at most 5 s).
	movingAfter = 5 * time.Second
	// reads is how many answers in a row must have agreed, so that two far apart prove nothing.
	reads = 8
)

// motion is what the caller has said about the junction.
type motion uint8

const (
	untold motion = iota
	moving
	still
)

// Watch is one chip being watched. One goroutine uses it.
type Watch struct {
	After time.Duration // how long every bit may stay the same as long as nobody has said what to expect

	raw    uint64
	since  time.Duration
	same   int // answers in a row
	motion motion
}

// See takes in an answer with all its bits, those of a cold junction included, and reports whether the chip is frozen.
func (w *Watch) See(now time.Duration, raw uint64) bool {
	if w.same == 0 || raw != w.raw {
		w.raw, w.since, w.same = raw, now, 0
	}
	w.same++
	limit := w.After
	switch w.motion {
	case still:
		return false
	case moving:
		limit = min(limit, movingAfter)
	}
	return w.same >= reads && now-w.since >= limit
}

// Forget begins anew: what came before proves nothing, as after a time without answers.
func (w *Watch) Forget() { w.same = 0 }

// ExpectMotion tells whether the heat put in since the last change should have moved the junction by more than 1 °C, four steps
// of a coarse chip. While motion is expected 5 s without the change of a single bit are frozen; while it is said that none is
// expected, nothing is. As long as nobody has said either, the limit is After.
func (w *Watch) ExpectMotion(expect bool) {
	m := still
	if expect {
		m = moving
	}
	if m != w.motion {
		w.motion, w.same = m, 0 // time that passed under the other rule does not count
	}
}
