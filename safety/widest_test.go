package safety

import (
	"testing"
	"time"

	"trivet/process/unit"
)

// sized is a bench with as many of everything as asked for; all sensors are nozzles, all interlocks doors, each heater has the blower of its
// number modulo the number of blowers.
func sized(t *testing.T, sensors, heaters, blowers, interlocks int) *bench {
	t.Helper()
	l := Limits{MaxRun: time.Hour, NSensors: sensors, NHeaters: heaters, NBlowers: blowers, NInterlock: interlocks}
	for i := range sensors {
		l.Sensors[i] = Sensor{Name: string(rune('a' + i)), Role: RoleNozzle, Ceiling: 260, Heaters: 1 << (i % MaxHeaters), Guard: true, LostAfter: time.Second}
	}
	for i := range heaters {
		l.Heaters[i] = Heater{Name: string(rune('A' + i)), Blower: -1, Sense: true}
		if blowers > 0 {
			l.Heaters[i].Blower = i % blowers
		}
	}
	for i := range blowers {
		l.Blowers[i] = Blower{Name: string(rune('0' + i)), Proof: true}
	}
	for i := range interlocks {
		l.Interlocks[i] = Interlock{Name: string(rune('p' + i)), Kind: Door}
	}
	g, err := NewGuard(l)
	if err != nil {
		t.Fatal(err)
	}
	b := &bench{t: t, g: g}
	for i := range interlocks {
		b.f.Closed[i] = true
	}
	for i := range blowers {
		b.f.BlowerOn[i], b.f.AirFlows[i] = true, true
	}
	b.f.Armed, b.f.Enabled, b.f.Mirror = true, true, true
	b.run(2 * time.Second)
	if b.v.Tripped || b.v.Allow&(1<<heaters-1) != 1<<heaters-1 {
		t.Fatalf("a sound machine of %d, %d, %d, %d: %+v", sensors, heaters, blowers, interlocks, b.v)
	}
	return b
}

// TestTheLastOfEverythingCountsAsMuchAsTheFirst on the widest machine there can be, and where one kind is far more numerous than another.
func TestTheLastOfEverythingCountsAsMuchAsTheFirst(t *testing.T) {
	for _, n := range [][4]int{{MaxSensors, MaxHeaters, MaxBlowers, MaxInterlocks}, {MaxSensors, MaxHeaters, MaxBlowers, 1}, {1, 1, 1, MaxInterlocks}, {1, MaxHeaters, 2, 1}, {2, 2, MaxBlowers, 1}} {
		b := sized(t, n[0], n[1], n[2], n[3])
		last := n[0] - 1
		b.set(last, 260)
		b.step()
		if b.v.Allow.Has(last%MaxHeaters) || b.v.Tripped {
			t.Errorf("%v: the last sensor at its ceiling: %+v", n, b.v)
		}
		b.step()
		if r, i, id, _ := b.g.FirstOut(); rows[r].Code != "over_ceiling" || i != last || id != 1 {
			t.Fatalf("%v: first-out is %s of %d", n, rows[r].Code, i)
		}
		if b.g.Reset(1) == nil {
			t.Errorf("%v: reset with the last sensor at its ceiling", n)
		}
		if err := b.g.Acknowledge("over_ceiling", last); err != nil {
			t.Error(err)
		}
		if b.g.Acknowledge("over_ceiling", last+1) == nil || b.g.Acknowledge("over_ceiling", MaxSensors) == nil {
			t.Errorf("%v: one after the last was acknowledged", n)
		}
		b.set(last, 100)
		b.run(2 * time.Second)
		if err := b.g.Reset(1); err != nil {
			t.Fatal(err)
		}
		if b.step(); b.v.Tripped || b.g.mem[rowOf("over_ceiling")][last] != (memory{gone: b.g.mem[rowOf("over_ceiling")][last].gone}) {
			t.Errorf("%v: something is left of it", n)
		}

		b.f.AirFlows[n[2]-1] = false
		b.run(1100 * time.Millisecond)
		if r, i, id, _ := b.g.FirstOut(); rows[r].Code != "air_lost" || i != n[2]-1 || id != 2 {
			t.Errorf("%v: first-out is %s of %d", n, rows[r].Code, i)
		}
		for k := range MaxBlowers {
			if b.v.Proven[k] != (k < n[2]-1) {
				t.Errorf("%v: air of blower %d proven: %v", n, k, b.v.Proven[k])
			}
		}
		if b.g.proven(n[2]) || b.g.proven(MaxBlowers) {
			t.Errorf("%v: air of a blower that there is not", n)
		}
		b.f.AirFlows[n[2]-1] = true
		b.f.Closed[n[3]-1] = false
		b.run(2 * time.Second)
		if b.g.Reset(2) == nil {
			t.Errorf("%v: reset with the last door open", n)
		}
		b.f.Closed[n[3]-1] = true
		b.run(2 * time.Second)
		if err := b.g.Reset(2); err != nil {
			t.Error(err)
		}
		b.f.Driven, b.f.Sensed = 0, 1<<(n[1]-1)
		b.run(3 * tick)
		if r, i, _, _ := b.g.FirstOut(); rows[r].Code != "relay_stuck" || i != n[1]-1 {
			t.Errorf("%v: first-out is %s of %d", n, rows[r].Code, i)
		}
	}
}

// The first row of the table is a trip like any other: it stays the first, and it can be reset.
func TestATripOfTheFirstRowIsNotOverwrittenEither(t *testing.T) {
	b := newBench(t)
	if r, i, id, tripped := b.g.FirstOut(); r != 0 || i != 0 || id != 0 || tripped {
		t.Errorf("without a trip: %d %d %d %v", r, i, id, tripped)
	}
	b.f.Closed[0] = false
	b.step()
	b.f.Closed[1] = false
	b.step()
	if r, i, id, tripped := b.g.FirstOut(); r != 0 || i != 0 || id != 1 || !tripped {
		t.Errorf("%d %d %d %v", r, i, id, tripped)
	}
	if b.g.latches[rowOf("emergency_stop")] != 1 || b.g.latches[rowOf("door")] != 2 {
		t.Errorf("latched are %b and %b", b.g.latches[rowOf("emergency_stop")], b.g.latches[rowOf("door")])
	}
	if err := b.g.Acknowledge("emergency_stop", 0); err != nil {
		t.Error(err)
	}
	b.f.Closed[0], b.f.Closed[1] = true, true
	b.run(2 * time.Second)
	if err := b.g.Reset(1); err != nil {
		t.Error(err)
	}
}

// The sizes of the machine file (contract): more of anything is refused when it is read.
func TestTheTablesHoldWhatAMachineFileMayHave(t *testing.T) {
	if got := [...]int{MaxSensors, MaxHeaters, MaxBlowers, MaxInterlocks}; got != [...]int{16, 8, 4, 8} || All != 0xff {
		t.Error(got, All)
	}
	for i := range 16 {
		if m := Mask(0).With(i); m != 1<<i || m.With(i) != m || !m.Has(i) || m.Has((i+1)%16) {
			t.Errorf("number %d in a set: %b", i, m)
		}
	}
}

func TestTheLastHeaterOwesAnInspectionAsMuchAsTheFirst(t *testing.T) {
	b := sized(t, MaxSensors, MaxHeaters, MaxBlowers, 1)
	b.f.Driven, b.f.Sensed = 0, 1<<(MaxHeaters-1)
	b.run(3 * tick)
	var list [4]Owed
	if n := b.g.Owed(list[:]); n != 1 || list[0] != (Owed{"relay_stuck", "H"}) {
		t.Fatalf("owed are %v", list[:n])
	}
	next := sized(t, MaxSensors, MaxHeaters, MaxBlowers, 1)
	next.g.Restore(list[:1])
	if r, i, _, _ := next.g.FirstOut(); r != rowOf("relay_stuck") || i != MaxHeaters-1 {
		t.Errorf("restored as row %d of %d", r, i)
	}
}

func TestCausesMustHaveBeenGoneForOneSecond(t *testing.T) {
	if CauseGone != time.Second || AirProof != time.Second || MaxLate != 300*time.Millisecond { // invariants I-19 and I-10, hazard C-05
		t.Error(CauseGone, AirProof, MaxLate)
	}
}

// What is kept twice holds when one of the two is lost: the latches, or what the rows remember.
func TestATripHoldsWhenOneOfItsTwoMemoriesIsLost(t *testing.T) {
	tripped := func() *bench {
		b := newBench(t)
		b.f.Driven, b.f.Sensed = 0, 2
		b.run(3 * tick)
		b.f.Sensed = 0
		b.run(time.Second)
		return b
	}
	for _, driven := range []Mask{0, 2} { // also in a tick that can tell nothing about the row
		b := tripped()
		b.f.Driven, b.f.Sensed = driven, driven
		b.g.mem = [len(rows)][maxSubjects]memory{}
		if b.step(); b.v.Allow != 0 || !b.v.Tripped {
			t.Errorf("driven %b, the rows forgot: %+v", driven, b.v)
		}
		b = tripped()
		b.f.Driven, b.f.Sensed = driven, driven
		for r := range rows {
			b.g.latches[r], b.g.inverse[r] = 0, ^Mask(0)
		}
		if b.step(); b.v.Allow != 0 {
			t.Errorf("driven %b, the latches are gone: %+v", driven, b.v)
		}
	}
	b := newBench(t)
	b.g.checks[0] ^= 1
	b.g.mem[rowOf("memory")][0] = memory{true_: true, raised: true} // as if it had been told before and had not latched
	if b.step(); !b.v.Tripped || b.v.Allow != 0 {
		t.Errorf("limits that do not agree: %+v", b.v)
	}
	v := Verdict{Allow: All}
	if b.g.act(&Alarm{Action: CutHeat}, 0, &v); v.Allow != 0 {
		t.Errorf("what cuts heat allows %b", v.Allow)
	}
}

func TestHeatIsHeldOnlyWhileTheCauseIsThere(t *testing.T) {
	b := newBench(t)
	b.f.Closed[2] = false
	b.step()
	if !b.v.Hold {
		t.Error("not held")
	}
	b.f.Armed = false
	b.step()
	if a, ok := b.shows("extraction_hold", 2); !ok || !a.True {
		t.Errorf("at rest, and still not extracting: shown %v, there %v", ok, a.True)
	}
	b.f.Armed = true
	b.step()
	b.f.Closed[2] = true
	b.step()
	if a, ok := b.shows("extraction_hold", 2); !ok || a.True || b.v.Hold {
		t.Errorf("it extracts again: shown %v, there %v, held %v", ok, a.True, b.v.Hold)
	}
}

func TestWhatComesEveryThreeSecondsDoesNotFlutter(t *testing.T) {
	for _, c := range []struct {
		every int // ticks
		want  bool
	}{{30, false}, {20, true}} {
		b := newBench(t)
		flutters := false
		for k := range 600 {
			b.set(3, 100)
			if k%c.every == 0 {
				b.bad(3)
			}
			b.step()
			flutters = flutters || b.g.mem[rowOf("sensor_out")][3].flutters(b.now)
		}
		if flutters != c.want {
			t.Errorf("every %d ticks: flutters %v", c.every, flutters)
		}
	}
}

func TestASeenAlarmThatComesAgainHasNotBeenSeen(t *testing.T) {
	b := newBench(t)
	for range 2 {
		b.bad(3)
		b.run(3 * time.Second)
		if a, ok := b.shows("sensor_out", 3); !ok || a.State != Unacknowledged {
			t.Errorf("shown %v as %q", ok, a.State)
		}
		if err := b.g.Acknowledge("sensor_out", 3); err != nil {
			t.Fatal(err)
		}
		b.set(3, 100)
		b.run(time.Second)
	}
	b.f.Closed[1] = false // and a trip that was seen stays until it is reset
	b.step()
	if err := b.g.Acknowledge("door", 1); err != nil {
		t.Fatal(err)
	}
	b.f.Closed[1] = true
	b.run(time.Minute)
	if a, ok := b.shows("door", 1); !ok || a.State != LatchedAcknowledged {
		t.Errorf("shown %v as %q", ok, a.State)
	}
}

func TestPeopleHearOfABadSensorAfterFourTenthsOfASecond(t *testing.T) {
	b := newBench(t)
	from := b.now + tick
	for shown := false; !shown; _, shown = b.shows("sensor_bad", 0) {
		b.f.Readings[0] = unit.Unusable(b.now, unit.Open)
		if b.step(); b.now > from+time.Second {
			t.Fatal("never")
		}
	}
	if b.now-from != 400*time.Millisecond {
		t.Errorf("after %v", b.now-from)
	}
}

// A tick that can tell nothing about one relay says nothing of another relay or of another row either.
func TestWhatCannotBeToldIsNotTakenFromItsNeighbour(t *testing.T) {
	b := newBench(t)
	b.f.Driven, b.f.Sensed = 0, 3
	b.run(3 * tick)
	b.f.Closed[0] = false // the first row is true as well
	b.f.Driven, b.f.Sensed = 2, 3
	b.run(2 * tick)
	if a, ok := b.shows("relay_stuck", 1); !ok || a.True {
		t.Errorf("driven: shown %v, there %v", ok, a.True)
	}
	if a, ok := b.shows("relay_stuck", 0); !ok || !a.True {
		t.Errorf("not driven: shown %v, there %v", ok, a.True)
	}
	b.f.Driven, b.f.Sensed = 1, 3
	b.run(2 * tick)
	if a, ok := b.shows("relay_stuck", 0); !ok || a.True {
		t.Errorf("driven now: shown %v, there %v", ok, a.True)
	}
}

func TestARelayUnderTestIsLetGoByWhateverTakesItsZone(t *testing.T) {
	b := newBench(t)
	b.f.Armed, b.f.Testing, b.f.Test = false, true, StartOut{Relays: 1, Enable: true}
	b.set(2, 450) // the nozzle, one sample
	if b.step(); b.v.Allow != 0 || b.v.Tripped {
		t.Errorf("%+v", b.v)
	}
}

func TestARefusedResetSaysWhatToDo(t *testing.T) {
	b := newBench(t)
	b.f.Closed[3] = false
	b.step()
	want := "the cause is still there: Over-temperature limiter limiter has tripped. Find out what overheated, reset the limiter by hand at the limiter, then reset here."
	if err := b.g.Reset(1); err == nil || err.Error() != want {
		t.Errorf("%v", err)
	}
}

// An alarm is told when it has lasted, each time anew; what ended before that is told to nobody.
func TestWhatEndedBeforeItsTimeIsToldToNobody(t *testing.T) {
	b := newBench(t)
	for _, lasted := range []int{1, 4, 5, 1} { // ticks; the fifth is the one in which it has lasted for 0.4 s
		for range lasted {
			b.bad(0)
			b.step()
		}
		_, during := b.shows("sensor_bad", 0)
		b.set(0, 100)
		b.step()
		if _, after := b.shows("sensor_bad", 0); during != (lasted == 5) || after != during {
			t.Errorf("%d ticks: shown %v, and afterwards %v", lasted, during, after)
		}
		b.run(time.Minute)
	}
}

func TestACauseThatIsGoneIsNotThatOfAnotherSubjectOrRow(t *testing.T) {
	b := newBench(t)
	b.set(0, 260)
	b.set(1, 260)
	b.run(2 * tick)
	b.set(1, 100)
	b.step()
	if a, ok := b.shows("over_ceiling", 1); !ok || a.True {
		t.Errorf("the package top is cool: shown %v, there %v", ok, a.True)
	}
	b.set(0, 100)
	b.f.Closed[0] = false
	b.step()
	if a, ok := b.shows("over_ceiling", 0); !ok || a.True {
		t.Errorf("the joint is cool: shown %v, there %v", ok, a.True)
	}
}

// Only the trip that came first is the first-out: neither another subject of its row nor another row of its subject.
func TestTheFirstOutIsOneSubjectOfOneRow(t *testing.T) {
	b := newBench(t)
	b.f.Driven, b.f.Sensed = 0, 3
	b.run(3 * tick)
	b.f.Closed[0] = false
	b.step()
	for _, c := range []struct {
		code  string
		i     int
		first bool
	}{{"relay_stuck", 0, true}, {"relay_stuck", 1, false}, {"emergency_stop", 0, false}} {
		if a, ok := b.shows(c.code, c.i); !ok || a.FirstOut != c.first || a.TripID != 1 {
			t.Errorf("%s of %d: shown %v, %+v", c.code, c.i, ok, a)
		}
	}
}

func TestTheLastSubjectIsShownAndNamedAndExplains(t *testing.T) {
	b := sized(t, MaxSensors, MaxHeaters, MaxBlowers, 1)
	b.set(MaxSensors-1, 260)
	b.run(4 * tick)
	over, ok := b.shows("over_ceiling", MaxSensors-1)
	at, also := b.shows("at_ceiling", MaxSensors-1)
	if !ok || !also || at.Because != rowOf("over_ceiling") || over.Because != -1 {
		t.Errorf("shown %v and %v: %+v, %+v", ok, also, over, at)
	}
	if got := b.g.Title(rowOf("air_lost"), 3); got != "3 stopped blowing during heat" {
		t.Errorf("%q", got)
	}
	if got := SubjectName(&b.g.limits, rowOf("late"), 0); got != "" {
		t.Errorf("the station itself is called %q", got)
	}
}
