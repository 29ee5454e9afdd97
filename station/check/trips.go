package check

import (
	"time"

	"trivet/safety"
	"trivet/station"
)

// tripRules say what trips, what a trip does, and how it goes away.
func tripRules() []Property {
	return []Property{
		{"I-1 a trip takes heat, heat-enable, heartbeat and state in the same tick", func(v *view) bool {
			return implies(v.is.tripped, !v.is.heat && !v.is.enable && v.w.lines.edges == 0 && !v.is.state.Heats())
		}},
		{"a trip aborts a live run", func(v *view) bool {
			return implies(v.is.tripped && v.was.state.Live() && !v.was.tripped, v.is.state == station.Aborting || v.is.state == station.Aborted)
		}},
		{"I-19 a trip stays until a reset is accepted", func(v *view) bool { return implies(v.was.tripped && !v.said.yes[aReset], v.is.tripped) }},
		{"I-20 the first cause is never overwritten", func(v *view) bool {
			return implies(v.was.tripped && !v.said.yes[aReset], v.is.row == v.was.row && v.is.sub == v.was.sub && v.is.id == v.was.id)
		}},
		{"I-20 every trip has a number of its own", func(v *view) bool { return implies(v.is.tripped && !v.was.tripped, v.is.id > v.s.lastID) }},
		{"I-19 a reset names the present trip", func(v *view) bool { return implies(v.was.tripped && v.said.yes[aReset], !v.said.wrong) }},
		{"I-19 a reset waits until the run is at rest", func(v *view) bool { return implies(v.said.yes[aReset], !v.was.state.Live()) }},
		{"I-19 a reset energises nothing", func(v *view) bool {
			return implies(v.said.asked[aReset] && (v.was.tripped || v.said.yes[aReset]), !v.is.heat && (!v.is.enable && !v.is.state.Heats() || v.said.yes[aStart]))
		}},
		{"I-15 two samples in a row at a ceiling trip", func(v *view) bool {
			for i := range nSensors {
				if v.s.over[i] >= 2 && !v.is.tripped {
					return false
				}
			}
			return true
		}},
		{"a door or emergency stop opened in heat trips in the same tick", func(v *view) bool {
			return implies(v.w.lines.armed && (v.w.world.opened[door] || v.w.world.opened[estop]), v.is.tripped)
		}},
		{"a limiter trips at rest, too", func(v *view) bool { return implies(v.w.world.opened[limiter], v.is.tripped) }},
		{"I-01 extraction missing for as long as it may trips", func(v *view) bool { return implies(v.s.missing && v.s.extract >= extractionHold, v.is.tripped) }},
		{"I-12 a sensor lost in heat for its time trips", func(v *view) bool { return implies(v.w.lines.armed && v.lost(), v.is.tripped) }},
		{"R2 air lost in heat for a second trips", func(v *view) bool { return implies(v.s.noAir > time.Second, v.is.tripped) }},
		{"R1 a relay stuck on trips at the third look, at rest, too", func(v *view) bool { return implies(v.s.stuckN >= 3, v.is.tripped) }},
		{"a welded contactor trips after 0.8 s", func(v *view) bool { return implies(v.s.weld > 800*time.Millisecond+v.w.period, v.is.tripped) }},
		{"I-9 a duty that is no number trips in the next tick", func(v *view) bool {
			return implies(v.s.want >= wantBad, v.is.tripped)
		}},
		{"C-05 a late tick in heat trips", func(v *view) bool { return implies(v.said.late > safety.MaxLate && v.w.lines.armed, v.is.tripped) }},
		{"a clock that stands trips", func(v *view) bool { return implies(v.said.still, v.is.tripped) }},
		{"I-6 a loop that hangs loses heat-enable, and trips when it comes back", func(v *view) bool {
			return implies(v.said.silent, v.said.dark && implies(v.was.enable, v.is.tripped))
		}},
	}
}

// mayReset asks, before anything is brought up to date, whether a reset that was accepted came too early (invariant I-19): the guard knows the
// machine as it was in the tick before.
func (s *spec) mayReset(was *look, said *said) bool {
	if !was.tripped || !said.yes[aReset] {
		return true
	}
	for i, l := range s.latched {
		if l && s.gone[i] < time.Second {
			return false
		}
	}
	return true
}

const (
	tooEarly = "I-19 a reset is refused until every latched cause has been gone for a second"
	noMemory = "I-19 what is refused leaves no memory, and seeing an alarm clears none"
)

// after asks every property about the tick that has just been made, and returns the name of the first broken one.
func (s *spec) after(w *Whole, was *look, said *said) string {
	early := !s.mayReset(was, said)
	s.observe(w, was)
	is := w.look()
	v := view{w: w, s: s, was: was, is: &is, said: said}
	broken := ""
	if early {
		broken = tooEarly
	}
	for i := range w.rules {
		if broken == "" && !w.known[i] && !w.rules[i].holds(&v) {
			broken = w.rules[i].Name
		}
	}
	s.follow(w, was, said)
	return broken
}
