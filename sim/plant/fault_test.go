package plant

import (
	"math"
	"reflect"
	"testing"
	"time"

	"trivet/process/unit"
)

// The orders of magnitude come from the study of hazards made for this project on a similar machine: a head at full
// power whose blower dies gains about 13 K/s, passes 700 °C within half a minute, and its air thermocouple falls meanwhile.
func TestADeadBlowerHeatsTheElementWhileTheNozzleReadsLess(t *testing.T) {
	p := newPlant(t, machineNamed(t, "bench-5kw"), boardNamed(t, "switch-16-layer"))
	d := duties(0.55)
	d.Heater[HeaterTop] = 0.7
	run(p, 200, d)
	d.Heater[HeaterTop], d.Blower[0] = 1, 0
	before, nozzle := p.Truth(), p.Sensed(NozzleTop)
	run(p, 2, d)
	after := p.Truth()
	if rise := float64(after.ElementTop-before.ElementTop) / 2; !(rise > 8 && rise < 15) {
		t.Errorf("element gains %.1f K/s", rise)
	}
	if fall := nozzle - p.Sensed(NozzleTop); !(fall > 5) {
		t.Errorf("nozzle thermocouple fell by %.1f K only", fall)
	}
	at := 2
	for ; at < 100 && p.Truth().ElementTop < 700; at++ {
		run(p, 1, d)
	}
	if !(at > 10 && at < 45) {
		t.Errorf("element at 700 °C after %d s", at)
	}
	run(p, 600, d)
	if end := p.Truth().ElementTop; !(end > 1000 && end < 1600) {
		t.Errorf("element ends at %v", end)
	}
	if r := p.Energy().Residual(); math.Abs(r) > 1e-3 {
		t.Errorf("balance off by %g", r)
	}
}

// Same source: all heaters full from cold bring the joint to 217 °C within two to four minutes on any board of this kind.
func TestFullPowerFromColdIsAsFastAsTheHazardStudySays(t *testing.T) {
	for name, want := range map[string]int{"thin-4-layer": 124, "handset-10-layer": 103, "switch-16-layer": 183, "server-24-layer": 234} {
		p := newPlant(t, machineNamed(t, "bench-5kw"), boardNamed(t, name))
		at := 0
		for ; at < 600 && p.Truth().CornerJoint < 217; at++ {
			run(p, 1, full())
		}
		t.Logf("%-18s 217 °C after %d s, study %d s", name, at, want)
		if r := float64(at) / float64(want); !(r > 0.75 && r < 1.33) {
			t.Errorf("%s: 217 °C after %d s, study %d s", name, at, want)
		}
	}
}

func TestPowerGoesWithTheSquareOfTheMains(t *testing.T) {
	p := newPlant(t, machineNamed(t, "kitchen-1k4"), boardNamed(t, "thin-4-layer"))
	d := full()
	d.Mains = 0.85
	run(p, 10, d)
	want := p.m.InstalledW() * 10 * 0.85 * 0.85
	if got := p.Energy().Delivered; math.Abs(got/want-1) > 1e-9 {
		t.Errorf("delivered %.1f J, want %.1f J", got, want)
	}
}

func TestASlippedThermocoupleReadsTheAirAndALooseStemAPartOfIt(t *testing.T) {
	p := newPlant(t, machineNamed(t, "bench-5kw"), boardNamed(t, "switch-16-layer"))
	run(p, 150, duties(0.7))
	seated := p.Sensed(Corner)
	truth := float64(p.Truth().CornerJoint)
	if d := math.Abs(seated - truth); !(d > 0 && d < 4) {
		t.Errorf("a seated couple reads %.1f at %.1f °C", seated, truth)
	}
	a := p.Attachment(Corner)
	a.Detached = 1
	p.SetAttachment(Corner, a)
	run(p, 5, duties(0.7))
	if inJet := p.Sensed(Corner); !(inJet > truth+50) {
		t.Errorf("in the jet it reads %.1f with the ball at %.1f °C", inJet, truth)
	}
	a.Aside = 1
	p.SetAttachment(Corner, a)
	run(p, 5, duties(0.7))
	if aside := p.Sensed(Corner); !(aside < truth-20) {
		t.Errorf("beside the jet it reads %.1f with the ball at %.1f °C", aside, truth)
	}
}

func TestAGapUnderTheNozzleCostsHeat(t *testing.T) {
	m, b := machineNamed(t, "bench-5kw"), boardNamed(t, "switch-16-layer")
	whole, leaky := newPlant(t, m, b), newPlant(t, m, b)
	d := Undisturbed()
	d.TopGap, d.TopHeat = 0.85, 0.7
	leaky.Disturb(d)
	run(whole, 200, duties(0.7))
	run(leaky, 200, duties(0.7))
	if fall := whole.Truth().PackageTop - leaky.Truth().PackageTop; !(fall > 5) {
		t.Errorf("package top only %v colder", fall)
	}
	leaky.Disturb(Undisturbed())
	if leaky.disturbance != whole.disturbance {
		t.Error("the disturbance does not go away")
	}
}

func TestTheSameInputsGiveTheSameBits(t *testing.T) {
	m, b := machineNamed(t, "bench-5kw"), boardNamed(t, "radar-12-ceramic")
	var first Truth
	for i := range 2 {
		p := newPlant(t, m, b)
		for s := range 300 {
			d := duties(float64(s%7) / 7)
			d.Fan = float64(s%3) / 2
			run(p, 1, d)
		}
		if i == 0 {
			first = p.Truth()
		} else if !reflect.DeepEqual(first, p.Truth()) {
			t.Errorf("second run ends at %+v, first at %+v", p.Truth(), first)
		}
	}
}

func TestNonsenseInputsDoNoHarm(t *testing.T) {
	p := newPlant(t, machineNamed(t, "kitchen-1k4"), boardNamed(t, "handset-10-layer"))
	nan, inf := math.NaN(), math.Inf(1)
	d := Drive{Blower: [2]float64{nan, inf}, Fan: -inf, Mains: nan}
	for i := range d.Heater {
		d.Heater[i] = nan
	}
	p.SetAttachment(Corner, Attachment{Lag: nan, Stem: nan, Detached: inf, Aside: -1})
	p.SetAttachment(Spot(200), Attachment{Lag: 1})
	p.Disturb(Disturbance{TopHeat: nan, BottomHeat: -1, TopGap: inf, BottomGap: nan})
	p.Step(-time.Second, d)
	p.Step(0, d)
	run(p, 20, d)
	run(p, 20, full())
	d.Mains, d.Heater[0] = inf, inf
	run(p, 5, d)
	for what, c := range everything(p.Truth()) {
		if !(c >= 24 && c < 2000) {
			t.Errorf("%s is %g °C", what, c)
		}
	}
	for s := Corner; s < 20; s++ {
		if c := p.Sensed(s); !(c >= 24 && c < 2000) {
			t.Errorf("spot %d reads %g °C", s, c)
		}
	}
}

func TestStepDoesNotAllocate(t *testing.T) {
	p := newPlant(t, machineNamed(t, "bench-5kw"), boardNamed(t, "switch-16-layer"))
	d := duties(0.5)
	if n := testing.AllocsPerRun(100, func() { p.Step(tick, d); _ = p.Truth(); _ = p.Sensed(Corner) }); n != 0 {
		t.Errorf("%v allocations per step", n)
	}
}

func TestAWrongDescriptionIsNamedAndNotNumbersAreRefused(t *testing.T) {
	m, b := machineNamed(t, "bench-5kw"), boardNamed(t, "switch-16-layer")
	// Every number of a description replaced by NaN must be noticed.
	poison := func(v reflect.Value, check func() int) {
		var walk func(reflect.Value, string)
		walk = func(v reflect.Value, path string) {
			switch v.Kind() {
			case reflect.Struct:
				for i := range v.NumField() {
					walk(v.Field(i), path+"."+v.Type().Field(i).Tag.Get("toml"))
				}
			case reflect.Slice:
				for i := range v.Len() {
					walk(v.Index(i), path)
				}
			case reflect.Float64:
				was := v.Float()
				v.SetFloat(math.NaN())
				if check() == 0 {
					t.Errorf("NaN in %s is accepted", path)
				}
				v.SetFloat(was)
			}
		}
		walk(v, "")
		if check() != 0 {
			t.Error("the description is not accepted as it was")
		}
	}
	poison(reflect.ValueOf(&m).Elem(), func() int { return len(m.Validate()) })
	poison(reflect.ValueOf(&b).Elem(), func() int { return len(b.Validate()) })
	for _, ambient := range []unit.Celsius{unit.Celsius(math.NaN()), -40, 80} {
		if _, err := New(m, b, ambient); err == nil {
			t.Errorf("ambient %v is accepted", ambient)
		}
	}
}
