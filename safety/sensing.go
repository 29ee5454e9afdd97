package safety

import "time"

// How far a joint may be from what is around it, in K. The part's top and the board beside it are heated by the same air and the same
// emitters; on the simulated boards the joint stayed inside these with room (see the fault-free campaign in sim/bench). No source.
const (
	aboveOthers   = 25.0 // above the hotter of package top and board
	belowOthers   = 25.0 // below the colder of the two
	offEstimate   = 12.0 // from what the law says it should read: three times the farthest of 64 healthy drawn boards (hazard S-05 asks for 20)
	poorestSupply = 0.85
	richestSupply = 1.10
)

// sound reports whether sensor i gives a reading that may be believed.
func (p *past) sound(f *Facts, i int) bool {
	return f.Readings[i].Usable() && !p.sensors[i].coldBad
}

// lostFor is how long sensor i has given nothing that may be believed, the age of the last sound sample included.
func (p *past) lostFor(f *Facts, i int) time.Duration {
	t := &p.sensors[i]
	if !f.Readings[i].Usable() {
		return t.badFor
	}
	return t.coldFor
}

// astray reports whether joint i reads what no ball under a part can have: it has come off, or sits elsewhere (hazard S-05).
func astray(l *Limits, f *Facts, _ *past, i int) bool {
	if l.Sensors[i].Role != RoleJoint || !needed(l, f, i) {
		return false
	}
	c, ok := f.Readings[i].Temp()
	if !ok {
		return false
	}
	x := float64(c)
	if e, known := f.Estimate.Temp(); known && onlyJoint(l, i) {
		if d := x - float64(e); !(d >= -offEstimate && d <= offEstimate) {
			return true
		}
	}
	low, high, n := 0.0, 0.0, 0
	for k := range l.NSensors {
		if r := l.Sensors[k].Role; r != RolePackageTop && r != RoleBoard {
			continue
		}
		o, ok := f.Readings[k].Temp()
		if !ok {
			return false // half of the surroundings prove nothing
		}
		v := float64(o)
		if n == 0 {
			low, high = v, v
		}
		low, high = min(low, v), max(high, v)
		n++
	}
	return n >= 2 && !(x >= low-belowOthers && x <= high+aboveOthers)
}

// onlyJoint reports whether i is the machine's only joint: of several the estimate stands for the coldest, and no one knows which that is
// when one of them reads nonsense.
func onlyJoint(l *Limits, i int) bool {
	for k := range l.NSensors {
		if k != i && l.Sensors[k].Role == RoleJoint {
			return false
		}
	}
	return true
}

// poorSupply reports a voltage outside what a run may be begun with (hazard C-01).
func poorSupply(f *Facts) bool {
	return !(f.Supply >= poorestSupply && f.Supply <= richestSupply)
}
