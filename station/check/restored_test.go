package check

import (
	"fmt"
	"testing"

	"trivet/safety"
	"trivet/station"
)

// TestTripsFromBeforeTheRestartKeepThePromises: a process that begins with one or two trips latched must be as safe as any, and not be a
// trap: the probe of each state asks for a way back to idle.
func TestTripsFromBeforeTheRestartKeepThePromises(t *testing.T) {
	for _, owed := range [][]safety.Owed{
		{{Code: "limiter", Subject: "limiter"}},
		{{Code: "over_ceiling", Subject: "joint"}},
		{{Code: "relay_stuck", Subject: "air"}, {Code: "contactor_welded"}},
		{{Code: "a row of another version", Subject: "joint"}},
	} {
		t.Run(fmt.Sprint(owed[0].Code), func(t *testing.T) {
			report(t, must[*Whole](t)(NewWhole(Config{Faults: 1, Owed: owed})), Options{Depth: depth(3), States: 200 * depth(3)})
		})
	}
}

// Nothing but a reset by its name opens the way to a start, whatever else is done first.
func TestATripFromBeforeTheRestartRefusesEveryStartUntilItIsReset(t *testing.T) {
	w := must[*Whole](t)(NewWhole(Config{Faults: 1, Owed: []safety.Owed{{Code: "limiter", Subject: "limiter"}}}))
	index := map[string]int{}
	for i, n := range w.Moves() {
		index[n] = i
	}
	do := func(names ...string) {
		t.Helper()
		for _, n := range names {
			if p := w.Do(index[n]); p != "" {
				t.Fatalf("%q breaks %q", names, p)
			}
		}
	}
	for _, first := range [][]string{{"start"}, {"wait 12 s", "start"}, {"acknowledge", "start"}, {"reset another", "start"}, {"limiter opens", "limiter closed", "reset", "start"}, {"stop", "start"}} {
		w.Reset()
		do(first...)
		if w.last.State != station.Idle && w.last.State != station.Aborted && w.last.State != station.Stopped || !w.look().tripped {
			t.Errorf("after %q: %s, tripped %v", first, w.last.State, w.look().tripped)
		}
	}
	w.Reset()
	do("wait 2.5 s", "reset", "start", "wait 2.5 s")
	if !w.last.State.Heats() {
		t.Errorf("after a reset by its name: %s (%s)", w.last.State, w.code)
	}
}
