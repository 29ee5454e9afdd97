package full

import (
	"math"
	"time"

	"trivet/control/forecast"
	"trivet/control/model"
	"trivet/control/observe"
	"trivet/control/plan"
	"trivet/process"
	"trivet/process/unit"
)

// What the rest of a run is planned towards and judged by.

// foresee judges the rest of the run by the plan that was just made.
func foresee(w *Work, r *Result, s *plan.Schedule, f *observe.Filter, p *plan.Problem) forecast.Forecast {
	b := forecast.Basis{
		Schedule: s, Deviation: f.Deviation(&p.Params), Ambient: p.Params.Ambient, Seconds: len(w.Track.Samples), Spent: w.Spent,
		Budget: w.Budget, Body: w.Body, HeatEnds: p.Horizon - 1,
	}
	if r.Fit != nil {
		b.Left = r.Fit.Left
	}
	b.NoJoint, b.Accepted = true, w.NoJoint
	for k := max(0, len(w.Track.Samples)-5); k < len(w.Track.Samples); k++ {
		if w.Track.Samples[k].Has&model.HasJoint != 0 {
			b.NoJoint = false
		}
	}
	if b.NoJoint {
		b.Deviation = math.Hypot(b.Deviation, observe.Blind(p.Params.Ball(&p.State), p.Params.Ambient, w.Known))
	}
	for g := range plan.Groups {
		b.Ceiling[g] = w.Heaters[g].Ceiling
	}
	if cool, ok := w.Plan.CoolSegment(); ok && cool > 0 {
		b.CoolRate = float64(w.Plan.Profile().Segments[cool].Ramp)
		b.HeatEnds = reach(s, left(w))
	}
	if w.Still {
		w.Window.PeakMin = 0 // at the peak, waiting for the part to be lifted: what is ahead is no peak any more
	}
	return forecast.Make(b, w.Window)
}

// reach returns the second of the schedule in which profile time has gone on by left seconds.
func reach(s *plan.Schedule, left float64) int {
	for i, v := range s.Walk {
		if left -= v; left <= 0 {
			return i
		}
	}
	return s.Len() - 1
}

// ahead returns how far to plan, s: to the end of the last hold and what stretching may add, no farther than horizon.
func ahead(w *Work) int {
	n := left(w)
	if w.Still {
		n = math.Max(n, 60)
	}
	if w.Warm != nil {
		for _, v := range w.Warm.Pace { // the last plan knew how slowly it goes
			n = math.Max(n, left(w)/math.Max(0.3, v))
		}
	}
	return int(clamp(1.1*n+20, 40, horizon))
}

// left is how much profile time is left to the end of the last hold, s.
func left(w *Work) float64 {
	end := w.Plan.Total()
	if cool, ok := w.Plan.CoolSegment(); ok && cool > 0 {
		end = w.Plan.HoldEnd(cool - 1)
	}
	return math.Max(0, (end - w.Profile).Seconds())
}

// target lays out what the balls should do from now on, a value per second of profile time, and where segments end in
// it. Where profile time stands still it does so for the joint to catch up or the part to be lifted, which the plan
// cannot know the end of: the target stands too. Heat ends where cooling begins, so the last target before it is held.
func target(w *Work) (out, breaks []float64) {
	cool, hasCool := w.Plan.CoolSegment()
	last := float64(w.Plan.At(w.Profile).Target)
	segment := w.Plan.At(w.Profile).Segment
	for i := range horizon {
		pt := w.Plan.At(w.Profile + time.Duration(i)*time.Second)
		heating := !(hasCool && pt.Segment >= cool) && pt.Slope > -0.01
		if !w.Still && heating {
			last = float64(pt.Target)
			if pt.Segment != segment {
				segment, breaks = pt.Segment, append(breaks, float64(i))
			}
		}
		out = append(out, last)
	}
	if !w.Still {
		// The last segment counts up to where its hold begins; a hold is not stretched.
		if hold := (w.Plan.HoldBegin(segment) - w.Profile).Seconds(); hold > 1 && (len(breaks) == 0 || hold > breaks[len(breaks)-1]) {
			breaks = append(breaks, hold)
		}
	}
	return out, breaks
}

// spent is how long the joint has been above 25 °C, s: the run's samples are a second apart.
func (l *Law) spent() float64 {
	for k := range l.rec.track.Samples {
		s := &l.rec.track.Samples[k]
		if s.Has&model.HasJoint != 0 && s.Joint < 25 || s.Has&model.HasJoint == 0 && s.Has&model.HasBody != 0 && s.Body < 25 {
			continue
		}
		return float64(len(l.rec.track.Samples) - k)
	}
	return 0
}

// board is what the plan keeps the board to; 0 for nothing.
func (c *Config) board() float64 { return math.Max(0, float64(c.Board)-boardRoom) }

// boardRoom is how far below its ceiling a plan keeps the board, °C: the model knows the board near the part only.
const boardRoom = 10

// WindowOf is what a forecast is judged by: the joint's peak and the time to it from the alloy, time above liquidus, and the ceilings of
// part and board.
func WindowOf(p process.Profile, board unit.Celsius) forecast.Window {
	low, high := process.JointPeak(p.Alloy)
	w := forecast.Window{Liquidus: float64(p.Alloy.Liquidus), PeakMin: float64(low), PeakMax: float64(high),
		AboveMax: 150, Board: float64(board)} // 150 s: J-STD-020, looked up in a secondary copy
	if limit, ok := p.Body(); ok {
		w.Body = float64(limit)
	}
	for _, l := range p.Window().Limits {
		if l.Measure == process.MToPeak && l.Max != nil && !l.Advisory {
			w.ToPeak = *l.Max
		}
	}
	return w
}
