package process

import (
	"fmt"
	"math"
	"time"

	"trivet/process/unit"
)

// Shape of a plan.
const (
	// easeIn is how long the target takes to reach its first ramp rate: no heater starts at full rate, and a jump in
	// the rate shows up as an error that nobody can remove.
	easeIn = 30.0 // s
	// kernelHalf is half the width of the smoothing kernel: corners are rounded over 12 s, about the time heat
	// needs from the heaters to the joint. A kernel that is symmetric moves nothing in time.
	kernelHalf = 6 // s
	// settled is how near its target the smoothed peak must be before its hold begins to count, on either side.
	// 0.3 °C is promised: both ends of a short hold may be missing this much at once, and straight lines between whole
	// seconds cut up to 0.13 °C off the steepest peak.
	settled = 0.08 // °C
)

// Point is a plan at one moment.
type Point struct {
	Target      unit.Celsius
	Slope       unit.KelvinPerSecond // how fast the target moves; 0 at and after the end
	Segment     int
	SegmentLeft time.Duration // profile time until the next segment begins
}

// Plan is a profile made followable: a target for every moment of profile time, from the temperature at which the
// board really is, without jumps in the target or its rate. It is never changed once made, and may be shared.
type Plan struct {
	profile Profile
	start   unit.Celsius
	target  []float64 // °C, one per second from 0
	slope   []float64 // °C/s, one per second from 0
	marks   []mark    // one per segment
	low     float64   // °C, corridor at the peak
	high    float64
}

// mark is where one segment lies in profile time.
type mark struct {
	rampEnd time.Duration // the corner where its ramp meets its target
	holdBeg time.Duration // target reached within settled; equal to rampEnd except at the peak
	holdEnd time.Duration
	end     time.Duration // the next segment begins
}

// corner is one corner of the plan before easing and smoothing: seconds and °C.
type corner struct{ at, c float64 }

// NewPlan makes the plan of p for a board whose joint is at start. It refuses a profile that NewProfile refuses, a
// start that is not a temperature, and a board that is hotter than the first target: it must cool first, because
// nothing in a heating segment can bring it down.
func NewPlan(p Profile, start unit.Celsius) (*Plan, error) {
	p, err := NewProfile(p)
	if err != nil {
		return nil, err
	}
	if first := p.Segments[0].Target; !(start >= -20 && start <= first) {
		return nil, fmt.Errorf("the joint is at %v; the plan can start between -20 °C and its first target of %v", start, first)
	}
	plan := &Plan{profile: p, start: start, marks: make([]mark, len(p.Segments))}
	low, high := JointPeak(p.Alloy)
	plan.low, plan.high = float64(low), float64(high)
	plan.tabulate(plan.corners())
	return plan, nil
}

// corners lays the ramps and holds end to end, fills in the marks, and returns the corners. The peak is held a few
// seconds longer than asked, because smoothing rounds its shoulders.
func (p *Plan) corners() []corner {
	peak := p.profile.Peak()
	segments := p.profile.Segments
	now, c := 0.0, float64(p.start)
	path := []corner{{now, c}}
	for i, s := range segments {
		target := float64(s.Target)
		now += math.Abs(target-c) / float64(s.Ramp)
		path = append(path, corner{now, target})
		in, out := 0.0, 0.0
		if s.Target == peak {
			if target != c {
				in = shoulder(s.Ramp)
			}
			if i+1 < len(segments) && segments[i+1].Target != s.Target {
				out = shoulder(segments[i+1].Ramp)
			}
		}
		m := mark{rampEnd: eased(now), holdBeg: eased(now + in), holdEnd: eased(now + in + s.Hold.Seconds())}
		now += in + s.Hold.Seconds() + out
		m.end = eased(now)
		p.marks[i] = m
		path = append(path, corner{now, target})
		c = target
	}
	return path
}

// shoulder returns how long after a corner the smoothed target stays further than settled from a flat hold.
// For a triangular kernel of half width h the shortfall τ after the corner is r(h−τ)³/6h², solved for τ.
func shoulder(r unit.KelvinPerSecond) float64 {
	return max(0, kernelHalf-math.Cbrt(settled*6*kernelHalf*kernelHalf/float64(r)))
}

// eased returns when, with easing, the plan is where it would be after s seconds without. Easing lets time itself
// start slowly: it grows as t²/2E over the first E seconds and runs E/2 behind from then on.
func eased(s float64) time.Duration {
	t := s + easeIn/2
	if s < easeIn/2 {
		t = math.Sqrt(2 * easeIn * max(0, s))
	}
	return time.Duration(math.Round(t * float64(time.Second)))
}

// uneased is the inverse of eased, in seconds.
func uneased(t float64) float64 {
	if t < easeIn {
		return t * max(0, t) / (2 * easeIn)
	}
	return t - easeIn/2
}

// tabulate fills in target and slope: the eased path once a second, averaged over the kernel.
func (p *Plan) tabulate(path []corner) {
	n := int(math.Ceil(p.marks[len(p.marks)-1].end.Seconds())) + kernelHalf + 1
	raw := make([]float64, n+2*kernelHalf+2) // raw[i] is at second i-kernelHalf-1
	k := 0
	for i := range raw {
		s := uneased(float64(i - kernelHalf - 1))
		for k+1 < len(path) && path[k+1].at < s {
			k++
		}
		raw[i] = along(path, k, s)
	}
	smooth := func(i int) float64 { // i counts seconds, from -1
		sum := 0.0
		for d := -kernelHalf; d <= kernelHalf; d++ {
			sum += float64(kernelHalf-max(d, -d)) * raw[i+d+kernelHalf+1]
		}
		return sum / (kernelHalf * kernelHalf)
	}
	p.target, p.slope = make([]float64, n), make([]float64, n)
	for i := range n {
		p.target[i] = smooth(i)
	}
	for i := range n - 1 {
		p.slope[i] = (p.target[i+1] - smooth(i-1)) / 2
	}
}

// along returns the path at s seconds, which lies after corner k and not after the one that follows it.
func along(path []corner, k int, s float64) float64 {
	if k+1 >= len(path) {
		return path[len(path)-1].c
	}
	a, b := path[k], path[k+1]
	if !(b.at > a.at) {
		return b.c
	}
	return a.c + (b.c-a.c)*min(1, max(0, (s-a.at)/(b.at-a.at)))
}

// At returns the plan at profile time t, from its first point before the start and its last after the end.
// It interpolates linearly, allocates nothing and may be called from several goroutines.
func (p *Plan) At(t time.Duration) Point {
	last := len(p.marks) - 1
	pt := Point{Segment: last}
	for i := range p.marks {
		if t < p.marks[i].end {
			pt.Segment = i
			break
		}
	}
	pt.SegmentLeft = max(0, p.marks[pt.Segment].end-max(0, t))
	switch {
	case t <= 0:
		pt.Target, pt.Slope = unit.Celsius(p.target[0]), unit.KelvinPerSecond(p.slope[0])
	case t >= p.Total():
		pt.Target = unit.Celsius(p.target[len(p.target)-1])
	default:
		i := int(t / time.Second)
		f := (t - time.Duration(i)*time.Second).Seconds()
		pt.Target = unit.Celsius(p.target[i] + f*(p.target[i+1]-p.target[i]))
		pt.Slope = unit.KelvinPerSecond(p.slope[i] + f*(p.slope[i+1]-p.slope[i]))
	}
	return pt
}

// Total returns how long the plan is: a few seconds more than its segments, so that the last corner is rounded too.
func (p *Plan) Total() time.Duration { return time.Duration(len(p.target)-1) * time.Second }

// Profile returns the profile the plan was made from. Its segments must not be changed.
func (p *Plan) Profile() Profile { return p.profile }

// Start returns the joint temperature the plan begins at.
func (p *Plan) Start() unit.Celsius { return p.start }

// PeakAt returns when the plan first is within 0.3 °C of its highest target.
func (p *Plan) PeakAt() time.Duration { return p.marks[p.profile.PeakSegment()].holdBeg }

// WaitAt returns when profile time must stop to wait for the joint in a segment, and whether it waits at all. It
// is once the corner has been rounded, or the end of the hold if that comes first. Whoever waits must also take
// the slope as 0 for as long as profile time stands still.
func (p *Plan) WaitAt(segment int) (time.Duration, bool) {
	if segment < 0 || segment >= len(p.marks) || p.profile.Segments[segment].WaitWithin <= 0 {
		return 0, false
	}
	m := p.marks[segment]
	return min(max(m.rampEnd+kernelHalf*time.Second, m.holdBeg), m.holdEnd), true
}

// HoldBegin returns when the hold of a segment begins to count; 0 for a segment there is not.
func (p *Plan) HoldBegin(segment int) time.Duration {
	if segment < 0 || segment >= len(p.marks) {
		return 0
	}
	return p.marks[segment].holdBeg
}

// HoldEnd returns when the hold of a segment ends; 0 for a segment there is not.
func (p *Plan) HoldEnd(segment int) time.Duration {
	if segment < 0 || segment >= len(p.marks) {
		return 0
	}
	return p.marks[segment].holdEnd
}

// LiftSegment returns in which segment the lift is awaited, and whether there is one.
func (p *Plan) LiftSegment() (int, bool) {
	return p.first(func(s Segment) bool { return s.Lift })
}

// CoolSegment returns which segment cools first, and whether one does.
func (p *Plan) CoolSegment() (int, bool) {
	return p.first(func(s Segment) bool { return s.Cool })
}

func (p *Plan) first(is func(Segment) bool) (int, bool) {
	for i, s := range p.profile.Segments {
		if is(s) {
			return i, true
		}
	}
	return 0, false
}

// Corridor returns between which temperatures the joint should be at profile time t. Below the liquidus it is the
// profile's tolerance on either side; from there to the peak it widens or narrows evenly into the process window
// of the alloy, which is what the peak is judged by. low ≤ target ≤ high always holds.
func (p *Plan) Corridor(t time.Duration) (low, high unit.Celsius) {
	target := p.At(t).Target
	below, above := float64(p.profile.Tolerance), float64(p.profile.Tolerance)
	liquidus, peak := p.profile.Alloy.Liquidus, p.profile.Peak()
	if target > liquidus {
		f := min(1, float64(target-liquidus)/float64(peak-liquidus))
		below += f * (max(0, float64(peak)-p.low) - below)
		above += f * (max(0, p.high-float64(peak)) - above)
	}
	return target.Plus(unit.Kelvin(-below)), target.Plus(unit.Kelvin(above))
}
