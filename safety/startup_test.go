package safety

import (
	"math/rand/v2"
	"testing"
	"time"
)

// wiring is contactor, one-shot, relays and senses in a few lines, with what can be wrong with them.
type wiring struct {
	bypassed, deadCoil, holds bool
	stuck, dead               Mask
	crossed                   bool // relays 0 and 1 switch each other's load
	err                       float64

	closed bool
	beat   time.Duration // since the last edge
	rng    *rand.Rand
}

func (w *wiring) step(out StartOut) StartIn {
	if w.beat += tick; out.Enable && out.Beat {
		w.beat = 0
	}
	w.closed = out.Enable && (w.beat <= 400*time.Millisecond || w.holds) && !w.deadCoil
	on := (out.Relays | w.stuck) &^ w.dead
	if !w.closed && !w.bypassed {
		on = 0
	}
	if w.crossed {
		on = on&^3 | on&1<<1 | on>>1&1
	}
	for h := range MaxHeaters {
		if w.rng != nil && w.rng.Float64() < w.err {
			on ^= 1 << h
		}
	}
	return StartIn{Mirror: w.closed, Sensed: on}
}

// prove runs the sequence on w and returns its last answer, how long it took, and how many heaters had mains at once at most.
func prove(l *Limits, w *wiring) (StartOut, time.Duration) {
	var s Startup
	s.Begin(l)
	w.beat = time.Hour
	in := w.step(StartOut{})
	for now := time.Duration(0); now < time.Minute; now += tick {
		out := s.Step(now, in)
		if out.Done || out.Found != FoundNothing {
			return out, now
		}
		in = w.step(out)
	}
	return StartOut{}, time.Minute
}

func startLimits(heaters int) *Limits {
	l := &Limits{NHeaters: heaters, Mirror: true, StartTest: true}
	for h := range heaters {
		l.Heaters[h].Sense = true
	}
	return l
}

func TestTheStartUpSequenceProvesASoundMachineInFiveSeconds(t *testing.T) {
	for _, n := range []int{1, 2, 5, MaxHeaters} {
		out, took := prove(startLimits(n), &wiring{})
		if !out.Done || took > 5*time.Second {
			t.Errorf("%d heaters: done %v, found %d, after %v", n, out.Done, out.Found, took)
		}
	}
}

func TestTheStartUpSequenceNamesEachBrokenLayer(t *testing.T) {
	for _, c := range []struct {
		story string
		w     wiring
		want  Finding
		at    int
	}{
		{"contactor bridged and a relay stuck", wiring{bypassed: true, stuck: 2}, FoundBypass, 1},
		{"contactor bridged, relays sound", wiring{bypassed: true}, FoundBypass, 0},
		{"contactor does not close", wiring{deadCoil: true}, FoundNoContact, 0},
		{"a relay stuck on", wiring{stuck: 4}, FoundStuck, 2},
		{"the one-shot does not time out", wiring{holds: true}, FoundOneShot, 0},
		{"a relay that never conducts", wiring{dead: 8}, FoundDead, 3},
		{"two loads exchanged", wiring{crossed: true}, FoundCrossed, 0},
	} {
		out, took := prove(startLimits(5), &c.w)
		if out.Found != c.want || out.At != c.at {
			t.Errorf("%s: found %d at heater %d, want %d at %d", c.story, out.Found, out.At, c.want, c.at)
		}
		if took > 5*time.Second || out.Relays != 0 || out.Enable {
			t.Errorf("%s: after %v it still wants %b, enable %v", c.story, took, out.Relays, out.Enable)
		}
	}
}

// TestNoRelayIsOnBesideAnotherInTheStartUpSequence, and none while a layer before it is unproven.
func TestNoRelayIsOnBesideAnotherInTheStartUpSequence(t *testing.T) {
	var s Startup
	s.Begin(startLimits(5))
	w := wiring{beat: time.Hour}
	in := StartIn{}
	for now := time.Duration(0); now < 10*time.Second; now += tick {
		out := s.Step(now, in)
		if out.Relays&(out.Relays-1) != 0 {
			t.Fatalf("step %d wants %b at once", out.Step, out.Relays)
		}
		if out.Relays != 0 && out.Enable && out.Step < 5 {
			t.Fatalf("step %d gives mains to %b", out.Step, out.Relays)
		}
		if out.Done {
			return
		}
		in = w.step(out)
	}
	t.Error("never done")
}

// TestErringSensesRefuseNoSoundMachine: one look in a thousand is wrong; not one of 20000 starts may be refused.
func TestErringSensesRefuseNoSoundMachine(t *testing.T) {
	l, rng := startLimits(5), rand.New(rand.NewPCG(3, 4))
	slowest := time.Duration(0)
	starts := atLength(20000)
	for range starts {
		out, took := prove(l, &wiring{err: 1e-3, rng: rng})
		if slowest = max(slowest, took); !out.Done {
			t.Fatalf("found %d at heater %d", out.Found, out.At)
		}
	}
	t.Logf("slowest of %d starts: %v", starts, slowest)
}

func TestAMachineThatCanShowNothingIsNotAskedTo(t *testing.T) {
	l := &Limits{NHeaters: 2, StartTest: true}
	if l.CanProve() {
		t.Error("a machine without mirror and senses has nothing to prove")
	}
	l.Mirror = true
	if out, _ := prove(l, &wiring{}); !out.Done {
		t.Errorf("with a mirror alone: found %d", out.Found)
	}
	if out, _ := prove(l, &wiring{holds: true}); out.Found != FoundOneShot {
		t.Errorf("with a mirror alone the one-shot: found %d", out.Found)
	}
}
