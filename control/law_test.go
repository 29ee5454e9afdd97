package control

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"trivet/process"
	"trivet/process/unit"
)

func zones() []Zone {
	return []Zone{
		{Kind: TopAir, Rated: 1200, Ceiling: 400, Gain: 380, Inertia: 0.2, Kp: 0.03, Ti: 26},
		{Kind: BottomAir, Rated: 1000, Ceiling: 400, Gain: 350, Inertia: 0.21, Kp: 0.033, Ti: 26},
		{Kind: Area, Rated: 1000, Ceiling: 520, Gain: 4.5e11, Inertia: 0.3, Kp: 0.047, Ti: 40},
		{Kind: Area, Rated: 1000, Ceiling: 520, Gain: 4.5e11, Inertia: 0.3, Kp: 0.047, Ti: 40},
	}
}

func plan(t testing.TB) *process.Plan {
	t.Helper()
	sac, _ := process.AlloyByName("SAC305")
	p, err := process.NewProfile(process.Profile{Name: "t", Title: "T", Kind: process.Removal, Alloy: sac, Segments: []process.Segment{
		{Name: "preheat", Target: 150, Ramp: 0.7, WaitWithin: 5},
		{Name: "peak", Target: 238, Ramp: 0.6, Hold: 20 * time.Second, Lift: true},
		{Name: "cool", Target: 60, Ramp: 1.2, Cool: true},
	}})
	if err != nil {
		t.Fatal(err)
	}
	plan, err := process.NewPlan(p, 25)
	if err != nil {
		t.Fatal(err)
	}
	return plan
}

func law(budget unit.Watt) *Law {
	return New(Config{Zones: zones(), Budget: budget, Tuning: DefaultTuning(), Ambient: 25,
		Reach: Reach{TopH: 100, BottomH: 70, AreaView: 0.5}, Load: Load{Board: 5500, Part: 10500}})
}

// TestNoInputsMakeMorePowerThanTheBudgetInAnyTick: whatever is read, the relays that are on together never exceed the budget, every
// duty is a number between 0 and 1, and what the guard forbids is never switched on (invariants I-2, I-9).
func TestNoInputsMakeMorePowerThanTheBudgetInAnyTick(t *testing.T) {
	pl := plan(t)
	rapid.Check(t, func(r *rapid.T) {
		budget := unit.Watt(rapid.Float64Range(100, 6000).Draw(r, "budget"))
		l := law(budget)
		var in Inputs
		var out Outputs
		in.Plan = pl
		for k := range 30 {
			now := time.Duration(k) * 100 * time.Millisecond
			in.Heat = rapid.Bool().Draw(r, "heat")
			in.Cool = !in.Heat
			in.Keep = rapid.Bool().Draw(r, "keep")
			in.Allowed = Set(rapid.IntRange(0, 15).Draw(r, "allowed"))
			in.Profile = time.Duration(rapid.IntRange(-10, 900).Draw(r, "profile")) * time.Second
			reading := func(name string) unit.Reading {
				if rapid.IntRange(0, 4).Draw(r, name+" bad") == 0 {
					return unit.Unusable(now, unit.Open)
				}
				return unit.Measured(now, unit.Celsius(rapid.Float64Range(-50, 900).Draw(r, name)))
			}
			in.Joint = reading("joint")
			for i := range 4 {
				in.Heaters[i] = reading("heater")
			}
			l.Step(now, &in, &out)
			power := 0.0
			for i, z := range zones() {
				if d := out.Duty[i]; !(d >= 0 && d <= 1) {
					r.Fatalf("duty %d is %v", i, d)
				}
				if out.On.Has(i) {
					power += float64(z.Rated)
					if !in.Allowed.Has(i) {
						r.Fatalf("zone %d is on although it is forbidden", i)
					}
				}
			}
			if power > float64(budget) {
				r.Fatalf("%g W on a budget of %g W", power, float64(budget))
			}
			if !in.Heat && out.On != 0 {
				r.Fatal("heat while cooling")
			}
		}
	})
}

// TestRelaysGiveTheAskedMeanPower: over a minute the share of ticks a relay is on equals the duty within one tick.
func TestRelaysGiveTheAskedMeanPower(t *testing.T) {
	for _, duty := range []float64{0, 0.013, 0.25, 1.0 / 3, 0.5, 0.77, 0.99, 1} {
		var s sharer
		z := zones()[:1]
		d := [MaxZones]float64{duty}
		on := 0
		for range 600 {
			if s.decide(z, &d, 2000, 1).Has(0) {
				on++
			}
		}
		if math.Abs(float64(on)-600*duty) > 1 {
			t.Errorf("duty %.3f: on in %d of 600 ticks", duty, on)
		}
	}
}

// TestAShortBudgetIsSharedInEveryTickAndStillMeansTheSame: two heaters that cannot be on together take turns, and each gets its mean.
func TestAShortBudgetIsSharedInEveryTickAndStillMeansTheSame(t *testing.T) {
	var s sharer
	z := zones()[2:]
	d := [MaxZones]float64{0.4, 0.4}
	var on [2]int
	for range 1000 {
		set := s.decide(z, &d, 1400, 3)
		if set == 3 {
			t.Fatal("both on within a budget for one")
		}
		for i := range on {
			if set.Has(i) {
				on[i]++
			}
		}
	}
	for i, n := range on {
		if n < 390 || n > 410 {
			t.Errorf("heater %d was on in %d of 1000 ticks; 400 were asked", i, n)
		}
	}
}

// TestWindUpIsForgotten: a heater that was forbidden for minutes does not come back with what it gathered meanwhile.
func TestWindUpIsForgotten(t *testing.T) {
	p := PI{Kp: 0.03, Ti: 26}
	for range 3000 {
		p.Step(0.1, 100, 0, 0, 1, true, false)
	}
	if p.Integral != 0 {
		t.Errorf("integral is %v after five forbidden minutes", p.Integral)
	}
	for range 3000 {
		p.Step(0.1, 100, 0, 0, 1, false, false) // saturated by the proportional part alone
	}
	if p.Integral > 0.5 {
		t.Errorf("integral is %v after five saturated minutes", p.Integral)
	}
}

func TestBumplessTransferMakesNoStep(t *testing.T) {
	p := PI{Kp: 0.03, Ti: 26}
	p.Bumpless(0.42, 7, 0.1)
	if got := p.Step(0, 7, 0.1, 0, 1, false, false); math.Abs(got-0.42) > 1e-12 {
		t.Errorf("after the transfer the output is %v; it was 0.42", got)
	}
}

// TestHeldHeatNeverRises: while the guard holds, no duty may exceed what it was (hazard S-01).
func TestHeldHeatNeverRises(t *testing.T) {
	l := law(5200)
	var in Inputs
	var out Outputs
	in.Plan, in.Heat, in.Allowed = plan(t), true, 15
	step := func(k int, joint unit.Celsius) {
		now := time.Duration(k) * 100 * time.Millisecond
		in.Profile = now
		in.Joint = unit.Measured(now, joint)
		for i := range 4 {
			in.Heaters[i] = unit.Measured(now, joint+30)
		}
		l.Step(now, &in, &out)
	}
	for k := range 100 {
		step(k, 25+unit.Celsius(k)/20)
	}
	before := out.Duty
	in.Keep = true
	for k := 100; k < 200; k++ {
		step(k, 25) // far too cold: the law would ask for everything
		for i := range 4 {
			if out.Duty[i] > before[i] {
				t.Fatalf("zone %d rose from %.3f to %.3f while held", i, before[i], out.Duty[i])
			}
		}
		before = out.Duty
	}
}

// TestWithNoJointTheTrimStaysWhereItIs: a lost joint must not be steered by.
func TestWithNoJointTheTrimStaysWhereItIs(t *testing.T) {
	l := law(5200)
	var in Inputs
	var out Outputs
	in.Plan, in.Heat, in.Allowed = plan(t), true, 15
	for k := range 50 {
		now := time.Duration(k) * 100 * time.Millisecond
		in.Profile = 60 * time.Second
		in.Joint = unit.Measured(now, 60)
		l.Step(now, &in, &out)
	}
	kept := l.joint
	for k := 50; k < 80; k++ {
		in.Joint = unit.Unusable(time.Duration(k)*100*time.Millisecond, unit.Open)
		l.Step(time.Duration(k)*100*time.Millisecond, &in, &out)
	}
	if l.joint != kept {
		t.Errorf("the filtered joint moved from %v to %v without a reading", kept, l.joint)
	}
}

func TestStepAllocatesNothing(t *testing.T) {
	l := law(3000)
	var in Inputs
	var out Outputs
	in.Plan, in.Heat, in.Allowed, in.Profile = plan(t), true, 15, 100*time.Second
	k := 0
	if n := testing.AllocsPerRun(200, func() {
		k++
		now := time.Duration(k) * 100 * time.Millisecond
		in.Joint = unit.Measured(now, 90)
		l.Step(now, &in, &out)
	}); n != 0 {
		t.Errorf("%v allocations per step", n)
	}
}

func BenchmarkLawStep(b *testing.B) {
	l := law(3000)
	var in Inputs
	var out Outputs
	in.Plan, in.Heat, in.Allowed, in.Profile = plan(b), true, 15, 100*time.Second
	b.ReportAllocs()
	k := 0
	for b.Loop() {
		k++
		in.Joint = unit.Measured(time.Duration(k)*100*time.Millisecond, 90)
		l.Step(time.Duration(k)*100*time.Millisecond, &in, &out)
	}
}

func TestALawWithoutAFilterAsksForNumbers(t *testing.T) {
	tuning := DefaultTuning()
	tuning.Filter = 0
	l := New(Config{Zones: zones(), Budget: 5200, Tuning: tuning, Ambient: 25, Reach: Reach{TopH: 100, BottomH: 70, AreaView: 0.5}, Load: Load{Board: 5500, Part: 10500}})
	in, out := Inputs{Plan: plan(t), Heat: true, Allowed: 15, Joint: unit.Measured(0, 25)}, Outputs{}
	l.Step(0, &in, &out)
	if out.Bad {
		t.Error("the first step of an unfiltered law is no number")
	}
}

// kitchen is a small machine whose relays do not add up to its budget of 1440 W: 700, 450, 400, 400 W.
func kitchenZones() []Zone { return []Zone{{Rated: 700}, {Rated: 450}, {Rated: 400}, {Rated: 400}} }

func TestWholeRelaysDrawWhatIsSaidOfABudget(t *testing.T) {
	if w := Deliverable(kitchenZones(), 1440); w != 1150 { // with 700 on, 450 is the most that fits; without, 450 + 2·400 would be 1250
		t.Errorf("%g W; by hand 1150 W", w)
	}
	if w := Deliverable(kitchenZones(), 3000); w != 3000 {
		t.Errorf("%g W of a budget that all heaters together do not reach", w)
	}
}

func TestEveryDemandThatRelaysCanServeIsServed(t *testing.T) {
	// Half the time {700, 450}, half {450, 400, 400}: means of 0.5, 1, 0.5, 0.5. Serving whoever waits longest does not find it.
	var s sharer
	duty := [MaxZones]float64{0.5, 1, 0.5, 0.5}
	var got [MaxZones]float64
	const ticks = 2000
	for range ticks {
		set, w := s.decide(kitchenZones(), &duty, 1440, 0xf), 0.0
		for i, z := range kitchenZones() {
			if set.Has(i) {
				got[i] += 1.0 / ticks
				w += float64(z.Rated)
			}
		}
		if w > 1440 {
			t.Fatalf("a tick draws %g W of 1440 W", w)
		}
	}
	for i := range kitchenZones() {
		if math.Abs(got[i]-duty[i]) > 0.02 {
			t.Errorf("heater %d gets %.3f of its time, asked was %.3f", i, got[i], duty[i])
		}
	}
}

// A heater without load sense is held to a share of its power, whichever law asks and however much it is owed.
func TestAHeaterThatMustNotHaveAllItsPowerDoesNotGetIt(t *testing.T) {
	zones := []Zone{{Kind: TopAir, Rated: 1000, MaxDuty: 0.85}, {Kind: BottomAir, Rated: 800}}
	var s sharer
	var duty [MaxZones]float64
	duty[0], duty[1] = 1, 1
	on := [2]int{}
	for range 1000 {
		set := s.decide(zones, &duty, 5000, 3)
		for i := range on {
			if set.Has(i) {
				on[i]++
			}
		}
	}
	if on[0] < 845 || on[0] > 855 || on[1] != 1000 {
		t.Errorf("in 1000 ticks the capped heater was on %d times, the other %d times", on[0], on[1])
	}
}
