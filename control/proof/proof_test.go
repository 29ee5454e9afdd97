package proof

import (
	"math"
	"strings"
	"testing"
	"time"

	"trivet/control"
	"trivet/process/unit"
)

const tick = 100 * time.Millisecond

// The couples of the toy machine, in order.
const (
	joint = iota
	top
	board
	nozzleTop
	nozzleBottom
	bank
	couples
)

func toyConfig() Config {
	return Config{
		Zones: []control.Zone{
			{Kind: control.TopAir, Rated: 1000, Gain: 380, Inertia: 0.2},
			{Kind: control.BottomAir, Rated: 1000, Gain: 350, Inertia: 0.2},
			{Kind: control.Area, Rated: 1000, Gain: 4.5e11, Inertia: 0.3},
		},
		Sensors: []Sensor{{Role: Joint}, {Role: PackageTop}, {Role: Board}, {Role: Heater, Zone: 0}, {Role: Heater, Zone: 1}, {Role: Heater, Zone: 2}},
	}
}

// toy is a machine of three heaters and a part of two lumps: enough for the logic; the physics is proven on the simulated machine.
type toy struct {
	air              [3]float64 // K above the room
	top, under, side float64
	see              func(y *[couples]float64) // what the couples make of it
	keep             bool
}

// step lets the toy run for one tick. Heaters are first order, as their models say; the part is heated from both sides.
func (m *toy) step(duty [control.MaxZones]float64) {
	c := toyConfig()
	dt := tick.Seconds()
	for i := range m.air {
		loss := m.air[i] / c.Zones[i].Gain
		if i == 2 {
			loss = m.air[i] / 500
		}
		m.air[i] += dt * (duty[i] - loss) / c.Zones[i].Inertia
	}
	through := 0.03 * (m.top - m.under)
	m.top += dt * (0.012*(m.air[0]-m.top) - through)
	m.under += dt * (0.010*(m.air[1]-m.under) + through - 0.01*(m.under-m.side))
	m.side += dt * (0.004*(m.air[1]-m.side) + 0.004*(m.air[0]-m.side) + 0.01*(m.under-m.side))
}

func (m *toy) read(now time.Duration, in *In) {
	y := [couples]float64{joint: m.under, top: m.top, board: m.side, nozzleTop: m.air[0], nozzleBottom: m.air[1], bank: m.air[2]}
	if m.see != nil {
		m.see(&y)
	}
	for i := range y {
		in.Readings[i] = unit.Measured(now, unit.Celsius(25+y[i]))
	}
	in.Allowed, in.Keep = 7, m.keep
}

// all runs a proof to its end and returns how it ended, calling each after every step.
func all(t *testing.T, m *toy, each func(now time.Duration, out *Out)) Out {
	t.Helper()
	var p Proof
	if err := p.Begin(toyConfig()); err != nil {
		t.Fatal(err)
	}
	var in In
	var out Out
	for now := tick; now < 10*time.Minute; now += tick {
		m.step(out.Duty)
		m.read(now, &in)
		p.Step(now, &in, &out)
		if each != nil {
			each(now, &out)
		}
		if out.Done || out.Failed {
			return out
		}
	}
	t.Fatal("the proof did not end in ten minutes")
	return out
}

func TestAHealthyMachineIsProvenInUnderFourMinutesOneZoneAtATime(t *testing.T) {
	var driven control.Set
	last := 0.0
	out := all(t, &toy{}, func(now time.Duration, out *Out) {
		n := 0
		for i, d := range out.Duty {
			if !(d >= 0 && d <= 1) {
				t.Fatalf("duty of zone %d is %g", i, d)
			}
			if d > 0 {
				n++
				driven |= 1 << i
			}
		}
		if n > 1 {
			t.Fatalf("%d zones driven at once at %v", n, now)
		}
		if now > 240*time.Second {
			t.Fatal("not done after 240 s")
		}
		if !(out.Share >= last && out.Share <= 1) {
			t.Fatalf("progress went from %g to %g", last, out.Share)
		}
		last = out.Share
	})
	if !out.Done || driven != 7 {
		t.Errorf("ended with %+v after driving zones %b", out.Finding, driven)
	}
}

func TestEveryMistakeIsNamed(t *testing.T) {
	swap := func(a, b int) func(*[couples]float64) {
		return func(y *[couples]float64) { y[a], y[b] = y[b], y[a] }
	}
	scale := func(a int, by float64) func(*[couples]float64) { return func(y *[couples]float64) { y[a] *= by } }
	for name, c := range map[string]struct {
		see    func(*[couples]float64)
		code   Code
		sensor int
		other  int
	}{
		"one reads five degrees high when cold": {func(y *[couples]float64) { y[board] += 5 }, RestDisagreement, board, -1},
		"a heater's couple is reversed":         {scale(bank, -1), Reversed, bank, -1},
		"an emitter's couple hardly answers":    {scale(bank, 0.08), WrongType, bank, -1},
		"a heater's couple is dead":             {scale(nozzleBottom, 0), NotThere, nozzleBottom, -1},
		"the joint's couple is reversed":        {scale(joint, -1), Reversed, joint, -1},
		"the joint's couple hangs in cold air":  {scale(joint, 0), Detached, joint, -1},
		"nothing on the board answers":          {func(y *[couples]float64) { y[joint], y[top], y[board] = 0, 0, 0 }, NotThere, -1, -1},
		"two heaters are exchanged":             {swap(nozzleTop, bank), WrongZone, bank, nozzleTop},
		"a heater and a joint are exchanged":    {swap(joint, bank), Swapped, bank, joint},
		"joint and package top are exchanged":   {swap(joint, top), Swapped, joint, top},
		"the joint is half off":                 {scale(joint, 0.5), Detached, joint, top},
		"the joint is of type J":                {scale(joint, 1.28), WrongType, joint, top},
		"a nozzle is of type J":                 {scale(nozzleTop, 1.28), WrongType, nozzleTop, -1},
		"a nozzle is of type N":                 {scale(nozzleTop, 0.68), WrongType, nozzleTop, -1},
	} {
		t.Run(name, func(t *testing.T) {
			out := all(t, &toy{see: c.see}, nil)
			if f := out.Finding; !out.Failed || f.Code != c.code || f.Sensor != c.sensor || f.Other != c.other {
				t.Errorf("done %v, found %+v; want %s of %d against %d", out.Done, f, c.code, c.sensor, c.other)
			}
			if out.Duty != [control.MaxZones]float64{} {
				t.Errorf("still asks for heat: %v", out.Duty)
			}
		})
	}
}

func TestNothingIsHeatedBeforeTheCouplesHaveAgreed(t *testing.T) {
	all(t, &toy{see: func(y *[couples]float64) { y[top] -= 3.5 }}, func(now time.Duration, out *Out) {
		if out.Duty != [control.MaxZones]float64{} {
			t.Fatalf("heat at %v", now)
		}
	})
}

// A couple that gives no number at all is not a couple at zero degrees.
func TestASilentCoupleIsLostNotCold(t *testing.T) {
	var p Proof
	if err := p.Begin(toyConfig()); err != nil {
		t.Fatal(err)
	}
	var in In
	var out Out
	m := toy{}
	for now := tick; now < 10*time.Second; now += tick {
		m.read(now, &in)
		in.Readings[joint] = unit.Unusable(now, unit.Open)
		p.Step(now, &in, &out)
	}
	if !out.Failed || out.Finding.Code != Lost || out.Finding.Sensor != joint {
		t.Errorf("found %+v; want the joint lost", out.Finding)
	}
}

func TestHeldHeatNeverRisesAndTimeStandsStill(t *testing.T) {
	m := toy{}
	before, held := 0.0, time.Duration(0)
	out := all(t, &m, func(now time.Duration, out *Out) {
		sum := 0.0
		for _, d := range out.Duty {
			sum += d
		}
		if m.keep && sum > before+1e-12 {
			t.Fatalf("duty rose from %g to %g while held", before, sum)
		}
		before = sum
		m.keep = now > 8*time.Second && now < 13*time.Second
		if m.keep {
			held += tick
		}
	})
	if !out.Done || held < 4*time.Second {
		t.Errorf("a short hold spoilt the proof: %+v", out.Finding)
	}
}

// TestTheWarmestCoupleEndsTheHeat: a part that is nearly through must not get more, whatever step the proof is in.
func TestTheWarmestCoupleEndsTheHeat(t *testing.T) {
	m := toy{see: func(y *[couples]float64) { y[top] *= 2; y[joint] *= 2; y[board] *= 2 }} // a part with half the mass
	reached := false
	all(t, &m, func(now time.Duration, out *Out) {
		reached = reached || 25+2*math.Max(m.top, m.under) > 90.5
		if 25+2*math.Max(m.top, m.under) > 92 && out.Duty != [control.MaxZones]float64{} {
			t.Fatalf("heat at %v with the part at %.1f °C", now, 25+2*math.Max(m.top, m.under))
		}
	})
	if !reached {
		t.Error("the part never became warm enough: this test shows nothing")
	}
}

func TestAConfigurationThatCannotBeProvenIsRefused(t *testing.T) {
	for want, spoil := range map[string]func(*Config){
		"zones":   func(c *Config) { c.Zones = nil },
		"sensors": func(c *Config) { c.Sensors = make([]Sensor, MaxSensors+1) },
		"air":     func(c *Config) { c.Air = unit.Celsius(math.NaN()) },
		"limit":   func(c *Config) { c.PartMost = 200 },
		"gain":    func(c *Config) { c.Zones[1].Gain = math.NaN() },
		"zone 9":  func(c *Config) { c.Sensors[3].Zone = 9 },
	} {
		c := toyConfig()
		spoil(&c)
		var p Proof
		if err := p.Begin(c); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: error is %v", want, err)
		}
	}
}

func TestAStepAllocatesNothing(t *testing.T) {
	var p Proof
	if err := p.Begin(toyConfig()); err != nil {
		t.Fatal(err)
	}
	now, at := time.Duration(0), 0
	var in In
	var out Out
	var played []In // a whole healthy proof: the toy itself allocates
	m := toy{}
	all(t, &m, func(now time.Duration, out *Out) {
		m.read(now, &in)
		played = append(played, in)
	})
	if n := testing.AllocsPerRun(len(played)-1, func() {
		now += tick
		p.Step(now, &played[at], &out)
		at++
	}); n != 0 {
		t.Errorf("%g allocations a step", n)
	}
}

func BenchmarkStep(b *testing.B) {
	var p Proof
	if err := p.Begin(toyConfig()); err != nil {
		b.Fatal(err)
	}
	var in In
	var out Out
	(&toy{}).read(0, &in)
	b.ReportAllocs()
	now := time.Duration(0)
	for b.Loop() {
		now += tick
		p.Step(now, &in, &out)
	}
}
