package station

import (
	"time"

	"trivet/process"
	"trivet/process/unit"
)

// Ahead is what a law that knows the board expects of the rest of the run. It is made outside the tick, handed over whole, and never
// changed afterwards. It is advice: no cut-off listens to it.
type Ahead struct {
	Begin          time.Duration // monotonic time of the first value; one value a second
	Mid, Low, High []float64     // °C of the coldest joint and its 95 % band
	Peak           [3]float64    // °C: low, middle, high
	Above          [3]float64    // s above liquidus from now on
	Body           [3]float64    // °C, package top
	Go             bool          // nothing speaks against going on into reflow
	Code           string        // the strongest reason; empty when there is none
	Text, Remedy   string        // for people
	Stops          bool          // the reason is strong enough to hold the run before reflow

	// Kinship with the boards of the lesson the run was begun with: Distance in units of what is usual between days; a Stranger is so far
	// off that the run need not go on to the gate.
	KinKnown, Kin, Stranger bool
	Distance                float64
}

// SetAhead hands over a forecast. Safe from any goroutine.
func (s *Station) SetAhead(a *Ahead) { s.ahead.Store(a) }

// aheadFresh is how old a forecast may be for the gate to listen to it. The law renews it every 10 s.
const aheadFresh = 30 * time.Second

// commit holds the run before it commits to reflow when the forecast says that the joint cannot be brought there inside the limits.
// A person may go on all the same: that is what Restart then means, and it is in the record. Until the joint nears its solidus nothing
// has happened to the board that could not be repeated; afterwards a half-melted array is worse than a late one.
func (s *Station) commit(now time.Duration) {
	sn := &s.snap
	if s.committed || sn.State != Running || !sn.Run.HasPlan {
		return
	}
	s.first(now)
	if sn.State != Running || !s.atGate() {
		return
	}
	if !s.mayReflow(now) {
		return
	}
	a := sn.Ahead
	if a == nil || now-a.Begin > aheadFresh || !a.Stops {
		s.committed = true
		return
	}
	sn.NoGo, sn.Why = true, a
	s.heldFor = 0
	_ = s.move(Hold) // listed for running
}

// atGate reports whether the next step is the one into reflow.
func (s *Station) atGate() bool {
	r := &s.snap.Run
	return r.HasPlan && r.Point.Segment >= s.commitSeg && r.Profile >= r.Plan.HoldEnd(s.commitSeg-1)
}

// first asks once right after the warm-up proof, while the part is still below 120 °C, whether the run can come to its end at all: a board
// this machine cannot carry is best refused before it is heated. The proof has shown how the board takes heat; two forecasts in a
// row must say so, because the first plan of a run is still rough. Restart overrides it, and the question comes again before reflow.
func (s *Station) first(now time.Duration) {
	sn := &s.snap
	a := sn.Ahead
	if s.asked || !sn.Run.Order.proves() || a == nil || a.Begin <= s.askedAt || a.Begin < s.planned || now-a.Begin > aheadFresh {
		return
	}
	s.askedAt = a.Begin
	if s.doubts++; !a.Stops {
		s.asked = true
		return
	}
	if s.doubts < firstDoubts {
		return
	}
	sn.NoGo, sn.Why, s.asked = true, a, true
	s.heldFor = 0
	_ = s.move(Hold) // listed for running
}

// firstDoubts is how many forecasts in a row must speak against a run right after its proof.
const firstDoubts = 3

// commitSegment is the first segment that takes the joint past its solidus: the run commits itself when it enters it.
func commitSegment(p *process.Profile) int {
	for i, seg := range p.Segments {
		if seg.Target >= p.Alloy.Solidus-commitBelow {
			return i
		}
	}
	return len(p.Segments)
}

// commitBelow is how far below the solidus a target already counts: the outermost ball is not the warmest.
const commitBelow = unit.Celsius(5)
