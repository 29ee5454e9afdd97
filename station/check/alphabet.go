package check

import (
	"time"

	"trivet/safety"
	"trivet/station"
)

// alphabet is every move there is: one thing of the world set to one value, one or two commands, or time passing. All of them end
// with at least one tick.
func alphabet() []act {
	list := []act{
		{name: "tick"},
		{name: "wait 1 s", ticks: 2},
		{name: "wait 2.5 s", ticks: 5},
		{name: "wait 12 s", ticks: 24},
		{name: "wait 4 min", ticks: 480},
		{name: "late by 300 ms", late: safety.MaxLate},
		{name: "late by 301 ms", late: safety.MaxLate + time.Millisecond},
		{name: "clock stands", still: true},
		{name: "loop hangs", silent: true},
		{name: "stop", stop: true},
		{name: "stop as a command", say: []station.Event{station.Stop}},
		{name: "start", say: []station.Event{station.Start}},
		{name: "hold", say: []station.Event{station.Hold}},
		{name: "restart", say: []station.Event{station.Restart}},
		{name: "lifted", say: []station.Event{station.Lifted}},
		{name: "acknowledge", say: []station.Event{station.Acknowledge}},
		{name: "reset", say: []station.Event{station.Reset}},
		{name: "reset another", say: []station.Event{station.Reset}, wrong: true},
		// Two people at once, in one tick.
		{name: "reset and start", say: []station.Event{station.Reset, station.Start}},
		{name: "stop and start", stop: true, say: []station.Event{station.Start}},
		{name: "hold and restart", say: []station.Event{station.Hold, station.Restart}},
		{name: "restart and hold", say: []station.Event{station.Restart, station.Hold}},
		{name: "start, door opens", say: []station.Event{station.Start}, set: func(w *world) { w.opened[door] = true }},
		{name: "reset, door opens", say: []station.Event{station.Reset}, set: func(w *world) { w.opened[door] = true }},
	}
	set := func(name string, f func(w *world)) { list = append(list, act{name: name, set: f}) }
	for i, n := range [...]string{"joint", "top", "nozzle"} {
		set(n+" sound", func(w *world) { w.sensor[i] = good })
		set(n+" at ceiling", func(w *world) { w.sensor[i] = atCeiling })
		set(n+" open", func(w *world) { w.sensor[i] = open })
	}
	set("joint repeats an old sample", func(w *world) { w.sensor[joint] = stuck })
	set("joint jumps", func(w *world) { w.sensor[joint] = jump })
	for i, n := range [...]string{"emergency stop", "door", "extraction", "limiter"} {
		set(n+" closed", func(w *world) { w.opened[i] = false })
		set(n+" opens", func(w *world) { w.opened[i] = true })
	}
	set("air proof honest", func(w *world) { w.air = normal })
	set("no air", func(w *world) { w.air = dead })
	set("air proof stuck", func(w *world) { w.air = closed })
	set("load sense honest", func(w *world) { w.sense = normal })
	set("load sense dead", func(w *world) { w.sense = dead })
	set("relay stuck on", func(w *world) { w.sense = closed })
	set("mirror honest", func(w *world) { w.mirror = normal })
	set("mirror dead", func(w *world) { w.mirror = dead })
	set("contactor welded", func(w *world) { w.mirror = closed })
	set("law wants all", func(w *world) { w.want = wantAll })
	set("law wants nothing", func(w *world) { w.want = wantNone })
	set("law says bad", func(w *world) { w.want = wantBad })
	set("law asks for no number", func(w *world) { w.want = wantNaN })
	set("relay line fails", func(w *world) { w.broken = true })
	set("relay line works", func(w *world) { w.broken = false })
	set("record fails", func(w *world) { w.dumb = true })
	set("record works", func(w *world) { w.dumb = false })
	return list
}

// Roots implements System: at rest, and one for each phase of a run that this alphabet can reach by healthy means.
func (w *Whole) Roots() [][]string {
	steps := [][]string{
		{},
		{"start"},                       // proving air, or the layers
		{"start", "tick"},               // about to heat
		{"start", "wait 2.5 s"},         // heating
		{"start", "wait 2.5 s", "hold"}, // holding
		{"start", "wait 2.5 s", "hold", "tick", "tick"},                                                       // held
		{"start", "wait 12 s", "wait 12 s", "wait 2.5 s", "wait 2.5 s"},                                       // lift window
		{"start", "wait 12 s", "wait 12 s", "wait 2.5 s", "wait 2.5 s", "lifted", "wait 2.5 s", "wait 2.5 s"}, // cooling
		{"start", "wait 12 s", "wait 12 s", "wait 2.5 s", "wait 2.5 s", "lifted", "wait 12 s", "wait 12 s"},   // complete
		{"start", "wait 2.5 s", "stop", "wait 2.5 s"},                                                         // stopped
		{"start", "wait 2.5 s", "door opens", "wait 2.5 s"},                                                   // aborted, the door still open
		{"start", "wait 2.5 s", "door opens", "wait 2.5 s", "door closed"},                                    // and closed
		{"start", "wait 2.5 s", "joint open", "wait 2.5 s", "joint sound"},                                    // a sensor was lost
		{"start", "wait 2.5 s", "joint at ceiling", "wait 2.5 s", "wait 2.5 s"},                               // over its ceiling
		{"start", "wait 2.5 s", "no air", "wait 2.5 s"},                                                       // air was lost
		{"start", "wait 2.5 s", "law says bad", "wait 2.5 s", "law wants all"},                                // the law went mad
		{"start", "wait 2.5 s", "emergency stop opens", "emergency stop closed"},                              // tripped a moment ago
		{"start", "wait 2.5 s", "wait 12 s", "stop", "wait 4 min", "tick"},                                    // long after a run
		{"start", "wait 2.5 s", "late by 301 ms", "wait 2.5 s", "acknowledge"},                                // late
		{"start", "wait 2.5 s", "contactor welded", "stop", "wait 2.5 s", "tick"},                             // welded
		{"start", "wait 12 s", "wait 12 s", "hold", "wait 4 min"},                                             // too long
		{"start", "wait 2.5 s", "extraction opens", "tick", "tick", "tick", "tick"},                           // no extraction
	}
	known := map[string]bool{}
	for _, n := range w.names {
		known[n] = true
	}
	var out [][]string
	for _, r := range steps {
		all := true
		for _, m := range r {
			all = all && known[m]
		}
		if all {
			out = append(out, r)
		}
	}
	return out
}

// Probe asks whether the state can be left (invariant I-25): everything put right, the run stopped, the trip reset by its name, and the
// machine must be idle and take a new start.
func (w *Whole) Probe() string {
	w.world = world{}
	steps := []act{{stop: true}, {ticks: 24}, {say: []station.Event{station.Acknowledge}}, {say: []station.Event{station.Reset}}, {}}
	for i := range steps {
		for range max(1, steps[i].ticks) {
			if p := w.tick(&steps[i]); p != "" {
				return p
			}
		}
	}
	if w.last.State != station.Idle {
		// Ended without a trip: a reset leads to idle from there, too.
		return "I-25 a way back: everything put right, stopped and reset, and yet not idle" + string(w.last.State) + w.last.Ended.Code + string(w.last.Phase)
	}
	if p := w.tick(&act{say: []station.Event{station.Start}}); p != "" {
		return p
	}
	if w.last.State != station.Running {
		return "I-25 a way back: idle and everything put right, and yet a start is refused: " + w.code
	}
	return ""
}
