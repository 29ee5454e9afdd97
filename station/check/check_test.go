package check

import (
	"os"
	"strconv"
	"strings"
	"testing"
	"time"
)

// depth is what TRIVET_CHECK_DEPTH asks for, or a depth that takes seconds.
func depth(usual int) int {
	if n, err := strconv.Atoi(os.Getenv("TRIVET_CHECK_DEPTH")); err == nil && n > 0 {
		return n
	}
	return usual
}

// report prints what a search has seen and fails on every broken property.
func report(t *testing.T, sys System, o Options) Result {
	t.Helper()
	o.All = true
	if raced {
		o.States = 40
	}
	r, err := Search(sys, o)
	t.Log(r)
	for _, c := range r.Broken {
		t.Errorf("%s\n  after %q\n  then %q", c.Property, c.Root, c.Path)
	}
	if err != nil {
		t.Error(err)
	}
	return r
}

func must[T any](t *testing.T) func(v T, err error) T {
	return func(v T, err error) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

func TestTheGuardAloneHoldsAgainstAnyStationAndLaw(t *testing.T) {
	report(t, must[*GuardAlone](t)(NewGuardAlone()), Options{Depth: depth(2)})
}

func TestTheGateAloneHoldsAgainstAnyGuardAndLaw(t *testing.T) {
	report(t, must[*GateAlone](t)(NewGateAlone()), Options{Depth: depth(4)})
}

func TestTheKeeperAloneHoldsAgainstAnyLoop(t *testing.T) {
	if r := report(t, must[*KeeperAlone](t)(NewKeeperAlone()), Options{}); !r.Closed && !raced {
		t.Error("some states were not looked at")
	}
}

func TestTheWholeMachineKeepsItsPromisesWithOneFaultAndWithTwo(t *testing.T) {
	t.Logf("%d properties", len(Properties())+3) // and three that are not asked of a single tick
	for _, faults := range []int{1, 2} {
		report(t, must[*Whole](t)(NewWhole(Config{Faults: faults})), Options{Depth: depth(2)})
	}
}

func TestTheWholeMachineKeepsItsPromisesWithTheStartUpTest(t *testing.T) {
	report(t, must[*Whole](t)(NewWhole(Config{Faults: 1, Test: true})), Options{Depth: depth(2)})
}

// focus is a part of the alphabet in which a search gets deep.
func focus(words ...string) func(string) bool {
	words = append(words, "tick", "wait 2.5", "stop", "start", "hold", "restart", "reset")
	return func(name string) bool {
		for _, w := range words {
			if strings.HasPrefix(name, w) {
				return true
			}
		}
		return false
	}
}

func TestTheWholeMachineKeepsItsPromisesDeepDownInOneKindOfTrouble(t *testing.T) {
	for name, c := range map[string]struct {
		words  []string
		faults int
	}{
		"contacts": {[]string{"door", "emergency", "extraction", "limiter"}, 2}, "joint": {[]string{"joint"}, 1}, "other sensors": {[]string{"top", "nozzle"}, 2},
		"air": {[]string{"air", "no air"}, 1}, "loads": {[]string{"load", "relay", "mirror", "contactor"}, 2}, "law": {[]string{"law"}, 1}, "time": {[]string{"late", "clock", "loop"}, 1},
	} {
		t.Run(name, func(t *testing.T) {
			report(t, must[*Whole](t)(NewWhole(Config{Faults: c.faults, Only: focus(c.words...)})), Options{States: 1500 * depth(2), Depth: 40})
		})
	}
}

// What a search does not reach it cannot vouch for.
func TestTheSearchSeesEveryStateAndPhaseThatThisMachineHas(t *testing.T) {
	w := must[*Whole](t)(NewWhole(Config{Faults: 1}))
	index := map[string]int{}
	for i, n := range w.Moves() {
		index[n] = i
	}
	seen := map[string]bool{string(w.last.State): true}
	for _, r := range w.Roots() {
		w.Reset()
		for _, m := range r {
			if p := w.Do(index[m]); p != "" {
				t.Fatalf("%q breaks %q", r, p)
			}
			seen[string(w.last.State)], seen[string(w.last.Phase)] = true, true
		}
	}
	for _, want := range []string{"idle", "running", "held", "stopping", "stopped", "aborting", "aborted", "complete", "proving_air", "heating", "lift_window", "cooling", "run_on", "safe_to_touch"} {
		if !seen[want] {
			t.Errorf("no root leads through %q", want)
		}
	}
}

func TestEveryRuleOfTheKeyNamesAFieldThatThereIs(t *testing.T) {
	w := must[*Whole](t)(NewWhole(Config{Faults: 1}))
	for name := range guardPolicy().with(stationPolicy()).with(wholePolicy()) {
		if strings.HasPrefix(name, "Keeper.facts") || w.keyer.used[name] {
			continue
		}
		t.Errorf("the rule for %s is for nothing", name)
	}
}

// Walks at the real period of 0.1 s see the delays that are over within one coarse tick.
func TestRandomWalksAtTheRealPeriodKeepThePromises(t *testing.T) {
	w := must[*Whole](t)(NewWhole(Config{Faults: 2, Period: 100 * time.Millisecond}))
	seed, steps := uint64(1), 0
	walks := 400 * depth(2)
	if raced {
		walks = 20
	}
	for range walks {
		w.Reset()
		var path []string
		for range 60 {
			seed = seed*6364136223846793005 + 1442695040888963407
			m := int(seed >> 33 % uint64(len(w.acts)))
			if seed>>20&7 == 0 {
				m = 2 // let some time pass now and then
			}
			if w.acts[m].ticks > aLong || !w.Able(m) {
				continue
			}
			path = append(path, w.names[m])
			steps++
			if p := w.Do(m); p != "" {
				t.Fatalf("%s\n  after %q", p, path)
			}
		}
	}
	t.Logf("%d steps", steps)
}

func BenchmarkEdge(b *testing.B) {
	w, err := NewWhole(Config{Faults: 1})
	if err != nil {
		b.Fatal(err)
	}
	w.Save()
	for b.Loop() {
		w.Restore()
		w.Do(0)
		_ = w.Key()
	}
}
