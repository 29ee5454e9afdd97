package safety

import (
	"testing"
	"time"

	"trivet/process/unit"
)

// raised reports whether an alarm is shown and its cause still there.
func (b *bench) raised(code string) bool {
	var list [24]Active
	for _, a := range list[:b.g.Alarms(list[:])] {
		if rows[a.Row].Code == code && a.True {
			return true
		}
	}
	return false
}

// around is the bench with a board sensor beside joint and package top, all at 150 °C.
func around(t *testing.T) *bench {
	b := newBenchOf(t, func(l *Limits) {
		l.Sensors[4] = Sensor{Name: "Board", Role: RoleBoard, Ceiling: 260, Heaters: All, Guard: true, LostAfter: 700 * time.Millisecond}
		l.NSensors = 5
	})
	for _, i := range []int{0, 1, 4} {
		b.set(i, 150)
	}
	b.run(10 * time.Second)
	return b
}

func TestAJointThatFitsNothingAroundItIsHeldThenCutOff(t *testing.T) {
	for story, c := range map[string]struct {
		joint, estimate unit.Celsius // estimate 0: none
		want            string
	}{
		"in the jet":                     {176, 0, "joint_astray"},
		"beside the part":                {124, 0, "joint_astray"},
		"above the law's estimate":       {160, 139, "joint_astray"},
		"below the law's estimate":       {140, 161, "joint_astray"},
		"hot, but a part can be so":      {174, 0, ""},
		"cold, but a part can be so":     {126, 0, ""},
		"near enough to the estimate":    {160, 149, ""},
		"nothing said by the law at all": {150, 0, ""},
	} {
		b := around(t)
		b.set(0, c.joint)
		if c.estimate > 0 {
			b.f.Estimate = unit.Measured(0, c.estimate)
		}
		b.run(2 * time.Second)
		if b.v.Hold != (c.want != "") || b.v.Tripped {
			t.Errorf("%s: after 2 s held %v, tripped %v", story, b.v.Hold, b.v.Tripped)
		}
		b.run(3 * time.Second)
		if got := b.firstOut(); got != c.want {
			t.Errorf("%s: first-out %q, want %q", story, got, c.want)
		}
	}
}

func TestAHeadHotterThanItsPowerExplainsIsHeldOrCutByWhatElseIsKnown(t *testing.T) {
	for _, sense := range []bool{true, false} {
		b := newBenchOf(t, func(l *Limits) {
			l.Room = 100
			l.Heaters[0].Sense = sense
			l.Heaters[0].Loop = Loop{Sensor: 2, Gain: 380, Inertia: 0.2, Band: 20}
		})
		for k := range 60 {
			b.set(2, unit.Celsius(100+2*float64(k)/2)) // 10 °C/s with no drive at all
			b.step()
		}
		if sense && (b.v.Tripped || !b.v.Hold || !b.raised("air_weak")) {
			t.Errorf("with a load sense: held %v, tripped on %q; want held and told", b.v.Hold, b.firstOut())
		}
		if !sense && b.firstOut() != "heat_astray" {
			t.Errorf("without a load sense: first-out %q; want heat_astray", b.firstOut())
		}
	}
}

func TestTheHeatBalanceCountsPowerWithTheSquareOfTheVoltage(t *testing.T) {
	low, full := balance{}, balance{}
	o := Loop{Sensor: 0, Gain: 380, Inertia: 0.2}
	for k := range 100 {
		for _, c := range []struct {
			b *balance
			v float64
		}{{&low, 0.5}, {&full, 1}} {
			f := Facts{Driven: 1, Supply: c.v}
			if k == 0 {
				f.Readings[0] = unit.Measured(0, 25)
			}
			c.b.step(tick, &o, 25, 0, &f)
		}
	}
	if r := (low.t - 25) / (full.t - 25); !(r > 0.24 && r < 0.26) {
		t.Errorf("half the voltage gives %.2f of the rise; want a quarter", r)
	}
}

func TestWhatOnlyTellsTellsAndTakesNoHeat(t *testing.T) {
	for code, do := range map[string]func(b *bench, k int){
		"sensor_noisy": func(b *bench, k int) { b.set(3, unit.Celsius(100+1.5*float64(k%2))) },
		"supply":       func(b *bench, _ int) { b.f.Supply = 0.84 },
	} {
		b := newBenchOf(t, func(l *Limits) { l.Supply = true; l.Sensors[3].Noise = 0.1 })
		b.f.Supply = 1
		b.run(time.Second)
		if b.raised(code) {
			t.Fatalf("%s on a healthy machine", code)
		}
		for k := range 100 {
			do(b, k)
			b.step()
		}
		if !b.raised(code) || b.v.Tripped || b.v.Hold || b.v.Allow&3 != 3 {
			t.Errorf("%s: raised %v, %+v", code, b.raised(code), b.v)
		}
	}
}

func TestABlowerThatStopsAfterTheRunIsTold(t *testing.T) {
	b := newBench(t)
	b.f.Armed, b.f.AirFlows[0] = false, false
	b.run(3 * time.Second)
	if !b.raised("run_on_air") || b.v.Tripped {
		t.Errorf("raised %v, tripped on %q", b.raised("run_on_air"), b.firstOut())
	}
}

func TestPoorMainsAndAFrostyBoxRefuseAStart(t *testing.T) {
	for _, c := range []struct {
		supply float64
		cold   unit.Celsius
		want   bool
	}{{1, 20, true}, {0.85, 20, true}, {0.84, 20, false}, {1.1, 20, true}, {1.11, 20, false}, {0, 20, false}, {nan(), 20, false}, {1, 4.9, false}, {1, 5, true}} {
		b := newBenchOf(t, func(l *Limits) { l.Supply = true })
		for i := range 4 {
			b.set(i, 25)
		}
		b.f.Supply, b.f.Cold[1] = c.supply, unit.Measured(b.now, c.cold)
		if got := Ready(&b.g.limits, &b.f); got != c.want {
			t.Errorf("mains %g, amplifier at %v: ready %v", c.supply, c.cold, got)
		}
	}
}

func TestACeilingThatIsTakenAwayUnderWayIsAFault(t *testing.T) {
	for _, to := range []unit.Celsius{0, 251, unit.Celsius(nan())} {
		b := newBench(t)
		b.f.Armed = false
		b.step()
		b.f.Armed, b.f.RunCeiling.PackageTop = true, 250
		b.run(time.Second)
		b.f.RunCeiling.PackageTop = 240 // tighter is always allowed
		b.step()
		b.f.RunCeiling.PackageTop = 250
		b.step()
		if b.v.Tripped {
			t.Fatal("tightening and going back tripped")
		}
		b.f.RunCeiling.PackageTop = to
		b.step()
		if b.firstOut() != "memory" || b.v.Allow != 0 {
			t.Errorf("%v: first-out %q", to, b.firstOut())
		}
	}
}

func TestAnAmplifierThatWarmsAwayFromTheOthersCounts(t *testing.T) {
	b := newBench(t)
	for k := range 1500 { // 0.1 °C/s: no jump at all
		for i := range 3 {
			b.f.Cold[i] = unit.Measured(b.now, 28)
		}
		b.f.Cold[0] = unit.Measured(b.now, unit.Celsius(28+0.01*float64(k)))
		b.step()
	}
	if !b.raised("cold_junction") || b.firstOut() != "sensor_lost" {
		t.Errorf("told %v, first-out %q", b.raised("cold_junction"), b.firstOut())
	}
}

func TestTheStartUpTestMaySwitchOneRelayAndNothingMore(t *testing.T) {
	b := newBench(t)
	b.f.Armed, b.f.BlowerOn[0], b.f.AirFlows[0] = false, false, false
	b.f.Testing, b.f.Test = true, StartOut{Relays: 1, Enable: true}
	b.step()
	if b.v.Allow != 1 {
		t.Errorf("allowed %b in the test of relay 0", b.v.Allow)
	}
	for code, f := range map[string]Finding{"start_bypass": FoundBypass, "start_no_contact": FoundNoContact, "start_one_shot": FoundOneShot,
		"start_relay_stuck": FoundStuck, "start_relay_dead": FoundDead, "start_crossed": FoundCrossed} {
		b := newBench(t)
		b.f.Armed, b.f.Testing, b.f.Test = false, true, StartOut{Found: f, At: 1, Relays: 3}
		b.step()
		if b.firstOut() != code || b.v.Allow != 0 {
			t.Errorf("finding %d: first-out %q, allowed %b", f, b.firstOut(), b.v.Allow)
		}
	}
	b.f.Closed[1] = false
	b.step()
	if b.firstOut() != "door" || b.v.Allow != 0 {
		t.Errorf("a door opened during the test: first-out %q, allowed %b", b.firstOut(), b.v.Allow)
	}
}

func TestAWeldedContactorWithoutSensesIsFoundByItsMirror(t *testing.T) {
	l := &Limits{NHeaters: 2, Mirror: true, StartTest: true}
	var s Startup
	s.Begin(l)
	for now := time.Duration(0); now < time.Second; now += tick {
		if out := s.Step(now, StartIn{Mirror: true}); out.Found == FoundBypass {
			return
		}
	}
	t.Error("not found")
}

func TestOnlyTripsThatOweAnInspectionAreOwed(t *testing.T) {
	b := newBench(t)
	b.f.Closed[1], b.f.Closed[3] = false, false // door and limiter
	b.run(time.Second)
	var list [8]Owed
	if n := b.g.Owed(list[:]); n != 1 || list[0] != (Owed{"limiter", "limiter"}) {
		t.Errorf("owed %v", list[:n])
	}
	next := newBench(t)
	next.g.Restore(list[:1])
	next.step()
	_, _, id, _ := next.g.FirstOut()
	if next.v.Allow != 0 || next.firstOut() != "limiter" {
		t.Errorf("after a restart allowed %b, first-out %q", next.v.Allow, next.firstOut())
	}
	if err := next.g.Reset(id); err != nil {
		t.Errorf("a restored trip whose cause is gone could not be reset: %v", err)
	}
}

// TestACorruptGuardIsTrippedInEveryTick: the verdict does not hang on the row that tells of it.
func TestACorruptGuardIsTrippedInEveryTick(t *testing.T) {
	b := newBench(t)
	b.g.checks[0] ^= 1
	b.step()
	b.g.mem = [len(rows)][maxSubjects]memory{} // and the latch is lost as well
	b.g.latches, b.g.firstRow = [len(rows)]Mask{}, -1
	for r := range b.g.inverse {
		b.g.inverse[r] = ^Mask(0)
	}
	b.f.Armed = true
	b.step()
	if b.v.Allow != 0 || !b.v.Tripped {
		t.Errorf("%+v", b.v)
	}
}

func TestAnAlarmThatWasNeverShownLeavesNoMemory(t *testing.T) {
	b := newBench(t)
	b.f.Readings[0] = unit.Unusable(b.now, unit.NoAnswer)
	b.step()
	b.set(0, 100)
	b.step()
	for r := range rows {
		if rows[r].Code == "sensor_bad" && b.g.mem[r][0].raised {
			t.Error("a single lost sample is still raised after it")
		}
	}
}

// TestABitFlippedInAColdJunctionCostsOneSample: what came over a disturbed bus must not stand among the samples that later ones are compared
// with. One flip of 8 °C took the heat within a second before.
func TestABitFlippedInAColdJunctionCostsOneSample(t *testing.T) {
	b := newBench(t)
	held := 0
	for k := range 600 {
		for i := range 3 {
			b.f.Cold[i] = unit.Measured(b.now, 28)
		}
		switch k % 20 {
		case 10:
			b.f.Cold[0] = unit.Measured(b.now, 36)
		case 15:
			b.f.Cold[0] = unit.Unusable(b.now, unit.NoAnswer)
		}
		b.step()
		if b.v.Hold {
			held++
		}
		if b.v.Tripped {
			t.Fatalf("tripped on %s in tick %d", b.firstOut(), k)
		}
	}
	if held != 30 {
		t.Errorf("heat was held in %d ticks; want the 30 with a flipped bit", held)
	}
}

// TestAColdJunctionThatHasTrulyMovedIsBelievedInTheEnd: 2 °C at 0.5 °C/s take four seconds.
func TestAColdJunctionThatHasTrulyMovedIsBelievedInTheEnd(t *testing.T) {
	var tr track
	for range 20 {
		tr.jumps(25)
	}
	bad := 0
	for range 100 {
		if tr.jumps(27) {
			bad++
		}
	}
	if bad < 30 || bad > 40 {
		t.Errorf("disbelieved for %d ticks; want some 35", bad)
	}
}

// TestARelayThatLetsGoUnderDriveIsToldOfAndOneMisreadInAThousandIsNot (hazard P-08).
func TestARelayThatLetsGoUnderDriveIsToldOfAndOneMisreadInAThousandIsNot(t *testing.T) {
	for story, c := range map[string]struct {
		mute func(k int) bool
		told bool
	}{
		"every other tick": {func(k int) bool { return k%2 == 0 }, true},
		"a third of them":  {func(k int) bool { return k%3 == 0 }, true},
		"now and then":     {func(k int) bool { return k%7 == 0 }, false},
		"never":            {func(int) bool { return false }, false},
	} {
		b := looped(t)
		b.warm(1, time.Minute, 0.1)
		for k := range 50 {
			if b.f.Sensed = 1; c.mute(k) {
				b.f.Sensed = 0
			}
			b.set(2, unit.Celsius(b.g.past.heaters[0].seen+0.1*float64(k%2)))
			b.step()
		}
		if b.raised("relay_flutters") != c.told || b.firstOut() != "" {
			t.Errorf("%s: told %v, want %v; first-out %q", story, b.raised("relay_flutters"), c.told, b.firstOut())
		}
	}
}
