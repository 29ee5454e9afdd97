package rig

import (
	"fmt"
	"time"

	"trivet/sim/fault"
)

// What goes wrong with things that can be seen and touched: contactor, nozzle, board, part.

// slow makes the contactor's moves, both ways, take f.Value seconds.
func (r *Rig) slow(f fault.Fault, on bool) error {
	if !(f.Value > 0 && f.Value <= 60) {
		return fmt.Errorf("value is %g s; it must be above 0 and at most 60", f.Value)
	}
	r.moves = pullIn
	if on {
		r.moves = time.Duration(f.Value * float64(time.Second))
	}
	return nil
}

// gap lets the share f.Value of the jet's heat transfer arrive from head k. With it goes the excess temperature: half of what is lost in a
// wider gap is lost by mixing with the room's air (judgement).
func (r *Rig) gap(k int, f fault.Fault, on bool) error {
	if !(f.Value >= 0 && f.Value <= 3) {
		return fmt.Errorf("value is %g; it must be between 0 and 3", f.Value)
	}
	heat, gap := 1.0, 1.0
	if on {
		heat, gap = f.Value, min(0.5+0.5*f.Value, 1.1)
	}
	if k == 0 {
		r.bent.TopHeat, r.bent.TopGap = heat, gap
	} else {
		r.bent.BottomHeat, r.bent.BottomGap = heat, gap
	}
	r.Plant.Disturb(r.bent)
	return nil
}

// disarrange moves the top nozzle off the part's middle, or takes the part away, and back.
func (r *Rig) disarrange(f fault.Fault, on bool) error {
	if f.Kind == "part_lifted" {
		r.Plant.Lift(on)
		return nil
	}
	if !(f.Value > 0 && f.Value <= 100) {
		return fmt.Errorf("value is %g mm; it must be above 0 and at most 100", f.Value)
	}
	aside := 0.0
	if on {
		aside = f.Value
	}
	r.Plant.Aim(aside)
	return nil
}
