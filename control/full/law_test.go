package full_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"trivet/control"
	"trivet/control/full"
	"trivet/process"
	"trivet/process/unit"
)

// rig is a law with inputs that stand in for a machine at room temperature.
type rig struct {
	law *full.Law
	in  control.Inputs
	out control.Outputs
	now time.Duration
}

func newRig(t testing.TB) *rig {
	t.Helper()
	tr := named(t, 0.6)[0]
	zones := zonesOf()
	f := factsOf(tr.machine, tr.board)
	r := &rig{law: full.New(full.Config{
		Cascade: control.Config{Zones: zones, Budget: 5200, Tuning: control.DefaultTuning(), Ambient: 25, Reach: f.Reach, Load: f.Load},
		Facts:   f, Tuning: full.DefaultTuning(),
	})}
	p, err := process.NewPlan(tinLeadFree(0.6), 25)
	if err != nil {
		t.Fatal(err)
	}
	r.in = control.Inputs{Plan: p, Heat: true, Allowed: 0xff, BodyTop: 247}
	r.warm(25, 25)
	return r
}

// warm sets what the thermocouples say.
func (r *rig) warm(joint, heaters float64) {
	r.in.Joint, r.in.Body = unit.Measured(r.now, unit.Celsius(joint)), unit.Measured(r.now, unit.Celsius(joint))
	for i := range 5 {
		r.in.Heaters[i] = unit.Measured(r.now, unit.Celsius(heaters))
	}
	r.law.SeeBoard(unit.Measured(r.now, unit.Celsius(joint)))
}

// tick moves by 100 ms and does the slow work if asked to.
func (r *rig) tick(work bool) {
	r.now += 100 * time.Millisecond
	r.in.Profile += 100 * time.Millisecond
	r.law.Step(r.now, &r.in, &r.out)
	if !work {
		return
	}
	if w, ok := r.law.Want(); ok {
		r.law.Give(full.Solve(w))
	}
}

func TestWithoutAPlanTheCascadeSteers(t *testing.T) {
	r := newRig(t)
	f := factsOf(named(t, 0.6)[0].machine, named(t, 0.6)[0].board)
	c := control.New(control.Config{Zones: zonesOf(), Budget: 5200, Tuning: control.DefaultTuning(), Ambient: 25, Reach: f.Reach, Load: f.Load})
	var want control.Outputs
	for range 300 {
		r.tick(false)
		in := r.in
		c.Step(r.now, &in, &want)
		if r.out != want {
			t.Fatalf("at %v the law says %+v; the cascade %+v", r.now, r.out, want)
		}
	}
	if r.law.Plan() != nil || r.law.Pace() != 1 {
		t.Error("claims to follow a plan that nobody made")
	}
}

// zonesOf are the heaters of a rig.
func zonesOf() []control.Zone {
	zones := make([]control.Zone, 5)
	for i := range zones {
		zones[i] = control.Zone{Kind: control.Area, Rated: 1000, Ceiling: 520, Gain: 9e11, Inertia: 0.15, Kp: 0.03, Ti: 40}
	}
	zones[0] = control.Zone{Kind: control.TopAir, Rated: 1200, Ceiling: 400, Gain: 385, Inertia: 0.2, Kp: 0.03, Ti: 26}
	zones[1] = control.Zone{Kind: control.BottomAir, Rated: 1000, Ceiling: 400, Gain: 348, Inertia: 0.2, Kp: 0.03, Ti: 26}
	return zones
}

func TestAPlanThatIsNotRenewedIsLeftForTheCascade(t *testing.T) {
	r := newRig(t)
	for range 30 {
		r.tick(true)
	}
	if r.law.Plan() == nil {
		t.Fatal("no plan after three seconds with the slow work done at once")
	}
	for range 400 {
		r.tick(false)
	}
	if r.law.Plan() == nil {
		t.Fatal("a plan 40 s old is still good, but was dropped")
	}
	for range 100 {
		r.tick(false)
	}
	if r.law.Plan() != nil {
		t.Error("a plan 50 s old is still followed")
	}
}

func TestAResultOfAnEarlierRunIsNotTaken(t *testing.T) {
	r := newRig(t)
	for range 12 {
		r.tick(false)
	}
	w, ok := r.law.Want()
	if !ok {
		t.Fatal("a run that has begun asks for no work")
	}
	if _, again := r.law.Want(); again {
		t.Error("work is given out twice")
	}
	r.law.Begin()
	r.law.Give(full.Solve(w))
	r.in.Profile = 0
	r.tick(false)
	if r.law.Plan() != nil {
		t.Error("the new run follows a plan of the old one")
	}
}

func TestAHeldRunGoesOnWithoutItsOldPlan(t *testing.T) {
	r := newRig(t)
	for range 30 {
		r.tick(true)
	}
	r.law.Transfer(&r.in)
	r.tick(false)
	if r.law.Plan() != nil {
		t.Error("after a hold the plan from before it is followed")
	}
	for range 20 {
		r.tick(true)
	}
	if r.law.Plan() == nil {
		t.Error("no new plan was asked for")
	}
}

func TestTheTickAllocatesNothing(t *testing.T) {
	r := newRig(t)
	for range 30 {
		r.tick(true)
	}
	if n := testing.AllocsPerRun(100, func() { r.tick(false) }); n != 0 {
		t.Errorf("%v allocations per tick; none are allowed", n)
	}
}

func TestHoldingTakesHeatAwayAndNeverGivesIt(t *testing.T) {
	r := newRig(t)
	for range 50 {
		r.tick(true)
	}
	before := r.out.Duty
	r.in.Keep = true
	for range 50 {
		r.tick(true)
		for i, d := range r.out.Duty {
			if d > before[i]+1e-12 {
				t.Fatalf("zone %d rises from %.3f to %.3f while the guard holds", i, before[i], d)
			}
		}
		before = r.out.Duty
	}
}

func TestNoHeatIsAskedForWhenNoneIsWanted(t *testing.T) {
	r := newRig(t)
	for range 50 {
		r.tick(true)
	}
	r.in.Heat, r.in.Cool = false, true
	for range 20 {
		r.tick(true)
		if r.out.On != 0 || r.out.Duty != ([control.MaxZones]float64{}) {
			t.Fatalf("heats while cooling: %+v", r.out)
		}
	}
}

// Whatever the thermocouples say or fail to say, duties stay between none and all and the law never asks to be tripped.
func TestNoReadingMakesTheLawAskForNonsense(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 9))
	for range 2 {
		r := newRig(t)
		for k := range 200 {
			wild := func() unit.Reading {
				switch rng.IntN(5) {
				case 0:
					return unit.Unusable(r.now, unit.Open)
				case 1:
					return unit.Measured(r.now, unit.Celsius(math.NaN()))
				case 2:
					return unit.Measured(r.now, unit.Celsius(-50+1000*rng.Float64()))
				}
				return unit.Measured(r.now, unit.Celsius(25+float64(k)/4))
			}
			r.in.Joint, r.in.Body = wild(), wild()
			for i := range 5 {
				r.in.Heaters[i] = wild()
			}
			r.law.SeeBoard(wild())
			r.in.Still, r.in.Keep = rng.IntN(40) == 0, rng.IntN(40) == 0
			r.tick(true)
			if r.out.Bad {
				t.Fatalf("tick %d: a duty is no number: %+v", k, r.out)
			}
			total := 0.0
			for i, d := range r.out.Duty {
				if !(d >= 0 && d <= 1) {
					t.Fatalf("tick %d: duty of zone %d is %g", k, i, d)
				}
				if i < 5 {
					total += d * 1000
				}
			}
			if p := r.law.Pace(); !(p > 0 && p <= 1) {
				t.Fatalf("tick %d: pace %g", k, p)
			}
		}
	}
}

func BenchmarkTick(b *testing.B) {
	r := newRig(b)
	for range 30 {
		r.tick(true)
	}
	b.ReportAllocs()
	for b.Loop() {
		r.tick(false)
		r.now -= 50 * time.Millisecond // stay near the plan
	}
}
