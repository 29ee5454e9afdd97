package process

import (
	"fmt"
	"time"

	"trivet/process/unit"
)

// bodyAboveJoint is how much hotter than the joint a body under a hot-air head usually is, at least.
// Common practice, no source: 10–20 °C.
const bodyAboveJoint unit.Kelvin = 10

// Warnings returns what is unwise in a valid profile, one sentence each, worst first; none is a good sign.
// A profile with warnings may be run: they are for the person who decides.
func (p Profile) Warnings() []string {
	if len(p.Segments) == 0 {
		return nil
	}
	var w []string
	say := func(format string, a ...any) { w = append(w, fmt.Sprintf(format, a...)) }
	peak := p.Peak()
	// For a large lead-free part this is the rule and not the exception: its body is rated 245 °C, and practitioners
	// take the joint to 240 °C and more. It cannot be solved by refusing the profile, only by telling.
	switch limit, ok := p.Body(); {
	case !ok:
		say("No body limit is given, so nothing in this profile protects the part's body; take it from the part's label or its size.")
	case limit < peak:
		say("The body limit %.0f °C is below the joint's peak of %.0f °C: with heat from above the body cannot stay under it.", limit, peak)
	case limit < peak.Plus(bodyAboveJoint):
		say("The body limit %.0f °C leaves %.0f °C above the joint's peak; a body heated from above is usually 10–20 °C hotter than its joints.", limit, peak.Sub(limit)*-1)
	}
	if p.Kind == Removal && !p.lifts() {
		say("No segment awaits the lift, so the run will cool without asking for the part.")
	}
	// The same ceilings as in the window, so that a run is not started that its own verdict must fail.
	before := nominalStart
	for _, s := range p.Segments {
		switch rising := s.Target > before; {
		case rising && s.Ramp > 3:
			say("%s: ramp up %.2g °C/s is above the 3 °C/s that parts are classified for (J-STD-020).", s.Name, s.Ramp)
		case rising && s.Ramp > 2:
			say("%s: ramp up %.2g °C/s is above 2 °C/s, the usual ceiling for ceramic capacitors on the board.", s.Name, s.Ramp)
		case !rising && s.Target < before && s.Ramp > 3:
			say("%s: ramp down %.2g °C/s is above the usual 1–3 °C/s.", s.Name, s.Ramp)
		}
		before = s.Target
	}
	return append(w, p.timeWarnings()...)
}

// lifts reports whether any segment awaits the lift.
func (p Profile) lifts() bool {
	for _, s := range p.Segments {
		if s.Lift {
			return true
		}
	}
	return false
}

// timeWarnings plans the profile from a cold board and compares its times with the window, advice included: while
// nothing is hot yet, advice costs nothing. Waits make the real run longer, never shorter.
func (p Profile) timeWarnings() []string {
	plan, err := NewPlan(p, nominalStart)
	if err != nil {
		return nil // NewProfile says it better
	}
	// Whole seconds are fine enough: these are plans, and the limits are tens of seconds.
	above, soakFrom, soakTo := time.Duration(0), time.Duration(-1), time.Duration(-1)
	window := p.Window()
	for t := time.Duration(0); t <= plan.Total(); t += time.Second {
		c := plan.At(t).Target
		if c > p.Alloy.Liquidus {
			above += time.Second
		}
		if soakFrom < 0 && c >= window.SoakFrom {
			soakFrom = t
		}
		if soakTo < 0 && c >= window.SoakTo {
			soakTo = t
		}
	}
	var w []string
	for _, l := range window.Limits {
		var v time.Duration
		switch l.Measure {
		case MAboveLiq:
			v = above
		case MToPeak:
			v = plan.PeakAt()
		case MSoak:
			v = soakTo - soakFrom
		default:
			continue // the ramps are told segment by segment, with their names
		}
		if l.Max != nil && v.Seconds() > *l.Max {
			w = append(w, fmt.Sprintf("%s: %.0f s planned, at most %.0f s (%s).", l.Name, v.Seconds(), *l.Max, l.Source))
		}
		if l.Min != nil && v.Seconds() < *l.Min {
			w = append(w, fmt.Sprintf("%s: %.0f s planned, at least %.0f s (%s).", l.Name, v.Seconds(), *l.Min, l.Source))
		}
	}
	return w
}
