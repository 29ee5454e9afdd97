package safety

import (
	"math"
	"math/bits"
	"math/rand/v2"
	"testing"
	"time"

	"trivet/process/unit"
)

// near reports whether two results of the same formula agree but for rounding.
func near(a, b float64) bool { return math.Abs(a-b) <= 1e-9*(1+math.Abs(a)+math.Abs(b)) }

// TestTheHeatBalanceAgreesWithASecondOne, written as in the comment of Loop: duty = (T − room)/Gain + Inertia·dT/dt, by Euler's rule; the
// sensor lags by 2 s; balance and lagged value lean on the reading by 1/30 s, and the distance is smoothed over 0.5 s.
func TestTheHeatBalanceAgreesWithASecondOne(t *testing.T) {
	for _, radiates := range []bool{false, true} {
		o := Loop{Sensor: 3, Gain: 380, Inertia: 0.2, Radiates: radiates}
		if radiates {
			o.Gain = 4.5e11
		}
		rng := rand.New(rand.NewPCG(5, 6))
		var b balance
		const room = 22.0
		x, T, seen, off := 60.0, 0.0, 0.0, 0.0
		for k := range 3000 {
			f := Facts{}
			on, volts := rng.IntN(2) == 1, []float64{0, 0.9, 1, 1.08}[rng.IntN(4)]
			if on {
				f.Driven = f.Driven.With(1)
			}
			f.Supply = volts
			x += rng.NormFloat64()
			read := k == 0 || rng.IntN(5) > 0
			if read {
				f.Readings[3] = unit.Measured(time.Duration(k), unit.Celsius(x))
			}
			dt := []time.Duration{tick, 130 * time.Millisecond, 90 * time.Millisecond}[rng.IntN(3)]
			b.step(dt, &o, room, 1, &f)
			if k == 0 {
				T, seen = x, x
				continue
			}
			power := 0.0
			if on {
				power = 1
				if volts > 0 {
					power = math.Pow(volts, 2)
				}
			}
			kelvin := func(c float64) float64 { return c + 273.15 }
			lost := (T - room) / o.Gain
			if radiates {
				lost = (math.Pow(kelvin(T), 4) - math.Pow(kelvin(room), 4)) / o.Gain
			}
			s := dt.Seconds()
			T += (power - lost) / o.Inertia * s
			seen += (T - seen) * s / (2 + s)
			if read {
				apart := x - seen
				T += apart * s / 30
				seen += apart * s / 30
				off += (apart - off) * s / (0.5 + s)
			}
			if !near(b.t, T) || !near(b.seen, seen) || !near(b.off, off) {
				t.Fatalf("radiates %v, step %d: %.6f %.6f %.6f; the second one says %.6f %.6f %.6f", radiates, k, b.t, b.seen, b.off, T, seen, off)
			}
		}
	}
}

func TestABalanceBeginsWithTheFirstReadingAndOnlyWhereAStepTestWas(t *testing.T) {
	read := Facts{}
	read.Readings[0] = unit.Measured(0, 70)
	for _, o := range []Loop{{Gain: 0, Inertia: 1}, {Gain: 1, Inertia: 0}, {}} {
		var b balance
		if b.step(tick, &o, 25, 0, &read); b.on || b.n != 0 {
			t.Errorf("%+v is no balance", o)
		}
	}
	o, b := Loop{Gain: 0.5, Inertia: 0.5}, balance{off: 3}
	if b.step(tick, &o, 25, 0, &Facts{}); b.on {
		t.Error("begun without a reading")
	}
	if b.step(tick, &o, 25, 0, &read); !b.on || b.t != 70 || b.seen != 70 || b.off != 0 {
		t.Errorf("begun at %+v", b)
	}
	g := newBench(t).g
	g.past.heaters[0].off, g.past.heaters[1].off, g.past.heaters[2].off = 3, 4, 5
	if g.Balance(0) != 3 || g.Balance(1) != 4 || g.Balance(2) != 0 || g.Balance(-1) != 0 || g.Balance(99) != 0 {
		t.Error("the distance of a heater that there is not, or of another one")
	}
}

// The reading is noted every other second, and the rise is over ten such notes: 20 s.
func TestTheRiseIsThatOfTheLastTwentySeconds(t *testing.T) {
	var b balance
	for k := range 600 { // 0.5 K/s
		b.note(tick, 100+0.05*float64(k), true)
		want := 0.0
		if k >= 200 {
			want = 10
		}
		if !near(b.rise(), want) {
			t.Fatalf("after %d ticks: a rise of %g; want %g", k, b.rise(), want)
		}
	}
	b.note(tick, 0, false)
	for k := range 200 {
		if b.note(tick, 100+float64(k), true); b.rise() != 0 {
			t.Fatalf("%d ticks after a gap: a rise of %g", k, b.rise())
		}
	}
	if b.note(tick, 300, true); b.rise() != 200 {
		t.Errorf("20 s after a gap: a rise of %g", b.rise())
	}
}

// A zone rests since it was last driven or its blower last changed.
func TestAZoneRestsSinceItsLastDriveAndItsBlowersLastChange(t *testing.T) {
	var b balance
	f := Facts{Driven: 1}
	f.BlowerOn[1] = true
	rest := func(want time.Duration, blower int) {
		t.Helper()
		if b.settle(time.Second, blower, 2, &f); b.idle != want {
			t.Errorf("at rest for %v; want %v", b.idle, want)
		}
	}
	rest(0, 1) // the blower has just started
	rest(time.Second, 1)
	rest(2*time.Second, 1) // heater 0 is driven, not this one
	f.Driven = 4
	rest(0, 1)
	f.Driven = 0
	rest(time.Second, 1)
	f.BlowerOn[1] = false
	rest(0, 1)
	rest(time.Second, 1)
	f.BlowerOn[0] = true // another one
	rest(2*time.Second, 1)
	rest(3*time.Second, -1)
	f.BlowerOn = [MaxBlowers]bool{}
	b = balance{}
	f.BlowerOn[0] = true
	rest(0, 0)
	rest(time.Second, 0)
}

// Samples are counted by their time stamps, not by ticks, over the last 20.
func TestMissingSamplesAreCountedOverTheLastTwenty(t *testing.T) {
	var k track
	now := time.Duration(0)
	sample := func(ok bool) {
		now += tick
		r := unit.Measured(now, 100)
		if !ok {
			r = unit.Unusable(now, unit.NoAnswer)
		}
		k.step(now, r)
		k.step(now+tick/2, r) // the same one, seen again
	}
	sample(false)
	for i := range 19 {
		if sample(true); k.missing() != 1 {
			t.Fatalf("%d samples later %d are missing", i+1, k.missing())
		}
	}
	if sample(true); k.missing() != 0 {
		t.Errorf("20 samples later %d are missing", k.missing())
	}
	for i := range 40 {
		if sample(false); k.missing() != min(i+1, 20) {
			t.Fatalf("%d missing after %d", k.missing(), i+1)
		}
	}
}

func TestASensorIsLostSinceItsLastGoodSample(t *testing.T) {
	var k track
	k.step(500, unit.Unusable(400, unit.Open))
	if k.step(900, unit.Unusable(800, unit.Open)); k.badFor != 400 || !k.gap {
		t.Errorf("never good: bad for %d", k.badFor) // since the first tick of the gap
	}
	k.step(1000, unit.Measured(930, 100))
	if k.badFor != 0 || k.gap || !k.fresh || k.n != 1 {
		t.Errorf("good: %+v", k)
	}
	if k.step(1100, unit.Measured(930, 100)); k.fresh || k.n != 1 {
		t.Errorf("the same sample again: %+v", k)
	}
	if k.step(1150, unit.Measured(1110, 101)); !k.fresh || k.n != 2 || k.x0 != 101 || k.x1 != 100 {
		t.Errorf("a new one: %+v", k)
	}
	if k.step(1200, unit.Unusable(1180, unit.Open)); k.badFor != 90 || k.fresh || k.n != 0 {
		t.Errorf("bad again: %+v", k) // the age of the good sample counts
	}
	if k.step(1300, unit.Unusable(1180, unit.Open)); k.badFor != 190 {
		t.Errorf("bad for %d", k.badFor)
	}
	if k.step(1400, unit.Measured(1110, 101)); !k.fresh {
		t.Error("the first after a gap is new, whatever its time stamp")
	}
}

// TestNoiseIsEstimatedAsASecondEstimateSays: 4 % of each second difference of three samples in a row, over 1.954, with spikes cut off at three
// times the spread and 0.3 K.
func TestNoiseIsEstimatedAsASecondEstimateSays(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 9))
	var k track
	var last []float64
	rough := 0.0
	for i := 1; i <= 5000; i++ {
		x := 100 + 0.2*rng.NormFloat64()
		if rng.IntN(50) == 0 {
			x += 20
		}
		at := time.Duration(i) * tick
		if rng.IntN(40) == 0 {
			k.step(at, unit.Unusable(at, unit.NoAnswer))
			last = nil
			continue
		}
		k.step(at, unit.Measured(at, unit.Celsius(x)))
		if last = append(last, x); len(last) > 3 {
			last = last[1:]
		}
		if len(last) == 3 {
			d := math.Abs(last[2]-last[1]-(last[1]-last[0])) / 1.954
			if most := 0.3 + 3*rough; d > most {
				d = most
			}
			rough = 0.96*rough + 0.04*d
		}
		if !near(k.rough, rough) {
			t.Fatalf("sample %d: %g; the second estimate says %g", i, k.rough, rough)
		}
	}
	if !(rough > 0.1 && rough < 0.6) {
		t.Errorf("0.2 K of noise with spikes are told as %g", rough)
	}
}

func TestAContactChattersAfterSixChangesInTenSeconds(t *testing.T) {
	changes := func(gap time.Duration) (n int, c contact) {
		closed := true
		c.step(0, closed, false)
		now := time.Duration(0)
		for n = 1; n < 50; n++ {
			now += gap
			closed = !closed
			if c.step(now, closed, false); c.chatters(now) {
				return n, c
			}
		}
		return 0, c
	}
	if n, c := changes(2 * time.Second); n != 6 || c.since != 12*time.Second {
		t.Errorf("six changes lie 10 s apart: chatter after %d", n)
	}
	if n, _ := changes(2*time.Second + 1); n != 0 {
		t.Errorf("slower than that is none: after %d", n)
	}
	_, c := changes(time.Second)
	last := 6 * time.Second
	if !c.chatters(time.Second+10*time.Second) || c.chatters(time.Second+10*time.Second+1) {
		t.Error("it chatters until the oldest of six changes is ten seconds old")
	}
	for now := last; now < last+time.Minute; now += tick {
		c.step(now, c.closed, false) // no change is no change
	}
	if c.n != 6 {
		t.Errorf("%d changes", c.n)
	}
}

func TestRunsAreCountedSinceAContactWasLastSeenOpen(t *testing.T) {
	var c contact
	for i := range 60 {
		c.step(time.Duration(10*i), true, true)
		for k := range 3 {
			if c.step(time.Duration(10*i+k+1), true, false); c.runs != i+1 {
				t.Fatalf("%d runs after %d", c.runs, i+1)
			}
		}
	}
	if c.step(2000, false, true); c.runs != 0 {
		t.Errorf("%d runs since it opened", c.runs)
	}
}

// Nothing can be said of an interval that was not watched.
func TestTimeThatWasNotWatchedDoesNotCount(t *testing.T) {
	var p past
	l := &Limits{}
	f := &Facts{Enabled: true}
	at := func(now time.Duration, want time.Duration, backward bool) {
		t.Helper()
		if p.step(now, l, f); p.enabled != want || p.backward != backward {
			t.Errorf("at %v: enabled for %v, backward %v", now, p.enabled, p.backward)
		}
	}
	at(5*time.Second, 0, false) // the first tick has no before
	at(5*time.Second+tick, tick, false)
	at(6*time.Second+tick, tick+time.Second, false) // a whole second is the most
	at(7*time.Second+tick+1, tick+time.Second, false)
	at(7*time.Second+tick+1, tick+time.Second, true) // time stood still
	at(7*time.Second, tick+time.Second, true)
	at(7*time.Second+tick, 2*tick+time.Second, false)
	f.Enabled, f.Mirror = false, true
	at(7*time.Second+2*tick, 0, false)
	if p.closed != tick {
		t.Errorf("closed for %v", p.closed)
	}
	if f.Mirror = false; true {
		p.step(7*time.Second+3*tick, l, f)
	}
	if p.closed != 0 {
		t.Errorf("closed for %v", p.closed)
	}
}

func TestTheFirstTickHasNoBefore(t *testing.T) {
	var p past
	p.step(500*time.Millisecond, &Limits{}, &Facts{Enabled: true})
	if p.enabled != 0 || p.backward {
		t.Errorf("enabled for %v, backward %v", p.enabled, p.backward)
	}
	p = past{}
	if p.step(0, &Limits{}, &Facts{}); p.backward {
		t.Error("the first tick may be at zero")
	}
	if p.step(0, &Limits{}, &Facts{}); !p.backward {
		t.Error("and only the first")
	}
}

// Each heater has its own loop and its own blower.
func TestEachHeaterIsFollowedByItsOwnLoopAndBlower(t *testing.T) {
	var p past
	l, f := &Limits{NHeaters: 3}, &Facts{}
	l.Heaters[0] = Heater{Blower: 0, Loop: Loop{Sensor: 0, Gain: 1, Inertia: 1}}
	l.Heaters[1] = Heater{Blower: -1}
	l.Heaters[2] = Heater{Blower: 1, Loop: Loop{Sensor: 2, Gain: 1, Inertia: 1}}
	f.Readings[0], f.Readings[2] = unit.Measured(0, 50), unit.Measured(0, 70)
	for k := range 20 {
		f.BlowerOn[0] = k%2 == 0
		p.step(time.Duration(k)*tick, l, f)
	}
	if p.heaters[0].idle != 0 || p.heaters[1].idle != 19*tick || p.heaters[2].idle != 19*tick {
		t.Errorf("at rest for %v, %v, %v", p.heaters[0].idle, p.heaters[1].idle, p.heaters[2].idle)
	}
	if p.heaters[1].on || !p.heaters[0].on || !p.heaters[2].on || !(p.heaters[2].seen > p.heaters[0].seen) {
		t.Errorf("%+v", p.heaters[:3])
	}
}

func TestAContactThatChangesNowAndThenIsNoFlutter(t *testing.T) {
	b := newBench(t)
	for range 10 {
		b.f.Closed[2] = false
		b.run(time.Second)
		b.f.Closed[2] = true
		b.run(20 * time.Second)
		if b.v.Tripped {
			t.Fatalf("tripped on %s", b.firstOut())
		}
	}
}

func TestAContactThatWasFirstSeenOpenHasChangedWhenItCloses(t *testing.T) {
	var c contact
	c.step(1, false, false)
	if c.n != 0 || !c.known || c.since != 1 {
		t.Errorf("first seen open: %+v", c)
	}
	if c.step(2, true, false); c.n != 1 || c.since != 2 {
		t.Errorf("closed then: %+v", c)
	}
}

// A run begins in the tick in which heat becomes possible, and in no other; a ceiling that was raised once stays a fault.
func TestARunBeginsWhenHeatBecomesPossible(t *testing.T) {
	var p past
	l, f := &Limits{NInterlock: 2}, &Facts{}
	f.Closed[0], f.Closed[1] = true, true
	now := time.Duration(0)
	step := func(n int) {
		for range n {
			now += tick
			p.step(now, l, f)
		}
	}
	step(20)
	if p.interlocks[1].runs != 0 {
		t.Errorf("%d runs at rest", p.interlocks[1].runs)
	}
	f.Armed, f.RunCeiling.Board = true, 200
	step(20)
	if p.interlocks[1].runs != 1 || p.loosened {
		t.Errorf("%d runs, loosened %v", p.interlocks[1].runs, p.loosened)
	}
	f.RunCeiling.Board = 201
	step(1)
	f.RunCeiling.Board = 200
	if step(5); !p.loosened {
		t.Error("raised and taken back is forgotten")
	}
	f.Armed = false
	step(1)
	f.Armed, f.RunCeiling.Board = true, 250
	if step(5); p.loosened || p.run.Board != 250 || p.interlocks[0].runs != 2 {
		t.Errorf("the next run: loosened %v, ceiling %g, %d runs", p.loosened, p.run.Board, p.interlocks[0].runs)
	}
}

// Only ticks of drive with the contactor closed count, the last 20 of them, each heater for itself, and none from an earlier run.
func TestTicksOfDriveWithoutCurrentAreCountedPerHeater(t *testing.T) {
	var p past
	l := &Limits{NHeaters: 3}
	l.Heaters[0].Sense, l.Heaters[1].Sense = true, true
	f := &Facts{Armed: true, Driven: 7, Sensed: 1}
	p.enabled = 500 * time.Millisecond
	for k := range 40 {
		p.listen(l, f)
		if bits.OnesCount32(p.mute[1]) != min(k+1, 20) || p.mute[0] != 0 || p.mute[2] != 0 {
			t.Fatalf("after %d ticks: %b", k+1, p.mute)
		}
	}
	f.Sensed = 3
	for k := range 20 {
		if p.listen(l, f); bits.OnesCount32(p.mute[1]) != 19-k {
			t.Fatalf("%d ticks of current later: %b", k+1, p.mute[1])
		}
	}
	f.Sensed = 1
	p.listen(l, f)
	f.Driven = 5
	f.Sensed = 0 // heater 0 now, heater 1 is not driven
	p.listen(l, f)
	if p.mute[0] != 1 || p.mute[1] != 1 {
		t.Errorf("each for itself: %b", p.mute)
	}
	p.enabled--
	if p.listen(l, f); p.mute[0] != 1 {
		t.Errorf("before the contactor can have closed: %b", p.mute)
	}
	f.Armed = false
	if p.listen(l, f); p.mute[0] != 0 || p.mute[1] != 0 {
		t.Errorf("after the run: %b", p.mute)
	}
}
