package steptest

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"trivet/control"
	"trivet/process/unit"
)

const period = 100 * time.Millisecond

// body is a made-up heater: the balance of control.Zone behind a lag, so that what Fit should find is known.
type body struct {
	gain, inertia, lag float64
	radiates           bool
	t, seen            float64
}

func (b *body) step(u, room float64) {
	loss := b.t - room
	if b.radiates {
		loss = math.Pow(b.t+273.15, 4) - math.Pow(room+273.15, 4)
	}
	b.t += 0.1 * (u - loss/b.gain) / b.inertia
	b.seen += 0.1 / (b.lag + 0.1) * (b.t - b.seen)
}

// bench is a machine of two heads and an area heater, with noise, and whatever is wrong with it.
type bench struct {
	t        Test
	now      time.Duration
	in       In
	out      Out
	heaters  [3]body
	wired    [3]int // which heater each relay feeds
	flow     [2]float64
	proofOf  [2]int // which blower each proof watches
	noise    float64
	rng      *rand.Rand
	taken    func(b *bench) bool // the guard takes the heat away
	hold     func(b *bench) bool
	broken   [3]bool // elements
	deadAir  [2]bool
	stuckAir [2]bool
	board    float64
	twice    bool // the last relay feeds the first heater too
}

func newBench(t *testing.T) *bench {
	t.Helper()
	b := &bench{noise: 0.15, rng: rand.New(rand.NewPCG(1, 2)), wired: [3]int{0, 1, 2}, proofOf: [2]int{0, 1}, board: 22}
	b.heaters = [3]body{{gain: 390, inertia: 0.2, lag: 2}, {gain: 350, inertia: 0.22, lag: 2}, {gain: 6e11, inertia: 0.31, lag: 3, radiates: true}}
	for i := range b.heaters {
		b.heaters[i].t, b.heaters[i].seen = 22, 22
	}
	if err := b.t.Begin(config()); err != nil {
		t.Fatal(err)
	}
	return b
}

func config() Config {
	return Config{Heaters: []Heater{{Kind: control.TopAir, Sensor: 1, Blower: 0, Most: 400}, {Kind: control.BottomAir, Sensor: 2, Blower: 1, Most: 400}, {Kind: control.Area, Sensor: 3, Blower: -1, Most: 520}},
		Sensors: []Sensor{{Board: true}, {}, {}, {}}, Blowers: []bool{true, true}}
}

func (b *bench) tick() {
	b.now += period
	read := func(i int, c float64) {
		b.in.Readings[i] = unit.Measured(b.now, unit.Celsius(c+b.noise*b.rng.NormFloat64()))
	}
	read(0, b.board)
	for i := range b.heaters {
		u := 0.0
		for r, h := range b.wired {
			if h == i && b.in.Allowed.Has(r) && !b.broken[i] {
				u += b.out.Duty[r]
			}
		}
		if b.twice && i == 0 {
			u += b.out.Duty[2]
		}
		b.heaters[i].step(u, 22)
		read(i+1, b.heaters[i].seen)
	}
	for k := range b.flow {
		want := 0.0
		if b.out.Blow[k] && !b.deadAir[k] {
			want = 1
		}
		b.flow[k] += 0.1 * (want - b.flow[k])
	}
	for k := range b.flow {
		b.in.Air[k] = b.flow[b.proofOf[k]] > 0.5 || b.stuckAir[k]
		b.in.Proven[k] = b.in.Air[k]
	}
	b.in.Allowed = 0
	if b.out.Heat && (b.taken == nil || !b.taken(b)) {
		b.in.Allowed = 1<<control.MaxZones - 1
	}
	b.in.Keep = b.hold != nil && b.hold(b)
	b.t.Step(b.now, &b.in, &b.out)
}

func (b *bench) whole(t *testing.T) Result {
	t.Helper()
	for !b.out.Done && !b.out.Failed {
		if b.tick(); b.now > 3*time.Hour {
			t.Fatalf("it does not end: %+v", b.out)
		}
		on := 0
		for i, d := range b.out.Duty {
			if !(d >= 0 && d <= 1) {
				t.Fatalf("heater %d has a duty of %g", i, d)
			}
			if d > 0 {
				on++
			}
		}
		if on > 1 || on == 1 && !b.out.Heat {
			t.Fatalf("%d heaters have power; heat is announced: %v", on, b.out.Heat)
		}
	}
	return b.t.Result()
}

func TestEveryLoopIsFoundAsItIs(t *testing.T) {
	b := newBench(t)
	r := b.whole(t)
	if len(r.Findings) != 0 || !b.out.Done {
		t.Fatalf("found %+v", r.Findings)
	}
	for i, h := range b.heaters {
		kind := config().Heaters[i].Kind
		l, err := Fit(kind, &r.Records[i])
		if err != nil {
			t.Fatalf("heater %d: %v", i, err)
		}
		// A reading behind a lag rises less steeply than the body does, so that inertia comes out a little larger: by
		// (τ2/τ1)^(τ2/(τ1−τ2)) for two lags, a tenth at a lag of 2 s before 78 s.
		if math.Abs(l.Gain/h.gain-1) > 0.03 || l.Inertia/h.inertia < 1 || l.Inertia/h.inertia > 1.15 {
			t.Errorf("heater %d: gain %.4g, inertia %.4g; made with %.4g and %.4g", i, l.Gain, l.Inertia, h.gain, h.inertia)
		}
		if l.FitRMS > 0.25 || math.Abs(l.Kp-l.Inertia/6.5) > 1e-9 {
			t.Errorf("heater %d: rms %.3f, kp %.4f", i, l.FitRMS, l.Kp)
		}
	}
	for i, n := range r.Noise[:4] {
		if math.Abs(n.RMS-0.15) > 0.03 {
			t.Errorf("sensor %d: noise %.3f; made with 0.15", i, n.RMS)
		}
	}
	for k := range 2 {
		if x := r.Blowers[k]; !x.Tested || x.Came <= 0 || x.Went <= 0 {
			t.Errorf("blower %d: %+v", k, x)
		}
	}
	t.Logf("took %v", b.now)
}

func TestALowMainsVoltageDoesNotChangeTheModel(t *testing.T) {
	b := newBench(t)
	b.in.Supply = 0.9
	for i := range b.heaters { // power goes with the square of the voltage
		b.heaters[i].gain *= 0.81
		b.heaters[i].inertia /= 0.81
	}
	r := b.whole(t)
	for i, want := range newBench(t).heaters {
		l, err := Fit(config().Heaters[i].Kind, &r.Records[i])
		if err != nil || math.Abs(l.Gain/want.gain-1) > 0.04 || math.Abs(l.Inertia/want.inertia-1) > 0.15 {
			t.Errorf("heater %d: %v, gain %.4g of %.4g, inertia %.4g of %.4g", i, err, l.Gain, want.gain, l.Inertia, want.inertia)
		}
	}
}

func TestEachMistakeHasItsName(t *testing.T) {
	for name, x := range map[string]struct {
		wrong func(b *bench)
		code  Code
		about int // heater, or blower
		other int
		hot   bool // it takes heat to find
	}{
		"exchanged relays":       {func(b *bench) { b.wired = [3]int{1, 0, 2} }, Crossed, 1, 0, true},
		"a ring of three":        {func(b *bench) { b.wired = [3]int{1, 2, 0} }, Crossed, 2, 0, true},
		"a relay with two loads": {func(b *bench) { b.twice = true }, Also, 2, 0, true},
		"an open element":        {func(b *bench) { b.broken[0] = true }, Deaf, 0, -1, true},
		"a dead blower":          {func(b *bench) { b.deadAir[1] = true }, BlowerDead, 1, -1, false},
		"exchanged proofs":       {func(b *bench) { b.proofOf = [2]int{1, 0} }, AirCrossed, 0, 1, false},
		"a proof that sticks":    {func(b *bench) { b.stuckAir[0] = true }, AirAlways, 0, -1, false},
		"noise":                  {func(b *bench) { b.noise = 1.6 }, Noisy, -1, -1, false},
		"heat is always denied":  {func(b *bench) { b.taken = func(*bench) bool { return true } }, Disturbed, 2, -1, true},
	} {
		b := newBench(t)
		x.wrong(b)
		hot := false
		for !b.out.Done && !b.out.Failed && b.now < 3*time.Hour {
			b.tick()
			hot = hot || b.out.Duty != [control.MaxZones]float64{}
		}
		r := b.t.Result()
		if len(r.Findings) == 0 || r.Findings[0].Code != x.code || b.t.First() != r.Findings[0] {
			t.Errorf("%s: found %+v; want %s", name, r.Findings, x.code)
			continue
		}
		f := r.Findings[0]
		about := f.Heater
		if about < 0 {
			about = f.Blower
		}
		if x.code != Noisy && (about != x.about || x.other >= 0 && f.Other != x.other) {
			t.Errorf("%s: found %+v; want it about %d and %d", name, f, x.about, x.other)
		}
		if hot != x.hot {
			t.Errorf("%s: heat was asked for: %v", name, hot)
		}
	}
}

func TestAStepThatIsDisturbedOnceIsRepeated(t *testing.T) {
	b := newBench(t)
	steps, was := 0, Step("")
	b.hold = func(b *bench) bool {
		if b.out.Step == Stepping && was != Stepping {
			steps++
		}
		was = b.out.Step
		return steps == 1 && b.out.Step == Stepping
	}
	r := b.whole(t)
	if len(r.Findings) != 0 || steps != 4 {
		t.Errorf("%d steps of three heaters, found %+v", steps, r.Findings)
	}
	for i := range r.Records[:3] {
		if l, err := Fit(config().Heaters[i].Kind, &r.Records[i]); err != nil {
			t.Errorf("heater %d: %+v, %v", i, l, err)
		}
	}
}

func TestABoardThatGetsWarmEndsAStep(t *testing.T) {
	b := newBench(t)
	for !(b.out.Step == Stepping && b.out.Duty[2] > 0) {
		b.tick()
	}
	b.board = 151
	for range 800 {
		b.tick()
	}
	if b.out.Duty != [control.MaxZones]float64{} || b.out.Step == Stepping {
		t.Errorf("the board is at 151 °C and %+v", b.out)
	}
	b.board = 61 // not cool enough for the next
	for range 3000 {
		if b.tick(); b.out.Duty != [control.MaxZones]float64{} {
			t.Fatal("heat on a board above 60 °C")
		}
	}
}

func TestAMachineThatDoesNotCoolEndsTheTest(t *testing.T) {
	b := newBench(t)
	for b.out.Step != Stepping {
		b.tick()
	}
	b.board = 200
	r := b.whole(t)
	if len(r.Findings) != 1 || r.Findings[0].Code != StaysHot || r.Findings[0].Sensor != 0 {
		t.Errorf("found %+v", r.Findings)
	}
}

func TestAKnownLoopIsGivenUpBeforeTheGuardWouldTrip(t *testing.T) {
	c := config()
	c.Heaters[0].Inertia, c.Heaters[0].Band = 0.2, 20
	b := newBench(t)
	if err := b.t.Begin(c); err != nil {
		t.Fatal(err)
	}
	b.broken[0] = true
	fed := 0.0
	for !b.out.Failed {
		b.tick()
		fed += 0.1 * b.out.Duty[0] / 0.2
	}
	if !(fed < 20) {
		t.Errorf("the balance of a guard had risen by %.0f K when it was given up; its band is 20 K", fed)
	}
}

func TestARecordWithoutAnswerIsRefused(t *testing.T) {
	flat := Record{Supply: 1, Room: 22}
	for i := range 3000 {
		d := 0.0
		if i > 100 {
			d = 0.7
		}
		flat.Time, flat.Duty, flat.Temp = append(flat.Time, float64(i)/10), append(flat.Duty, d), append(flat.Temp, 22+0.1*math.Sin(float64(i)))
	}
	for _, k := range []control.Kind{control.TopAir, control.Area} {
		if l, err := Fit(k, &flat); err == nil {
			t.Errorf("kind %d: %+v", k, l)
		}
		if _, err := Fit(k, &Record{}); err == nil {
			t.Error("an empty record is taken")
		}
	}
}

func TestWhatIsNotAllowedIsSaid(t *testing.T) {
	for want, change := range map[string]func(c *Config){
		"0 heaters":  func(c *Config) { c.Heaters = nil },
		"duty":       func(c *Config) { c.AirDuty = math.NaN() },
		"limit":      func(c *Config) { c.BoardMost = 300 },
		"sensor 9":   func(c *Config) { c.Heaters[0].Sensor = 9 },
		"ends at":    func(c *Config) { c.Heaters[1].Most = 50 },
		"inertia":    func(c *Config) { c.Heaters[1].Inertia = math.NaN() },
		"5 blowers":  func(c *Config) { c.Blowers = make([]bool, 5) },
		"17 sensors": func(c *Config) { c.Sensors = make([]Sensor, 17) },
	} {
		c := config()
		change(&c)
		var x Test
		if err := x.Begin(c); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", want, err)
		}
	}
}

func TestATickAllocatesNothing(t *testing.T) {
	b := newBench(t)
	if n := testing.AllocsPerRun(9000, b.tick); n != 0 {
		t.Errorf("%g allocations a tick", n)
	}
}

func BenchmarkFitOfAHead(b *testing.B) {
	x := newBench(&testing.T{})
	for !x.out.Done {
		x.tick()
	}
	r := x.t.Result()
	for b.Loop() {
		if _, err := Fit(control.TopAir, &r.Records[0]); err != nil {
			b.Fatal(err)
		}
	}
}

func TestAHeaterThatReachesItsOwnLimitEndsItsStep(t *testing.T) {
	c := config()
	c.Heaters[2].Most = 120 // an emitter passes that in a minute
	b := newBench(t)
	if err := b.t.Begin(c); err != nil {
		t.Fatal(err)
	}
	hottest := 0.0
	for !b.out.Done && !b.out.Failed {
		b.tick()
		hottest = max(hottest, b.heaters[2].seen)
	}
	if !(hottest > 110 && hottest < 135) {
		t.Errorf("it got to %.0f °C; its step was to end at 120", hottest)
	}
}

func TestHeatThatIsHeldInMidStepSpoilsIt(t *testing.T) {
	b := newBench(t)
	var held time.Duration
	b.hold = func(b *bench) bool {
		if b.out.Step != Stepping || b.out.Duty[2] == 0 || held > 3*time.Second {
			return false
		}
		held += period
		return true
	}
	for !(held > 3*time.Second) {
		if b.tick(); b.out.Step == Stepping && held > 2500*time.Millisecond {
			t.Fatal("a step that was held for longer than two seconds goes on")
		}
		if b.out.Step == Cooling && held > 2*time.Second {
			return
		}
	}
	t.Error("it was not given up")
}
