package safety

import (
	"fmt"
	"strings"
	"testing"
	"time"
)

// trace runs the sequence against a machine and writes what it wants in each tick: step, relays, E for heat-enable, B for a heartbeat edge.
// Ticks in a row that want the same are counted.
func trace(l *Limits, w *wiring, spoil func(t int, in *StartIn)) string {
	var s Startup
	s.Begin(l)
	w.beat = time.Hour
	in := StartIn{}
	var out []string
	last, n := "", 0
	flush := func() {
		if n > 0 {
			out = append(out, fmt.Sprintf("%s×%d", last, n))
		}
	}
	for t := range 100 {
		if spoil != nil {
			spoil(t, &in)
		}
		o := s.Step(time.Hour+time.Duration(t)*tick, in)
		now := fmt.Sprintf("%d:%b", o.Step, o.Relays)
		if o.Enable {
			now += "E"
		}
		if o.Beat {
			now += "B"
		}
		if o.Done {
			now += " done"
		}
		if o.Found != FoundNothing {
			now += fmt.Sprintf(" found %d at %d", o.Found, o.At)
		}
		if now != last {
			flush()
			last, n = now, 0
		}
		n++
		if o.Done || o.Found != FoundNothing {
			break
		}
		in = w.step(o)
	}
	flush()
	return strings.Join(out, ", ")
}

// senses is a machine with three heaters of which the middle one has no load sense.
func senses(mirror bool) *Limits {
	l := startLimits(3)
	l.Heaters[1].Sense, l.Mirror = false, mirror
	return l
}

// TestTheStartUpSequenceIsTheOneThatWasDesigned tick by tick: 0.3 s of rest, each relay with a tick of rest after it, 0.3 s for the contactor
// to close, 0.7 s for it to open, 0.3 s again, each relay one tick.
func TestTheStartUpSequenceIsTheOneThatWasDesigned(t *testing.T) {
	noContact := func(l *Limits) func(int, *StartIn) { // where none is fitted, none says closed
		return func(_ int, in *StartIn) { in.Mirror = in.Mirror && l.Mirror }
	}
	for story, c := range map[string]struct {
		l    *Limits
		want string
	}{
		"mirror and senses": {senses(true), "1:0×3, 2:1×1, 2:0×1, 2:100×1, 2:0×1, 3:0EB×3, 4:0E×7, 5:0EB×3, 5:1EB×1, 5:100EB×1, 5:0 done×1"},
		"senses alone":      {senses(false), "1:0×3, 2:1×1, 2:0×1, 2:100×1, 2:0×1, 3:0EB×4, 5:0EB×2, 5:1EB×1, 5:100EB×1, 5:0 done×1"},
		"mirror alone":      {&Limits{NHeaters: 2, Mirror: true, StartTest: true}, "1:0×3, 3:0EB×3, 4:0E×7, 5:0EB×3, 5:0 done×1"},
	} {
		if got := trace(c.l, &wiring{}, noContact(c.l)); got != c.want {
			t.Errorf("%s:\n%s\nwant\n%s", story, got, c.want)
		}
	}
}

// Three looks in a row must agree; the machine stays as it is for them.
func TestAFindingTakesThreeLooksInARow(t *testing.T) {
	for _, c := range []struct {
		story string
		w     wiring
		want  string
	}{
		{"a bridge and a stuck relay", wiring{bypassed: true, stuck: 4}, "1:0×5, 1:0 found 1 at 2×1"},
		{"a bridge", wiring{bypassed: true}, "1:0×3, 2:1×3, 2:0 found 1 at 0×1"},
		{"a contactor that does not close", wiring{deadCoil: true}, "1:0×3, 2:1×1, 2:0×1, 2:100×1, 2:0×1, 3:0EB×5, 3:0 found 2 at 0×1"},
		{"a stuck relay", wiring{stuck: 4}, "1:0×3, 2:1×1, 2:0×1, 2:100×1, 2:0×1, 3:0EB×3, 3:0 found 3 at 2×1"},
		{"an unseen stuck relay", wiring{stuck: 2}, "1:0×3, 2:1×1, 2:0×1, 2:100×1, 2:0×1, 3:0EB×3, 4:0E×7, 5:0EB×3, 5:1EB×1, 5:100EB×1, 5:0 done×1"},
		{"a one-shot that holds", wiring{holds: true}, "1:0×3, 2:1×1, 2:0×1, 2:100×1, 2:0×1, 3:0EB×3, 4:0E×9, 4:0 found 4 at 0×1"},
		{"a dead relay", wiring{dead: 4}, "1:0×3, 2:1×1, 2:0×1, 2:100×1, 2:0×1, 3:0EB×3, 4:0E×7, 5:0EB×3, 5:1EB×1, 5:100EB×3, 5:0 found 5 at 2×1"},
	} {
		if got := trace(senses(true), &c.w, nil); got != c.want {
			t.Errorf("%s:\n%s\nwant\n%s", c.story, got, c.want)
		}
	}
	l := startLimits(3)
	if got, want := trace(l, &wiring{crossed: true}, nil), "found 6 at 0×1"; !strings.HasSuffix(got, want) {
		t.Errorf("crossed: %s", got)
	}
	if got, want := trace(l, &wiring{dead: 1, stuck: 2}, nil), "found 3 at 1×1"; !strings.HasSuffix(got, want) {
		t.Errorf("dead and stuck: %s", got)
	}
}

// A contact or a load that errs for one or two looks costs those looks and nothing else.
func TestOneOrTwoWrongLooksOnlyCostTime(t *testing.T) {
	sound := trace(senses(true), &wiring{}, nil)
	ticks := 26 // of the sound sequence, counted from 0
	if n := strings.Count(sound, ","); n == 0 {
		t.Fatal(sound)
	}
	for at := range ticks {
		for _, looks := range []int{1, 2, 3} {
			for name, wrong := range map[string]func(in *StartIn){
				"first load":  func(in *StartIn) { in.Sensed ^= 1 },
				"third load":  func(in *StartIn) { in.Sensed ^= 4 },
				"mirror":      func(in *StartIn) { in.Mirror = !in.Mirror },
				"unseen load": func(in *StartIn) { in.Sensed ^= 2 },
			} {
				got := trace(senses(true), &wiring{}, func(t int, in *StartIn) {
					if t >= at && t < at+looks {
						wrong(in)
					}
				})
				found := strings.Contains(got, "found")
				if name == "mirror" && at > 20 && got != sound { // once a relay has had its turn the loads tell, and nothing else
					t.Errorf("mirror wrong from tick %d on: %s", at, got)
				}
				if looks < 3 && found || name == "unseen load" && got != sound {
					t.Errorf("%s wrong for %d looks from tick %d on: %s", name, looks, at, got)
				}
			}
		}
	}
}

// Between two findings of different kinds, or with a clean look between, the count begins anew.
func TestLooksThatFindDifferentThingsDoNotAddUp(t *testing.T) {
	l := senses(true)
	var s Startup
	s.Begin(l)
	now := time.Duration(0)
	step := func(in StartIn) StartOut { now += tick; return s.Step(now, in) }
	for range 3 {
		step(StartIn{})
	}
	for k := range 20 { // two wrong looks, one clean
		if out := step(StartIn{Mirror: k%3 != 2}); out.Found != FoundNothing {
			t.Fatalf("after %d looks: found %d", k, out.Found)
		}
		if s.step > 2 {
			return
		}
	}
	t.Error("stuck before the contactor")
}

func TestABridgedContactorIsFoundWhateverTheLoadsSay(t *testing.T) {
	for at := range 7 { // through steps ① and ②
		got := trace(senses(true), &wiring{}, func(t int, in *StartIn) { in.Mirror = t >= at || in.Mirror })
		want := 6 // ticks: three looks, the first of them when the rest of ① is over
		if at > 3 {
			want = 9 // ② begins with a rest of its own
		}
		n := 0
		for _, part := range strings.Split(got, ", ") {
			var k int
			if _, err := fmt.Sscanf(part[strings.LastIndex(part, "×")+len("×"):], "%d", &k); err != nil {
				t.Fatal(err)
			}
			n += k
		}
		if !strings.HasSuffix(got, "found 1 at 0×1") || n != want {
			t.Errorf("mirror closed from tick %d on: %s", at, got)
		}
	}
	for in, at := range map[Mask]int{1: 0, 4: 2, 5: 0, 2: 0} {
		got := trace(senses(true), &wiring{}, func(_ int, i *StartIn) { i.Mirror, i.Sensed = true, in })
		if want := fmt.Sprintf("1:0×5, 1:0 found 1 at %d×1", at); got != want {
			t.Errorf("with %b sensed: %s", in, got)
		}
	}
}

func TestWhatIsOverStaysOver(t *testing.T) {
	for _, w := range []wiring{{}, {stuck: 1}} {
		l := senses(true)
		var s Startup
		s.Begin(l)
		w.beat = time.Hour
		in, over := StartIn{}, false
		for k := range 100 {
			out := s.Step(time.Duration(k)*tick, in)
			if over && (out.Relays != 0 || out.Enable || out.Beat || out.Found != FoundNothing || out.Done != (w.stuck == 0) || out.Step != 5) {
				t.Fatalf("afterwards: %+v", out)
			}
			over = over || out.Done || out.Found != FoundNothing
			in = w.step(out)
		}
		if !over {
			t.Error("never over")
		}
	}
}

func TestOnlyAMachineWithAMirrorOrASenseCanBeProven(t *testing.T) {
	for _, c := range []struct {
		l    Limits
		want bool
	}{
		{Limits{}, false}, {Limits{Mirror: true}, false}, {Limits{StartTest: true}, false}, {Limits{StartTest: true, Mirror: true}, true},
		{Limits{StartTest: true, NHeaters: 2, Heaters: [MaxHeaters]Heater{1: {Sense: true}}}, true},
		{Limits{StartTest: true, NHeaters: 1, Heaters: [MaxHeaters]Heater{1: {Sense: true}}}, false},
		{Limits{NHeaters: 2, Heaters: [MaxHeaters]Heater{1: {Sense: true}}}, false},
		{Limits{StartTest: true, NHeaters: 2, Heaters: [MaxHeaters]Heater{0: {Sense: true}}}, true},
		{Limits{StartTest: true, NHeaters: 2, Mirror: true}, true},
	} {
		if c.l.CanProve() != c.want {
			t.Errorf("%+v", c.l.Heaters[:2])
		}
	}
}

func TestBeforeTheFirstRelayNoneHasItsTurn(t *testing.T) {
	var s Startup
	s.Begin(senses(true))
	if s.present() != 0 {
		t.Errorf("%b", s.present())
	}
	if s.relay = 2; s.present() != 4 {
		t.Errorf("%b", s.present())
	}
}

// TestTheTimesOfTheSequenceAreThoseOfTheStudy: to the nanosecond, as a tick need not be 0.1 s.
func TestTheTimesOfTheSequenceAreThoseOfTheStudy(t *testing.T) {
	const ms = time.Millisecond
	var s Startup
	s.Begin(senses(true))
	at := func(now time.Duration, in StartIn, step int) {
		t.Helper()
		if out := s.Step(now, in); out.Step != step || out.Found != FoundNothing {
			t.Errorf("at %v: step %d, found %d; want step %d", now, out.Step, out.Found, step)
		}
	}
	at(0, StartIn{}, 1)
	at(300*ms-1, StartIn{}, 1)
	at(300*ms, StartIn{}, 2)
	for k := range 3 {
		at(301*ms+time.Duration(k), StartIn{}, 2)
	}
	at(400*ms, StartIn{}, 3) // the contactor is told to close
	at(700*ms-1, StartIn{Mirror: true}, 3)
	at(700*ms, StartIn{Mirror: true}, 4)
	at(1400*ms-1, StartIn{}, 4)
	at(1400*ms, StartIn{}, 5)
	if out := s.Step(1700*ms-1, StartIn{Mirror: true}); out.Relays != 0 {
		t.Errorf("a relay before the contactor can have closed: %b", out.Relays)
	}
	if out := s.Step(1700*ms, StartIn{Mirror: true}); out.Relays != 1 {
		t.Errorf("the first relay: %b", out.Relays)
	}
}

// What only shows when the contactor closes for the second time is found before a relay is switched.
func TestTheSecondClosingIsLookedAtLikeTheFirst(t *testing.T) {
	const second = 3 + 4 + 3 + 7 // the tick in which ⑤ begins
	for _, c := range []struct {
		wrong func(in *StartIn)
		want  string
	}{{func(in *StartIn) { in.Mirror = false }, "5:0EB×5, 5:0 found 2 at 0×1"}, {func(in *StartIn) { in.Sensed = 4 }, "5:0EB×5, 5:0 found 3 at 2×1"}} {
		got := trace(senses(true), &wiring{}, func(t int, in *StartIn) {
			if t > second {
				c.wrong(in)
			}
		})
		if want := "1:0×3, 2:1×1, 2:0×1, 2:100×1, 2:0×1, 3:0EB×3, 4:0E×7, " + c.want; got != want {
			t.Errorf("%s\nwant\n%s", got, want)
		}
	}
}

func TestLooksThatFindDifferentThingsInTurnDoNotAddUpEither(t *testing.T) {
	upTo := func(step int) (*Startup, time.Duration) {
		var s Startup
		s.Begin(senses(true))
		w, in := wiring{beat: time.Hour}, StartIn{}
		now := time.Duration(0)
		for ; now < time.Minute; now += tick {
			out := s.Step(now, in)
			if out.Step == step && (step != 5 || out.Relays != 0) {
				break
			}
			in = w.step(out)
		}
		return &s, now
	}
	s, now := upTo(3)
	for k := range 30 { // a load, no contactor, a load, …
		now += tick
		in := StartIn{}
		if k%2 == 0 {
			in.Sensed = 1
		}
		if out := s.Step(now, in); out.Found != FoundNothing {
			t.Fatalf("look %d found %d", k, out.Found)
		}
	}
	s, now = upTo(5)
	for k := range 30 { // another load as well, none at all, …
		now += tick
		in := StartIn{Mirror: true, Sensed: 5}
		if k%2 == 0 {
			in.Sensed = 0
		}
		if out := s.Step(now, in); out.Found != FoundNothing {
			t.Fatalf("look %d found %d", k, out.Found)
		}
	}
	// Two wrong looks, a clean one, and then three are needed again, not one and not four.
	s, now = upTo(5)
	for k, sensed := range []Mask{0, 0, 1, 0, 0, 0} {
		now += tick
		out := s.Step(now, StartIn{Mirror: true, Sensed: sensed})
		if (out.Found == FoundDead) != (k == 5) {
			t.Errorf("look %d found %d", k, out.Found)
		}
	}
}

func TestAfterAFindingNothingElseIsFound(t *testing.T) {
	var s Startup
	s.Begin(senses(true))
	found := 0
	for k := range 50 {
		if out := s.Step(time.Duration(k)*tick, StartIn{Mirror: true, Sensed: 5}); out.Found != FoundNothing {
			found++
		}
	}
	if found != 1 {
		t.Errorf("%d findings", found)
	}
}
