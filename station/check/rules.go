package check

import (
	"time"

	"trivet/safety"
	"trivet/station"
)

// view is one tick as a property sees it: before, after, what was said, and the account of the past.
type view struct {
	w       *Whole
	s       *spec
	was, is *look
	said    *said
}

// Property is one promise about every tick of every run, with the invariants of the safety list it stands for.
type Property struct {
	Name  string
	holds func(v *view) bool
}

// Properties lists what is asked in every tick of the whole machine.
func Properties() []Property { return append(heatRules(), append(tripRules(), orderRules()...)...) }

// implies is "if a then b".
func implies(a, b bool) bool { return !a || b }

// heatRules say when there may be heat.
func heatRules() []Property {
	return []Property{
		{"I-1 heat only in a state and phase that heats", func(v *view) bool {
			return implies(v.is.heat, v.is.state.Heats() && v.is.phase != station.PhaseAir && v.is.phase != station.PhaseCool && v.is.phase != station.PhaseRunOn)
		}},
		{"I-1 no heat in a tick that sees the emergency stop pressed", func(v *view) bool { return implies(v.w.world.opened[estop], !v.is.heat) }},
		{"I-1 no heat in a tick that sees the door open", func(v *view) bool { return implies(v.w.world.opened[door], !v.is.heat) }},
		{"I-1 no heat in a tick that sees the limiter open", func(v *view) bool { return implies(v.w.world.opened[limiter], !v.is.heat) }},
		{"I-01 no heat when extraction has been missing for as long as it may", func(v *view) bool { return implies(v.s.missing && v.s.extract >= extractionHold, !v.is.heat) }},
		{"I-2 only what the law wants and the guard allows is on", func(v *view) bool {
			want := safety.Mask(v.w.lines.asked)
			if v.w.lines.testing {
				want = v.w.lines.test
			}
			return v.w.world.broken || v.w.lines.relays()&^(want&v.w.lines.verdict.Allow) == 0
		}},
		{"I-3 heat only in a run that somebody started in this process", func(v *view) bool { return implies(v.is.heat, v.s.licence || v.said.yes[aStart]) }},
		{"I-3 a state that heats is entered by a start alone", func(v *view) bool { return implies(v.is.state.Heats() && !v.was.state.Heats(), v.said.yes[aStart]) }},
		{"I-10 the air heater is on only with a second of air that is commanded and reported", func(v *view) bool {
			return implies(v.is.relay[0] && !v.w.world.broken && !v.w.lines.testing, v.s.flows && v.s.airFor >= time.Second && v.is.blower)
		}},
		{"I-10 the blower runs on for a minute after heat, trip or not", func(v *view) bool {
			return implies(v.was.blower && !v.is.blower && v.s.hot, v.s.coolFor >= time.Minute)
		}},
		{"I-10 the blower stops only when the nozzle is known to be cool, or after ten minutes", func(v *view) bool {
			return implies(v.was.blower && !v.is.blower && v.s.hot, v.s.valid[nozzle] || v.s.coolFor >= 10*time.Minute)
		}},
		{"I-12 no heat when a sensor has been lost for its time", func(v *view) bool { return implies(v.lost(), !v.is.heat) }},
		{"I-12 the law is told to keep from the first bad sample", func(v *view) bool { return implies(v.w.lines.armed && v.w.lines.heatIn && v.blind(), v.w.lines.kept) }},
		{"I-01 the law is told to keep while extraction is missing", func(v *view) bool {
			return implies(v.w.lines.armed && v.w.lines.heatIn && v.w.world.opened[extract], v.w.lines.kept)
		}},
		{"I-15 a ceiling takes its heaters in the same tick", func(v *view) bool {
			board := v.s.over[joint] > 0 || v.s.over[top] > 0
			return implies(board, !v.is.heat) && implies(v.s.over[nozzle] > 0, !v.is.relay[0] || v.w.world.broken)
		}},
		{"I-13 a sample that heat can explain is not thrown away", func(v *view) bool {
			for i := range nSensors {
				if k := v.w.world.sensor[i]; (k == good || k == atCeiling) && v.s.calm[i] >= 60 && !v.w.last.Sensors[i].Usable() {
					return false
				}
			}
			return true
		}},
		{"I-9 a duty that is no number is off", func(v *view) bool {
			return implies(v.is.want >= wantBad && !v.w.lines.testing, !v.is.heat)
		}},
		{"I-7 a tick that is late drives nothing", func(v *view) bool {
			return implies(v.said.late > safety.MaxLate && v.w.lines.armed, !v.is.heat && v.w.lines.edges == 0)
		}},
		{"I-8 no run heats for longer than any may", func(v *view) bool { return implies(v.is.heat, v.s.heatFor <= maxRun+v.w.period) }},
		{"the start-up test has one relay on at most, and no other heat", func(v *view) bool {
			return implies(v.w.lines.testing, !(v.is.relay[0] && v.is.relay[1]))
		}},
	}
}

// lost reports whether some sensor has given nothing for as long as it may.
func (v *view) lost() bool {
	for i := range nSensors {
		if !v.s.valid[i] && v.s.age[i] >= lostAfter {
			return true
		}
	}
	return false
}

// blind reports whether some sensor has given nothing in this tick.
func (v *view) blind() bool {
	for i := range nSensors {
		if !v.s.valid[i] {
			return true
		}
	}
	return false
}

// orderRules say what commands do, and what only commands can do.
func orderRules() []Property {
	return []Property{
		{"I-23 stop ends heat in its own tick, in every state", func(v *view) bool {
			return implies(v.said.stop || v.said.asked[aStop], !v.is.heat && !v.is.enable && !v.is.state.Heats())
		}},
		{"I-23 stop is never refused", func(v *view) bool { return implies(v.said.asked[aStop], v.said.yes[aStop]) }},
		{"I-23 StopNow has switched off when it returns", func(v *view) bool { return implies(v.said.stop, v.said.off) }},
		{"a hold is ended by a restart alone", func(v *view) bool {
			held := v.was.state == station.Held || v.was.state == station.Holding
			return implies(held && (v.is.state == station.Running || v.is.state == station.Restarting), v.said.yes[aRestart])
		}},
		{"a run is held by a command alone", func(v *view) bool {
			return implies(v.is.state == station.Holding, v.said.yes[aHold] || v.was.state == station.Holding)
		}},
		{"I-3 a start is refused while a contact is open", func(v *view) bool { return implies(v.said.yes[aStart], v.w.world.opened == [nInterlocks]bool{}) }},
		{"I-3 a start is refused while a sensor does not read", func(v *view) bool { return implies(v.said.yes[aStart], !v.blind()) }},
		{"I-3 a start is refused while a trip is latched", func(v *view) bool { return implies(v.said.yes[aStart], !v.was.tripped || v.said.yes[aReset]) }},
		{"a start is refused while the record cannot be kept", func(v *view) bool { return implies(v.said.yes[aStart], !v.w.world.dumb) }},
		{"a start is refused while a run is live", func(v *view) bool { return implies(v.said.yes[aStart], !v.was.state.Live()) }},
		{"I-7 at most one heartbeat edge in a tick, and none before the guard was asked", func(v *view) bool { return v.w.lines.edges <= 1 && v.w.lines.early == 0 }},
		{"I-7 the guard is asked once in every tick", func(v *view) bool { return v.w.lines.judged == 1 }},
		{"I-7 a heartbeat edge only in a tick of heat or test that was on time and safe", func(v *view) bool {
			return implies(v.w.lines.edges > 0, v.is.enable && !v.is.tripped && v.said.late <= safety.MaxLate && !v.said.still && v.is.state.Heats())
		}},
		{"I-8 heat-enable only in a run that heats or tests its layers", func(v *view) bool {
			heats := v.is.state.Heats() && v.is.phase != station.PhaseAir && v.is.phase != station.PhaseCool && v.is.phase != station.PhaseRunOn
			return implies(v.is.enable, heats || v.w.lines.testing)
		}},
		{"I-8 no heat-enable in a tick that sees a contact open", func(v *view) bool {
			o := &v.w.world.opened
			return implies(o[estop] || o[door] || o[limiter], !v.is.enable || v.w.lines.testing && !o[limiter])
		}},
		{"I-8 a relay that should work is on only with heat-enable", func(v *view) bool { return implies(v.is.heat && !v.w.lines.testing, v.is.enable) }},
		{"a relay that does not take its command ends heat and heat-enable in the same tick", func(v *view) bool {
			return implies(v.w.world.broken, !v.is.relay[1] && !v.is.enable)
		}},
		{"the keeper is told what is really on", func(v *view) bool { return v.w.world.broken || v.w.lines.on == v.w.lines.relays() }},
	}
}
