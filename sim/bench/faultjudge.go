package bench

import (
	"fmt"
	"slices"

	"trivet/safety"
	"trivet/sim/fault"
	"trivet/station"
)

// judge compares what came with what the table says.
func (w *cell) judge() {
	r := &w.res
	bad := func(format string, a ...any) { r.Wrong = append(r.Wrong, fmt.Sprintf(format, a...)) }
	row, _, _, tripped := w.b.Keeper.FirstOut()
	if r.First == "" && tripped {
		r.First = safety.Rows()[row].Code
	}
	if w.want.Class == fault.Refused && w.begun > 0 {
		r.First = w.snap.Ended.Code
	}
	names := w.want.Names()
	switch w.want.Class {
	case fault.Refused:
		if w.begun > 0 && w.snap.State.Heats() {
			bad("the run goes on")
		}
		if !slices.Contains(names, r.First) {
			bad("ended with %q, expected %s", r.First, w.want.First)
		}
	case fault.Told:
		if tripped && w.c.Phase != fault.After && !slices.Contains(names, r.First) {
			bad("tripped on %s", r.First)
		}
		if len(names) > 0 && !slices.ContainsFunc(names, func(n string) bool { return w.seen[n] }) {
			bad("nobody was told %s; raised were %v", w.want.First, r.Alarms)
		}
	case fault.Bounded:
		if tripped && len(names) > 0 && !slices.Contains(names, r.First) {
			bad("first-out is %s, expected %s or none", r.First, w.want.First)
		}
	default:
		w.judgeTime(names, tripped, bad)
	}
	s, _ := w.want.Class.Seconds()
	if r.AboveC > storedHeat+s*fullSlope {
		bad("true %s was %.1f °C above its limit", r.Of, r.AboveC)
	}
}

func (w *cell) judgeTime(names []string, tripped bool, bad func(string, ...any)) {
	r := &w.res
	took := max(0, (w.lit - w.at).Seconds())
	if byTicks(w.c.Case.Fault.Kind) {
		took = min(took, float64(w.each[0].counts)*station.Period.Seconds())
	}
	if !tripped && byTicks(w.c.Case.Fault.Kind) && w.each[0].counts == 0 {
		r.First = "nothing to see"
		return // the relay was never in the state that could have shown it
	}
	if !tripped {
		bad("no trip; heat went on for %.1f s", took)
		return
	}
	r.ReactionS = &took
	if took > *r.AllowedS+1e-9 {
		bad("took %.1f s, allowed %.1f", took, *r.AllowedS)
	}
	if !slices.Contains(names, r.First) {
		bad("first-out is %s, expected %s", r.First, w.want.First)
	}
}

// SampleCells takes n cells evenly over the table: every case and phase in turn, each time on the next board and with another seed, round after
// round. With n zero it takes all as they are.
func SampleCells(cells []Cell, n int) []Cell {
	if n <= 0 {
		return cells
	}
	type key struct {
		id    string
		phase fault.Phase
	}
	by := map[key][]Cell{}
	var order []key
	for _, c := range cells {
		k := key{c.Case.ID, c.Phase}
		if by[k] == nil {
			order = append(order, k)
		}
		by[k] = append(by[k], c)
	}
	out := make([]Cell, 0, n)
	for round := 0; len(out) < n; round++ {
		take := min(len(order), n-len(out)) // the last round takes its cells evenly spread
		for k := range take {
			i := k * len(order) / take
			all := by[order[i]]
			c := all[(round+i)%len(all)]
			c.Seed += int64(1000*round + i)
			out = append(out, c)
		}
	}
	return out
}
