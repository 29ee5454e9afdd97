package safety

import (
	"fmt"
	"testing"
	"time"

	"trivet/process/unit"
)

const tick = 100 * time.Millisecond

// bench is a machine with one of everything: joint (guard), package top (guard), neighbour, one air head with its
// blower, one area heater, and the four kinds of interlock.
type bench struct {
	t   *testing.T
	g   *Guard
	f   Facts
	now time.Duration
	v   Verdict
}

func newBench(t *testing.T) *bench { t.Helper(); return newBenchOf(t, func(*Limits) {}) }

// newBenchOf is the same machine with something changed.
func newBenchOf(t *testing.T, change func(*Limits)) *bench {
	t.Helper()
	l := Limits{MaxRun: time.Hour, ExtractionHold: 10 * time.Second, Mirror: true}
	l.Sensors[0] = Sensor{Name: "Joint", Role: RoleJoint, Ceiling: 260, Heaters: All, Guard: true, LostAfter: 700 * time.Millisecond}
	l.Sensors[1] = Sensor{Name: "Package top", Role: RolePackageTop, Ceiling: 260, Heaters: All, Guard: true, LostAfter: 700 * time.Millisecond}
	l.Sensors[2] = Sensor{Name: "Nozzle", Role: RoleNozzle, Ceiling: 450, Heaters: 1, Guard: true, LostAfter: 700 * time.Millisecond}
	l.Sensors[3] = Sensor{Name: "Neighbour", Role: RoleNeighbour, Ceiling: 207, Heaters: All}
	l.NSensors = 4
	l.Heaters[0] = Heater{Name: "Top air", Blower: 0, Sense: true}
	l.Heaters[1] = Heater{Name: "Area", Blower: -1, Sense: true}
	l.NHeaters = 2
	l.Blowers[0] = Blower{Name: "Top blower", Proof: true}
	l.NBlowers = 1
	for i, k := range []InterlockKind{EmergencyStop, Door, Extraction, Limiter} {
		l.Interlocks[i] = Interlock{Name: string(k), Kind: k}
	}
	l.NInterlock = 4
	change(&l)
	g, err := NewGuard(l)
	if err != nil {
		t.Fatal(err)
	}
	b := &bench{t: t, g: g}
	for i := range 4 {
		b.f.Closed[i] = true
	}
	b.f.BlowerOn[0], b.f.AirFlows[0] = true, true
	b.f.Armed, b.f.Mirror, b.f.Enabled = true, true, true
	b.run(2 * time.Second) // air is proven by then
	if b.v.Allow&3 != 3 || b.v.Tripped {
		t.Fatalf("a healthy machine is not allowed to heat: %+v", b.v)
	}
	return b
}

// run steps for d with the facts as they are; readings are fresh unless marked otherwise.
func (b *bench) run(d time.Duration) {
	for end := b.now + d; b.now < end; {
		b.step()
	}
}

func (b *bench) step() {
	b.now += tick
	for i := range b.g.limits.NSensors {
		if b.f.Readings[i].Usable() || b.f.Readings[i].Quality == unit.NotRead {
			c, _ := b.f.Readings[i].Temp()
			if b.f.Readings[i].Quality == unit.NotRead {
				c = 100
			}
			b.f.Readings[i] = unit.Measured(b.now, c)
		}
	}
	b.v = b.g.Step(b.now, &b.f)
}

func (b *bench) set(i int, c unit.Celsius) { b.f.Readings[i] = unit.Measured(b.now, c) }

// firstOut returns the code of the first trip, or "".
func (b *bench) firstOut() string {
	r, _, _, ok := b.g.FirstOut()
	if !ok {
		return ""
	}
	return rows[r].Code
}

// untilOff steps until heater set m is off and returns how long that took.
func (b *bench) untilOff(m Mask, most time.Duration) time.Duration {
	b.t.Helper()
	from := b.now
	for b.now-from < most {
		b.step()
		if b.v.Allow&m == 0 {
			return b.now - from
		}
	}
	b.t.Fatalf("heat is still allowed %v after the fault", most)
	return 0
}

func TestEveryFaultTakesTheHeatAwayInItsClassAndIsNamedFirst(t *testing.T) {
	for _, c := range []struct {
		story  string
		do     func(b *bench)
		off    Mask // which heaters must be off
		within time.Duration
		trip   string // first-out once everything has settled; "" for none
	}{
		{"emergency stop, same tick", func(b *bench) { b.f.Closed[0] = false }, All, tick, "emergency_stop"},
		{"door, same tick", func(b *bench) { b.f.Closed[1] = false }, All, tick, "door"},
		{"limiter, same tick", func(b *bench) { b.f.Closed[3] = false }, All, tick, "limiter"},
		{"joint at its ceiling, same tick", func(b *bench) { b.set(0, 260) }, All, tick, "over_ceiling"},
		{"package top over its ceiling, same tick", func(b *bench) { b.set(1, 261) }, All, tick, "over_ceiling"},
		{"neighbour at its ceiling, same tick", func(b *bench) { b.set(3, 207) }, All, tick, "over_ceiling"},
		{"package top at this run's own lower ceiling", func(b *bench) { b.f.RunCeiling.PackageTop = 90 }, All, tick, "over_ceiling"},
		{"joint sensor open", func(b *bench) { b.f.Readings[0] = unit.Unusable(b.now, unit.Open) }, All, time.Second, "sensor_lost"},
		{"nozzle sensor answers nothing", func(b *bench) { b.f.Readings[2] = unit.Unusable(b.now, unit.NoAnswer) }, All, time.Second, "sensor_lost"},
		{"blower dead: its head at once", func(b *bench) { b.f.AirFlows[0] = false }, 1, tick, "air_lost"},
		{"blower dead: everything in class R2", func(b *bench) { b.f.AirFlows[0] = false }, All, 2 * time.Second, "air_lost"},
		{"relay stuck on", func(b *bench) { b.f.Sensed = 2; b.f.Driven = 0 }, All, time.Second, "relay_stuck"},
		{"extraction lost for longer than it may be", func(b *bench) { b.f.Closed[2] = false }, All, 10*time.Second + tick, "extraction"},
		{"a tick 301 ms late", func(b *bench) { b.f.Late = 301 * time.Millisecond }, All, tick, "late"},
		{"a drive that is no number", func(b *bench) { b.f.BadDrive = true }, All, tick, "bad_drive"},
		{"no tick at all", func(b *bench) { b.f.Silent = true }, All, tick, "silent"},
		{"a run without end", func(b *bench) { b.f.HeatFor = time.Hour }, All, tick, "run_too_long"},
		{"contactor does not close", func(b *bench) { b.f.Mirror = false }, All, 1100 * time.Millisecond, "contactor_open"},
	} {
		t.Run(c.story, func(t *testing.T) {
			b := newBench(t)
			c.do(b)
			if took := b.untilOff(c.off, time.Minute); took > c.within {
				t.Errorf("heat went after %v; class allows %v", took, c.within)
			}
			b.run(3 * time.Second)
			if got := b.firstOut(); got != c.trip {
				t.Errorf("first-out is %q; want %q", got, c.trip)
			}
		})
	}
}

func TestAContactorThatStaysClosedWithoutHeatEnableIsFoundAtRest(t *testing.T) {
	b := newBench(t)
	b.f.Armed, b.f.Enabled = false, false
	b.run(2 * time.Second)
	if b.firstOut() != "contactor_welded" {
		t.Errorf("first-out is %q", b.firstOut())
	}
}

func TestOneHotSampleRemovesHeatForThatTickButDoesNotEndTheRun(t *testing.T) {
	b := newBench(t)
	b.set(1, 300)
	b.step()
	if b.v.Allow != 0 || b.v.Tripped {
		t.Fatalf("allowed %b, tripped %v; want nothing allowed and no trip", b.v.Allow, b.v.Tripped)
	}
	b.set(1, 240)
	b.step()
	if b.v.Allow&3 != 3 {
		t.Errorf("heat did not come back after a single hot sample: %b", b.v.Allow)
	}
}

func TestAZoneCeilingTakesOnlyItsOwnHeaterInTheFirstTick(t *testing.T) {
	b := newBench(t)
	b.set(2, 450)
	b.step()
	if b.v.Allow.Has(0) || !b.v.Allow.Has(1) {
		t.Errorf("allowed %b; want only heater 1", b.v.Allow)
	}
}

func TestHeatIsHeldFromTheFirstBadSampleOfAGuardSensor(t *testing.T) {
	b := newBench(t)
	b.f.Readings[0] = unit.Unusable(b.now, unit.Open)
	b.step()
	if !b.v.Hold || b.v.Tripped {
		t.Errorf("hold %v, tripped %v after one bad sample; want held and not tripped", b.v.Hold, b.v.Tripped)
	}
}

func TestABurstOfBadSamplesShorterThanTheLostTimeIsForgiven(t *testing.T) {
	b := newBench(t)
	for range 20 { // once every second: 0.3 s of nothing
		b.f.Readings[0] = unit.Unusable(b.now, unit.NoAnswer)
		b.run(300 * time.Millisecond)
		b.set(0, 180)
		b.run(700 * time.Millisecond)
	}
	if b.v.Tripped {
		t.Errorf("tripped on %s", b.firstOut())
	}
}

func TestOneOfSeveralJointsLostTellsAndTheLastOneEndsTheHeat(t *testing.T) {
	b := newBenchOf(t, func(l *Limits) {
		l.Sensors[4] = Sensor{Name: "Centre joint", Role: RoleJoint, Ceiling: 260, Heaters: All, Guard: true, LostAfter: 700 * time.Millisecond}
		l.NSensors = 5
	})
	b.run(time.Second)
	b.f.Readings[0] = unit.Unusable(b.now, unit.Open)
	b.run(5 * time.Second)
	if b.v.Tripped || b.v.Hold || b.v.Allow&3 != 3 {
		t.Fatalf("losing one of two joints changed the heat: %+v", b.v)
	}
	var list [8]Active
	told := false
	for _, a := range list[:b.g.Alarms(list[:])] {
		told = told || rows[a.Row].Code == "joint_missing"
	}
	if !told {
		t.Error("nobody was told")
	}
	b.f.Readings[4] = unit.Unusable(b.now, unit.Open)
	if took := b.untilOff(All, time.Minute); took > time.Second {
		t.Errorf("heat went %v after the last joint was lost", took)
	}
}

func TestAMonitorSensorLostTellsAndNoMore(t *testing.T) {
	b := newBench(t)
	b.f.Readings[3] = unit.Unusable(b.now, unit.Open)
	b.run(time.Minute)
	if b.v.Tripped || b.v.Hold || b.v.Allow&3 != 3 {
		t.Errorf("losing a sensor that nothing depends on changed the heat: %+v", b.v)
	}
}

func TestResetWaitsUntilEveryCauseHasBeenGoneForASecondAndGivesNoHeat(t *testing.T) {
	b := newBench(t)
	b.f.Closed[1] = false
	b.run(time.Second)
	_, _, id, _ := b.g.FirstOut()
	if err := b.g.Reset(id); err == nil {
		t.Fatal("reset with the door open was accepted")
	}
	b.f.Armed = false // the station has gone to rest
	b.run(2 * time.Second)
	if err := b.g.Reset(id); err == nil {
		t.Fatal("reset at rest with the door still open was accepted: an armed condition must not hide its cause")
	}
	b.f.Closed[1] = true
	b.run(time.Second + tick)
	if err := b.g.Reset(id + 1); err == nil {
		t.Error("reset of another trip's number was accepted")
	}
	if err := b.g.Reset(id); err != nil {
		t.Fatalf("reset with every cause gone was refused: %v", err)
	}
	b.step()
	if b.v.Allow != 0 || b.v.Tripped {
		t.Errorf("after reset allowed %b, tripped %v; want nothing of either", b.v.Allow, b.v.Tripped)
	}
}

func TestAnAlarmSaysThatItsCauseIsStillThereAlsoAtRest(t *testing.T) {
	b := newBench(t)
	b.f.Closed[1] = false
	b.run(time.Second)
	b.f.Armed = false
	b.step()
	var list [8]Active
	for _, a := range list[:b.g.Alarms(list[:])] {
		if rows[a.Row].Code == "door" && !a.True {
			t.Error("the door is open and its alarm says that the cause is gone")
		}
	}
}

func TestAReleaseDoesNotRestart(t *testing.T) {
	b := newBench(t)
	b.f.Closed[0] = false
	b.run(time.Second)
	b.f.Closed[0] = true
	b.run(time.Minute)
	if !b.v.Tripped || b.v.Allow != 0 {
		t.Errorf("releasing the emergency stop gave heat back: %+v", b.v)
	}
}

func TestTheFirstOutCauseIsNeverOverwritten(t *testing.T) {
	b := newBench(t)
	b.f.AirFlows[0] = false
	b.run(2 * time.Second)
	b.f.Closed[0] = false // more important, but later
	b.run(time.Second)
	if got := b.firstOut(); got != "air_lost" {
		t.Errorf("first-out is %q; want air_lost", got)
	}
}

func TestHeatNeedsAirProvenForASecond(t *testing.T) {
	b := newBench(t)
	b.f.Armed = false
	b.f.BlowerOn[0], b.f.AirFlows[0] = false, false
	b.run(time.Second)
	b.f.Armed, b.f.BlowerOn[0], b.f.AirFlows[0] = true, true, true
	b.run(900 * time.Millisecond)
	if b.v.Allow.Has(0) {
		t.Error("air heater allowed before its air was proven for a second")
	}
	b.run(300 * time.Millisecond)
	if !b.v.Allow.Has(0) {
		t.Error("air heater not allowed although its air has been proven")
	}
}

func TestNothingIsAllowedWhileNotArmed(t *testing.T) {
	b := newBench(t)
	b.f.Armed = false
	b.step()
	if b.v.Allow != 0 {
		t.Errorf("allowed %b at rest", b.v.Allow)
	}
}

func TestARunCanTightenACeilingButNeverLoosenIt(t *testing.T) {
	b := newBench(t)
	b.f.RunCeiling.PackageTop = 400
	b.set(1, 260)
	b.step()
	if b.v.Allow != 0 {
		t.Error("a run raised the station's own ceiling")
	}
}

func TestLimitsThatCouldNotProtectAreRefused(t *testing.T) {
	good := newBench(t).g.limits
	for name, spoil := range map[string]func(*Limits){
		"no ceiling":                  func(l *Limits) { l.Sensors[0].Ceiling = 0 },
		"a ceiling that is no number": func(l *Limits) { l.Sensors[0].Ceiling = unit.Celsius(nan()) },
		"a guard lost after 3 s":      func(l *Limits) { l.Sensors[0].LostAfter = 3 * time.Second },
		"a guard never lost":          func(l *Limits) { l.Sensors[0].LostAfter = 0 },
		"no longest run":              func(l *Limits) { l.MaxRun = 0 },
		"a minute without extraction": func(l *Limits) { l.ExtractionHold = time.Minute },
	} {
		l := good
		spoil(&l)
		if _, err := NewGuard(l); err == nil {
			t.Errorf("%s was accepted", name)
		}
	}
}

func nan() float64 { z := 0.0; return z / z }

func TestStepAllocatesNothing(t *testing.T) {
	b := newBench(t)
	var dst [8]Active
	if n := testing.AllocsPerRun(100, func() { b.step(); b.g.Alarms(dst[:]) }); n != 0 {
		t.Errorf("%v allocations per step", n)
	}
}

// TestEveryLatchingRowHasATitleAndAnInstruction keeps the table printable.
func TestEveryRowSaysWhatHappenedAndWhatToDo(t *testing.T) {
	seen := map[string]bool{}
	for _, r := range Rows() {
		if r.Title == "" || r.Do == "" || seen[r.Code] {
			t.Errorf("row %q: no title, no instruction, or a code used twice", r.Code)
		}
		seen[r.Code] = true
		if r.Latch && r.Action < CutHeat {
			t.Errorf("row %q latches without cutting heat", r.Code)
		}
	}
	l := newBench(t).g.limits
	for r := range rows {
		if s := Title(&l, r, 0); len(s) == 0 || s[0] == '%' || fmt.Sprint(s) != s {
			t.Errorf("row %q has title %q", rows[r].Code, s)
		}
	}
}

func BenchmarkGuardStep(b *testing.B) {
	t := &testing.T{}
	k := newBench(t)
	b.ReportAllocs()
	for b.Loop() {
		k.step()
	}
}
