package control

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"trivet/process/unit"
)

type stepper interface {
	Begin()
	Step(now time.Duration, in *Inputs, out *Outputs)
	Transfer(in *Inputs)
}

func path() []Waypoint {
	return []Waypoint{{At: 0, Top: 25, Bottom: 25, Area: 25}, {At: 100 * time.Second, Top: 225, Bottom: 125, Area: 425}, {At: 200 * time.Second, Top: 225, Bottom: 125, Area: 425}}
}

func simpler(budget unit.Watt) map[string]stepper {
	c := Config{Zones: zones(), Budget: budget, Tuning: DefaultTuning(), Ambient: 25}
	return map[string]stepper{
		"table": NewTable(c, path(), true), "pid": NewSingle(c, SingleTuning{Kc: 0.02, Ti: 60, Td: 10}), "cascade-pid": NewBare(c),
	}
}

// still is an input in the middle of a run in which nothing is wrong.
func still(t testing.TB, joint unit.Celsius) *Inputs {
	in := &Inputs{Plan: plan(t), Profile: 100 * time.Second, Heat: true, Allowed: 0xffff, Joint: unit.Measured(0, joint)}
	for i := range in.Heaters {
		in.Heaters[i] = unit.Measured(0, 100)
	}
	return in
}

// TestNoLawForComparisonLeavesItsRange: duties between 0 and 1, relays within the budget, nothing that the guard forbids, whatever
// is read (invariants I-2, I-9).
func TestNoLawForComparisonLeavesItsRange(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	const budget = 2300
	for name, l := range simpler(budget) {
		for k := range 2000 {
			in := still(t, unit.Celsius(rng.NormFloat64()*300))
			in.Heat, in.Still, in.Keep, in.Allowed = rng.IntN(9) > 0, rng.IntN(2) > 0, rng.IntN(9) == 0, Set(rng.IntN(16))
			in.Cool, in.BodyTop, in.Body = !in.Heat, 240, unit.Measured(0, unit.Celsius(rng.Float64()*300))
			if rng.IntN(4) == 0 {
				in.Joint, in.Heaters[1] = unit.Unusable(0, unit.Open), unit.Unusable(0, unit.Open)
			}
			if k%100 == 99 {
				l.Transfer(in)
			}
			var out Outputs
			l.Step(time.Duration(k)*100*time.Millisecond, in, &out)
			power := 0.0
			for i, z := range zones() {
				if !(out.Duty[i] >= 0 && out.Duty[i] <= 1) {
					t.Fatalf("%s: duty %g", name, out.Duty[i])
				}
				if out.On.Has(i) {
					power += float64(z.Rated)
				}
			}
			if power > budget || out.On&^in.Allowed != 0 {
				t.Fatalf("%s: %g W of %d W, relays %b of %b", name, power, budget, out.On, in.Allowed)
			}
		}
	}
}

func TestATableNeverLooksAtTheJoint(t *testing.T) {
	var first [20]Outputs
	for n, joint := range []unit.Reading{unit.Measured(0, 20), unit.Measured(0, 300), unit.Unusable(0, unit.Open)} {
		l := simpler(5000)["table"]
		for k := range first {
			in := still(t, 0)
			in.Joint = joint
			var out Outputs
			l.Step(time.Duration(k)*100*time.Millisecond, in, &out)
			if n == 0 {
				first[k] = out
			} else if out != first[k] {
				t.Fatalf("joint %v, step %d: %+v; with another joint %+v", joint, k, out, first[k])
			}
		}
	}
}

func TestATableMovesInStraightLinesFromTheFirstHeatedTick(t *testing.T) {
	l := simpler(5000)["table"]
	const wait = 30 // s without heat: the table's clock must not run
	for s, want := range map[int][3]float64{wait: {25, 25, 25}, wait + 50: {125, 75, 225}, wait + 150: {225, 125, 425}, wait + 900: {225, 125, 425}} {
		l.Begin()
		in := still(t, 100)
		var out Outputs
		for k := 0; k <= s; k++ {
			in.Heat = k >= wait
			l.Step(time.Duration(k)*time.Second, in, &out)
		}
		got := [3]float64{float64(out.Set[0]), float64(out.Set[1]), float64(out.Set[2])}
		for k := range got {
			if math.Abs(got[k]-want[k]) > 0.01 {
				t.Errorf("after %d s of heat: %v; want %v", s-wait, got, want)
				break
			}
		}
	}
}

func TestASinglePIDDrivesAllHeatersAlikeAndNoneWithoutAJoint(t *testing.T) {
	l := simpler(5000)["pid"]
	in := still(t, 20)
	var out Outputs
	l.Step(0, in, &out)
	if out.Duty[0] <= 0 || out.Duty[0] != out.Duty[1] || out.Duty[0] != out.Duty[3] {
		t.Errorf("duties %v for a joint that is too cold", out.Duty)
	}
	l.Begin()
	in.Joint = unit.Unusable(0, unit.Open)
	if l.Step(0, in, &out); out.Duty != [MaxZones]float64{} {
		t.Errorf("duties %v without a joint", out.Duty)
	}
}

// A plain P controller with a derivative: the duty must be Kc·(e + Td·(planned slope − slope of the joint)), textbook.
func TestTheDerivativeOfASinglePIDWorksOnTheError(t *testing.T) {
	l := NewSingle(Config{Zones: zones(), Budget: 5000, Tuning: Tuning{Filter: 1e-3}, Ambient: 25}, SingleTuning{Kc: 0.01, Ti: 0, Td: 20})
	in := still(t, 0)
	in.Still = true // the plan stands: its slope is 0
	target := float64(in.Plan.At(in.Profile).Target)
	var out Outputs
	const rise = 0.5 // K/s
	joint := 0.0
	for k := range 600 {
		joint = target - 40 + rise*0.1*float64(k)
		in.Joint = unit.Measured(0, unit.Celsius(joint))
		l.Step(time.Duration(k)*100*time.Millisecond, in, &out)
	}
	if want := 0.01 * (target - joint - 20*rise); math.Abs(out.Duty[0]-math.Max(0, want)) > 1e-3 {
		t.Errorf("duty %g; want %g", out.Duty[0], want)
	}
	l.Begin()
	for k := range 300 {
		joint = target - 60 + rise*0.1*float64(k)
		in.Joint = unit.Measured(0, unit.Celsius(joint))
		l.Step(time.Duration(k)*100*time.Millisecond, in, &out)
	}
	if want := 0.01 * (target - joint - 20*rise); want < 0.1 || math.Abs(out.Duty[0]-want) > 1e-3 {
		t.Errorf("duty %g; want %g", out.Duty[0], want)
	}
}

func TestTheBareCascadeStandsOnThePlanAloneWhenThereIsNoError(t *testing.T) {
	l := simpler(5000)["cascade-pid"]
	in := still(t, 0)
	target := in.Plan.At(in.Profile).Target
	in.Joint = unit.Measured(0, target)
	var out Outputs
	l.Step(0, in, &out)
	for i := range zones() {
		if math.Abs(float64(out.Set[i]-target)) > 1e-9 {
			t.Errorf("heater %d is sent to %v; the plan is at %v", i, out.Set[i], target)
		}
	}
}

func TestHotPackageTopsHoldBackTopAirAndNothingElse(t *testing.T) {
	for _, name := range []string{"pid", "cascade-pid"} {
		var cool, hot Outputs
		in := still(t, 0)
		target := in.Plan.At(in.Profile).Target
		in.Joint = unit.Measured(0, target-5) // near enough for every duty to lie between its limits
		for i := range in.Heaters {
			in.Heaters[i] = unit.Measured(0, target+40)
		}
		in.BodyTop, in.Body = 240, unit.Measured(0, 239)
		simpler(5000)[name].Step(0, in, &cool)
		in.Body = unit.Measured(0, 241)
		simpler(5000)[name].Step(0, in, &hot)
		if !(hot.Duty[0] < cool.Duty[0]) || cool.Duty[0] >= 1 || hot.Duty[1] != cool.Duty[1] || hot.Duty[2] != cool.Duty[2] {
			t.Errorf("%s: %v with a hot top, %v without", name, hot.Duty, cool.Duty)
		}
	}
}

func TestLawsForComparisonAllocateNothingInATick(t *testing.T) {
	for name, l := range simpler(5000) {
		in := still(t, 100)
		var out Outputs
		now := time.Duration(0)
		if n := testing.AllocsPerRun(100, func() { now += 100 * time.Millisecond; l.Step(now, in, &out) }); n != 0 {
			t.Errorf("%s: %g allocations in a step", name, n)
		}
	}
}
