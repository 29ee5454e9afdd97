package safety

import (
	"strings"
	"testing"
	"time"

	"trivet/process/unit"
)

// shows returns the alarm of a row and subject as others see it.
func (b *bench) shows(code string, subject int) (Active, bool) {
	var list [64]Active
	for _, a := range list[:b.g.Alarms(list[:])] {
		if rows[a.Row].Code == code && a.Subject == subject {
			return a, true
		}
	}
	return Active{}, false
}

// bad makes sensor i unreadable from here on.
func (b *bench) bad(i int) { b.f.Readings[i] = unit.Unusable(b.now, unit.Open) }

func TestAnAlarmGoesThroughTheStatesOfTheStandard(t *testing.T) {
	b := newBench(t)
	if (&memory{}).state() != Normal {
		t.Error("what was never raised is not normal")
	}
	state := func(code string, i int, want State) {
		t.Helper()
		if a, ok := b.shows(code, i); !ok || a.State != want {
			t.Errorf("%s: shown %v as %q; want %q", code, ok, a.State, want)
		}
	}
	b.bad(3) // a monitor: it only tells
	b.run(3 * time.Second)
	state("sensor_out", 3, Unacknowledged)
	b.set(3, 100)
	b.step()
	state("sensor_out", 3, ReturnedUnacked)
	b.bad(3)
	b.run(3 * time.Second)
	if err := b.g.Acknowledge("sensor_out", 3); err != nil {
		t.Fatal(err)
	}
	state("sensor_out", 3, Acknowledged)

	b.f.Closed[1] = false
	b.step()
	state("door", 1, Unacknowledged)
	b.f.Closed[1] = true
	b.step()
	state("door", 1, LatchedUnacknowledged)
	if err := b.g.Acknowledge("door", 1); err != nil {
		t.Fatal(err)
	}
	state("door", 1, LatchedAcknowledged)
	b.f.Closed[1] = false
	b.step()
	state("door", 1, LatchedAcknowledged)
}

func TestOnlyWhatIsRaisedCanBeAcknowledged(t *testing.T) {
	b := newBench(t)
	b.bad(3)
	b.run(3 * time.Second)
	for _, c := range []struct {
		code string
		i    int
	}{{"sensor_out", 2}, {"sensor_out", -1}, {"sensor_out", 4}, {"sensor_out", 99}, {"door", 3}, {"no such row", 3}, {"", 0}} {
		if err := b.g.Acknowledge(c.code, c.i); err == nil || !strings.Contains(err.Error(), "not active") {
			t.Errorf("%q of %d: %v", c.code, c.i, err)
		}
	}
	if a, _ := b.shows("sensor_out", 3); a.State != Unacknowledged {
		t.Errorf("something else was acknowledged: %q", a.State)
	}
}

// An alarm that nobody has seen stays for half a minute after its cause; one that somebody has seen goes with it.
func TestAnAlarmStaysForHalfAMinuteUnlessItHasBeenSeen(t *testing.T) {
	for _, seen := range []bool{false, true} {
		b := newBench(t)
		b.bad(3)
		b.run(3 * time.Second)
		if seen {
			if err := b.g.Acknowledge("sensor_out", 3); err != nil {
				t.Fatal(err)
			}
		}
		b.set(3, 100)
		gone, from := b.now, b.now
		for range 400 {
			b.step()
			if _, ok := b.shows("sensor_out", 3); ok {
				gone = b.now
			}
		}
		if lasted, want := gone-from, 30*time.Second; !seen && lasted != want || seen && lasted != 0 {
			t.Errorf("seen %v: shown for %v after its cause", seen, lasted)
		}
	}
}

func TestOnlyFiveTimesInTenSecondsIsFluttering(t *testing.T) {
	rises := func(at ...time.Duration) (m memory) {
		for _, a := range at {
			m.rose[m.rises%flutter] = a
			m.rises++
		}
		return m
	}
	const s = time.Second
	four, five, slow := rises(1*s, 2*s, 3*s, 4*s), rises(0, 1*s, 3*s, 4*s, 10*s), rises(0, 1*s, 3*s, 4*s, 10*s+1)
	six := rises(0, 20*s, 21*s, 22*s, 23*s, 30*s)
	for _, c := range []struct {
		story string
		m     memory
		now   time.Duration
		want  bool
	}{{"four times", four, 4 * s, false}, {"five times in just ten seconds", five, 10 * s, true}, {"in a nanosecond more", slow, 11 * s, false},
		{"five of six in ten seconds", six, 30 * s, true}, {"quiet for less than a minute", five, 70*s - 1, true}, {"quiet for a minute", five, 70 * s, false}} {
		if got := c.m.flutters(c.now); got != c.want {
			t.Errorf("%s: %v", c.story, got)
		}
	}
	tell, cut, seen := &Alarm{Action: HoldHeat}, &Alarm{Action: CutHeat}, memory{acked: true}
	if five.linger(tell, 10*s) != time.Minute || five.linger(cut, 10*s) != time.Minute {
		t.Error("what flutters goes before it has been quiet for a minute")
	}
	if seen.linger(cut, 0) != 0 || four.linger(cut, 4*s) < 1000*time.Hour || four.linger(tell, 4*s) != 30*time.Second {
		t.Error("what cut the heat and was not seen by anybody must stay")
	}
}

// What a row cannot tell apart by subject takes everything: no table may make a zone of a blower.
func TestAZoneThatIsNoSensorsIsTheWholeMachine(t *testing.T) {
	b := newBench(t)
	v := Verdict{Allow: All}
	if b.g.act(&Alarm{Action: ZoneOff, Of: EachHeater}, 0, &v); v.Allow != 0 {
		t.Errorf("allowed %b", v.Allow)
	}
	v = Verdict{Allow: All}
	if b.g.act(&Alarm{Action: Tell}, 0, &v); v != (Verdict{Allow: All}) {
		t.Errorf("what only tells did %+v", v)
	}
	if b.g.act(&Alarm{Action: HoldHeat}, 0, &v); v != (Verdict{Allow: All, Hold: true}) {
		t.Errorf("what holds did %+v", v)
	}
}

func TestAnAlarmKeepsTheReadingAndTheCeilingThatRaisedIt(t *testing.T) {
	b := newBench(t)
	b.f.RunCeiling.PackageTop = 240
	b.set(1, 241)
	at := b.now + tick
	b.run(2 * tick)
	b.set(1, 100)
	b.f.RunCeiling.PackageTop = 200
	b.run(time.Second)
	a, ok := b.shows("over_ceiling", 1)
	if c, usable := a.Value.Temp(); !ok || !usable || c != 241 || a.Limit != 240 || a.At != at+tick || a.True {
		t.Errorf("%v: %+v", ok, a)
	}
	b.f.Closed[1] = false
	b.step()
	if a, ok := b.shows("door", 1); !ok || a.Value.Usable() || a.Limit != 0 || !a.True {
		t.Errorf("%v: a door with a temperature: %+v", ok, a)
	}
}

func TestTripsHaveANumberAndOnlyTheFirstIsTheFirst(t *testing.T) {
	b := newBench(t)
	if _, _, _, ok := b.g.FirstOut(); ok || b.g.Reset(0) == nil {
		t.Error("there is a trip on a healthy machine")
	}
	b.bad(3)
	b.run(3 * time.Second)
	b.f.Closed[3] = false
	b.step()
	b.f.Closed[1] = false
	b.step()
	limiter, _ := b.shows("limiter", 3)
	door, _ := b.shows("door", 1)
	tells, _ := b.shows("sensor_out", 3)
	if !limiter.FirstOut || door.FirstOut || tells.FirstOut || limiter.TripID != 1 || door.TripID != 1 || tells.TripID != 0 {
		t.Errorf("%+v\n%+v\n%+v", limiter, door, tells)
	}
	if r, i, id, ok := b.g.FirstOut(); r != rowOf("limiter") || i != 3 || id != 1 || !ok {
		t.Error(r, i, id, ok)
	}
	// A list that is too short has the most important ones.
	var short [1]Active
	if n := b.g.Alarms(short[:]); n != 1 || short[0].Row != rowOf("limiter") {
		t.Errorf("%d: %+v", n, short)
	}
	b.f.Closed[1], b.f.Closed[3] = true, true
	b.run(2 * time.Second)
	err := b.g.Reset(7)
	if err == nil || !strings.Contains(err.Error(), "present trip is 1") {
		t.Error(err)
	}
	if err := b.g.Reset(1); err != nil {
		t.Fatal(err)
	}
	b.step()
	if _, _, _, ok := b.g.FirstOut(); ok || b.v.Tripped {
		t.Error("something is left of it")
	}
	if _, ok := b.shows("sensor_out", 3); !ok {
		t.Error("a reset took an alarm away that was no trip")
	}
	b.f.Closed[1] = false
	b.step()
	if r, i, id, _ := b.g.FirstOut(); r != rowOf("door") || i != 1 || id != 2 {
		t.Errorf("the second trip is row %d of %d, number %d", r, i, id)
	}
	if a, _ := b.shows("limiter", 3); a.TripID != 0 {
		t.Error("the first trip is still there")
	}
}

// TestAResetWaitsForTheLastCauseNotTheFirst: each of several latched causes counts, whatever its rank.
func TestAResetWaitsForTheLastCauseNotTheFirst(t *testing.T) {
	for _, last := range []int{1, 3} {
		b := newBench(t)
		b.f.Closed[1], b.f.Closed[3] = false, false
		b.step()
		b.f.Closed[4-last] = true
		b.run(5 * time.Second)
		if err := b.g.Reset(1); err == nil || !strings.Contains(err.Error(), b.g.limits.Interlocks[last].Name) {
			t.Errorf("with %s still open: %v", b.g.limits.Interlocks[last].Name, err)
		}
		b.f.Closed[last] = true
		b.step()
		b.run(CauseGone - tick)
		if b.g.Reset(1) == nil {
			t.Error("reset before the cause had been gone for a second")
		}
		b.step()
		if err := b.g.Reset(1); err != nil {
			t.Error(err)
		}
	}
}

// TestARelayIsJudgedInTheTicksThatCanTell: looks count across ticks that say nothing, and a trip holds through them.
func TestARelayIsJudgedInTheTicksThatCanTell(t *testing.T) {
	b := newBench(t)
	look := func(driven, sensed Mask) { b.f.Driven, b.f.Sensed = driven, sensed; b.step() }
	look(0, 2)
	look(2, 2) // driven: current is as it should be, and says nothing about a stuck relay
	look(0, 2)
	if b.v.Tripped {
		t.Fatal("two looks tripped")
	}
	look(2, 2)
	look(0, 0) // a clean look ends the count
	look(0, 2)
	look(0, 2)
	if b.v.Tripped {
		t.Fatal("a clean look between did not count")
	}
	look(2, 2)
	look(0, 2)
	if got := b.firstOut(); got != "relay_stuck" || !b.v.Tripped || b.v.Allow != 0 {
		t.Fatalf("three looks: first-out %q", got)
	}
	if a, _ := b.shows("relay_stuck", 1); !a.True {
		t.Error("the relay is stuck now")
	}
	look(2, 2)
	if a, ok := b.shows("relay_stuck", 1); !ok || a.True || b.v.Allow != 0 {
		t.Errorf("in a tick that cannot tell: shown %v, there %v, allowed %b", ok, a.True, b.v.Allow)
	}
	if _, ok := b.shows("relay_stuck", 0); ok {
		t.Error("the other relay is sound")
	}
}

func TestAirIsProvenOneSecondAfterItBegan(t *testing.T) {
	b := newBenchOf(t, func(l *Limits) {
		l.Blowers[1], l.NBlowers = Blower{Name: "Lower blower"}, 2 // nothing proves it
		l.Heaters[2], l.NHeaters = Heater{Name: "Lower air", Blower: 1}, 3
	})
	if b.v.Proven != [MaxBlowers]bool{true} || b.v.Allow != All&^4 {
		t.Fatalf("with the first blower alone: %+v", b.v)
	}
	b.f.BlowerOn[1] = true
	b.step()
	from := b.now
	for b.v.Allow.Has(2) == false && b.now < from+time.Minute {
		b.step()
	}
	if b.now-from != AirProof || !b.v.Proven[1] {
		t.Errorf("allowed after %v", b.now-from)
	}
	b.f.AirFlows[0] = false
	b.step()
	b.f.AirFlows[0] = true
	b.step()
	if b.v.Allow.Has(0) || b.v.Proven[0] || !b.v.Allow.Has(1) || !b.v.Allow.Has(2) {
		t.Errorf("after a break of one tick: %+v", b.v)
	}
	b.run(AirProof)
	if !b.v.Allow.Has(0) {
		t.Error("never again")
	}
	if b.g.proven(-1) || b.g.proven(2) || b.g.proven(MaxBlowers) {
		t.Error("air of a blower that there is not")
	}
}

func TestLimitsAreAcceptedUpToTheLastOneThatProtects(t *testing.T) {
	good := newBench(t).g.limits
	for _, c := range []struct {
		story string
		spoil func(l *Limits)
		says  string // "" where it is good
	}{
		{"the highest ceiling", func(l *Limits) { l.Sensors[3].Ceiling = 1000 }, ""},
		{"above the highest ceiling", func(l *Limits) { l.Sensors[3].Ceiling = 1000.1 }, `"Neighbour"`},
		{"a negative ceiling", func(l *Limits) { l.Sensors[3].Ceiling = -1 }, `"Neighbour"`},
		{"a tiny ceiling", func(l *Limits) { l.Sensors[3].Ceiling = 0.5 }, ""},
		{"an unused sensor without a ceiling", func(l *Limits) { l.Sensors[4] = Sensor{} }, ""},
		{"a guard lost after just 2 s", func(l *Limits) { l.Sensors[2].LostAfter = 2 * time.Second }, ""},
		{"a guard lost after more", func(l *Limits) { l.Sensors[2].LostAfter = 2*time.Second + 1 }, `"Nozzle"`},
		{"a guard lost after a nanosecond", func(l *Limits) { l.Sensors[2].LostAfter = 1 }, ""},
		{"a monitor never lost", func(l *Limits) { l.Sensors[3].LostAfter = 0 }, ""},
		{"a longest run of a nanosecond", func(l *Limits) { l.MaxRun = 1 }, ""},
		{"a negative longest run", func(l *Limits) { l.MaxRun = -1 }, "longest run"},
		{"half a minute without extraction", func(l *Limits) { l.ExtractionHold = 30 * time.Second }, ""},
		{"more", func(l *Limits) { l.ExtractionHold = 30*time.Second + 1 }, "extraction"},
		{"none", func(l *Limits) { l.ExtractionHold = 0 }, ""},
		{"less than none", func(l *Limits) { l.ExtractionHold = -1 }, "extraction"},
		{"a loop of a sensor that there is not", func(l *Limits) { l.Heaters[1].Loop.Sensor = MaxSensors }, `"Area"`},
		{"of a sensor below the first", func(l *Limits) { l.Heaters[1].Loop.Sensor = -1 }, `"Area"`},
		{"of the last sensor", func(l *Limits) { l.Heaters[1].Loop.Sensor = MaxSensors - 1 }, ""},
		{"a negative gain", func(l *Limits) { l.Heaters[1].Loop.Gain = -0.1 }, `"Area"`},
		{"a negative inertia", func(l *Limits) { l.Heaters[1].Loop.Inertia = -0.1 }, `"Area"`},
		{"a negative band", func(l *Limits) { l.Heaters[1].Loop.Band = -0.1 }, `"Area"`},
		{"a band that is no number", func(l *Limits) { l.Heaters[1].Loop.Band = nan() }, `"Area"`},
		{"a heater that is not used", func(l *Limits) { l.Heaters[2].Loop.Gain = -1 }, ""},
	} {
		l := good
		c.spoil(&l)
		_, err := NewGuard(l)
		if c.says == "" && err != nil || c.says != "" && (err == nil || !strings.Contains(err.Error(), c.says)) {
			t.Errorf("%s: %v", c.story, err)
		}
	}
}
