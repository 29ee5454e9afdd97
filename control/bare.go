package control

import (
	"time"

	"trivet/process/unit"
)

// Bare is the cascade without knowledge of the board: an outer PI on the joint moves the set-points of all heaters
// together, above and below the plan's own temperature, and an inner loop per heater holds them. There is no feed-forward
// from the plan, so every rise of the joint must first be earned by an error. It stands for comparison.
type Bare struct{ hands }

// NewBare returns a bare cascade at rest. Of the tuning it uses Kc, Ti, Filter, MaxTrim, AreaShare and BodyBack.
func NewBare(c Config) *Bare { return &Bare{hands{*New(c)}} }

// Step returns what to do from now until the next step.
func (b *Bare) Step(now time.Duration, in *Inputs, out *Outputs) {
	dt := b.take(now, in, out)
	if !in.Heat || in.Plan == nil {
		b.idle(dt, in, out)
		b.give(in, out)
		return
	}
	t := &b.cfg.Tuning
	target := in.Plan.At(in.Profile).Target
	if b.hasY {
		out.Trim = b.outer.Step(dt, float64(target)-b.joint, 0, -t.MaxTrim, t.MaxTrim, b.limited > 0, b.limited < 0)
	}
	for i := range b.cfg.Zones {
		out.Set[i] = b.level(i, target, out.Trim, in)
	}
	var still [MaxZones]float64
	b.limited = b.hold(dt, &still, in, out)
	b.give(in, out)
}

// level is the set-point of zone i for a trim of the outer loop.
func (b *Bare) level(i int, target unit.Celsius, trim float64, in *Inputs) unit.Celsius {
	switch b.cfg.Zones[i].Kind {
	case Area:
		trim *= b.cfg.Tuning.AreaShare
	case TopAir:
		trim -= b.back(in)
	}
	return target.Plus(unit.Kelvin(trim))
}

// Transfer makes the next heating step start from the duties that were last given.
func (b *Bare) Transfer(in *Inputs) {
	if in.Plan == nil {
		return
	}
	target := in.Plan.At(in.Profile).Target
	for i := range b.cfg.Zones {
		if y, ok := in.Heaters[i].Temp(); ok {
			b.inner[i].Bumpless(b.kept[i], float64(b.level(i, target, b.outer.Integral, in)-y), 0)
		}
	}
}
