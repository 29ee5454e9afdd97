package control

// hands is what the laws of this package have in common besides their own idea: the filtered joint, a loop per heater,
// the fans, and relays under the budget. It borrows them from the cascade, so that laws that are compared differ in
// nothing else.
type hands struct{ Law }

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
