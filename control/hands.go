package control

import (
	"math"
	"time"
)

// hands is what the laws of this package have in common besides their own idea: the filtered joint, a loop per heater,
// the fans, and relays under the budget. It borrows them from the cascade, so that laws that are compared differ in
// nothing else.
type hands struct{ Law }

// take starts a step: it clears the outputs, follows the joint, and returns the seconds since the last step, 0 for the
// first and wherever time does not move.
func (h *hands) take(now time.Duration, in *Inputs, out *Outputs) float64 {
	dt := (now - h.last).Seconds()
	if !h.running || !(dt > 0) || dt > 1 {
		dt = 0
	}
	h.last, h.running = now, true
	*out = Outputs{}
	if y, ok := in.Joint.Temp(); ok {
		if !h.hasY {
			h.joint, h.hasY = float64(y), true
		}
		h.joint += dt / (h.cfg.Tuning.Filter + dt) * (float64(y) - h.joint)
	}
	return dt
}

// idle is a step without heat: the fans while cooling is wanted, nothing otherwise.
func (h *hands) idle(dt float64, in *Inputs, out *Outputs) {
	if in.Cool && in.Plan != nil {
		h.cool(dt, in, out)
		return
	}
	h.rest()
}

// hold brings every heater to its set-point in out.Set, each moving by rate in K/s, and reports whether all are at their
// upper (+1) or all at their lower limit (−1).
func (h *hands) hold(dt float64, rate *[MaxZones]float64, in *Inputs, out *Outputs) int {
	sides := 0
	for i := range h.cfg.Zones {
		z := &h.cfg.Zones[i]
		out.Set[i] = max(h.cfg.Ambient, min(out.Set[i], z.Ceiling))
		duty, side := h.drive(i, dt, out.Set[i], rate[i], in)
		out.Duty[i] = duty
		sides += side
	}
	switch sides {
	case len(h.cfg.Zones):
		return 1
	case -len(h.cfg.Zones):
		return -1
	}
	return 0
}

// back is by how much top air must stay back, in K, for the package top to keep to its soft limit.
func (h *hands) back(in *Inputs) float64 {
	b, ok := in.Body.Temp()
	if !ok || in.BodyTop <= 0 {
		return 0
	}
	return math.Max(0, h.cfg.Tuning.BodyBack*float64(b-in.BodyTop))
}

// give ends a step: duties that are no number are refused, the budget is kept, relays are chosen.
func (h *hands) give(in *Inputs, out *Outputs) {
	for i := range h.cfg.Zones {
		if d := out.Duty[i]; !(d >= 0 && d <= 1) {
			out.Bad, out.Duty[i] = true, 0
		}
		if in.Keep {
			out.Duty[i] = math.Min(out.Duty[i], h.kept[i])
		}
	}
	out.Short = fit(h.cfg.Zones, &out.Duty, h.mean)
	h.kept = out.Duty
	out.On = h.share.decide(h.cfg.Zones, &out.Duty, float64(h.cfg.Budget), in.Allowed)
}
