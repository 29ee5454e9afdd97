package ident

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// known is a made-up process and what is done to its record.
type known struct {
	shape
	gain, drift    float64 // K per unit of the input; °C/s
	noise, quantum float64 // °C
	steps          []float64
	at             []float64 // s, when the input takes each of steps
	interval, end  float64   // s
}

// record makes the record. The temperature is the closed solution for a step, added up over the changes; nothing of the
// package's own simulation is in it, so that a mistake there cannot hide.
func (k known) record(r *rand.Rand) Step {
	var s Step
	at := append([]float64(nil), k.at...)
	for i := 0; float64(i)*k.interval <= k.end; i++ {
		t, u := float64(i)*k.interval, 0.0
		for j := range k.steps {
			if t >= k.at[j] {
				u = k.steps[j]
			}
		}
		s.Time, s.Input = append(s.Time, 1000+t), append(s.Input, u)
	}
	// The input changes on a row, so the moment is the first row at or after the one asked for.
	for j := range at {
		at[j] = math.Ceil(at[j]/k.interval-1e-9) * k.interval
	}
	for i := range s.Time {
		t := float64(i) * k.interval
		y := 25 + k.drift*t
		last := 0.0
		for j, u := range k.steps {
			y += k.gain * (u - last) * closedStep(t-at[j]-k.dead, k.tau1, k.tau2)
			last = u
		}
		y += k.noise * r.NormFloat64()
		if k.quantum > 0 {
			y = math.Round(y/k.quantum) * k.quantum
		}
		s.Temp = append(s.Temp, y)
	}
	return s
}

// closedStep is the unit step answer of one lag, or of two different or equal ones (any textbook).
func closedStep(t, tau1, tau2 float64) float64 {
	switch {
	case t <= 0:
		return 0
	case tau2 == 0:
		return 1 - math.Exp(-t/tau1)
	case tau1 == tau2:
		return 1 - (1+t/tau1)*math.Exp(-t/tau1)
	}
	return 1 - (tau1*math.Exp(-t/tau1)-tau2*math.Exp(-t/tau2))/(tau1-tau2)
}

// bound is what a record of this process can tell at best: the standard errors at the true time scales.
func (k known) bound(s Step) StandardErrors {
	time, temp := s.thin(fitRows)
	return newModel(newProjector(time, temp, newHistory(s)), trial{shape: k.shape}).SE
}

func TestTheSimulationInTheFitIsTheExactSolution(t *testing.T) {
	for _, c := range []shape{
		{0, 50, 0}, {3.3, 50, 0}, {3.3, 0.05, 0}, {3.3, 50, 20}, {3.3, 50, 49.9}, {3.3, 50, 49.9999999}, {3.3, 50, 50}, {3.3, 50, 50.1}, {7, 80, 0.01}, {7, 1e-3, 1e-4},
	} {
		// Uneven rows and three changes, one of them before the dead time of the first is over.
		k := known{shape: c, gain: 1, steps: []float64{1, 0.4, 2}, at: []float64{10, 12, 100}}
		var time []float64
		for x := 0.0; x < 300; x += 0.1 + 0.9*math.Abs(math.Sin(x)) {
			time = append(time, x)
		}
		got := make([]float64, len(time))
		respond(got, time, history{k.at, k.steps}, c)
		for i, x := range time {
			want, last := 0.0, 0.0
			for j, u := range k.steps {
				want += (u - last) * closedStep(x-k.at[j]-c.dead, c.tau1, c.tau2)
				last = u
			}
			tolerance := 1e-9
			if c.tau1 != c.tau2 && math.Abs(c.tau1-c.tau2) < 1e-6 {
				tolerance = 1e-6 // here it is the textbook formula that loses its digits
			}
			if math.Abs(got[i]-want) > tolerance {
				t.Fatalf("%+v at %g s: %.12f, want %.12f", c, x, got[i], want)
			}
		}
	}
}

// The textbook formula loses all digits when the lags differ in the ninth; the answer itself hardly differs from that of equal ones.
func TestNearlyEqualLagsLoseNoDigits(t *testing.T) {
	in := history{[]float64{0}, []float64{1}}
	for _, apart := range []float64{1e-13, 1e-11, 1e-9} {
		var x [3]float64
		respond(x[:], []float64{1, 40, 300}, in, shape{0, 50, 50 * (1 - apart)})
		for i, at := range []float64{1, 40, 300} {
			if want := closedStep(at, 50, 50); math.Abs(x[i]-want) > 2*apart+1e-14 {
				t.Errorf("lags apart by %g, at %g s: off by %g", apart, at, x[i]-want)
			}
		}
	}
}

// Without rows before the step and without its end, drift and a long lag look alike; the expectation that drifts are slow is then
// all that keeps the gain.
func TestARecordThatBeginsWithTheStepIsNotTakenForADrift(t *testing.T) {
	var drift, gain float64
	const n = 12
	for i := range n {
		k := known{shape: shape{4, 100, 40}, gain: 300, noise: 0.2, quantum: 0.0078, steps: []float64{0.3}, at: []float64{1}, interval: 1, end: 230}
		m, err := FitStep(k.record(rand.New(rand.NewPCG(6, uint64(i)))))
		if err != nil {
			t.Fatal(err)
		}
		drift, gain = drift+m.Drift*m.Drift/n, gain+(m.Gain-300)*(m.Gain-300)/n
	}
	if !(math.Sqrt(drift) < slowDrift && math.Sqrt(gain) < 0.05*300) {
		t.Errorf("drift %.4f °C/s rms where there is none, gain off by %.1f rms", math.Sqrt(drift), math.Sqrt(gain))
	}
}

func TestAveragingKeepsMeansWhereTheLastBlockIsShort(t *testing.T) {
	s := Step{Time: make([]float64, 101), Input: make([]float64, 101), Temp: make([]float64, 101)}
	for i := range s.Time {
		s.Time[i], s.Temp[i] = 50+float64(i), 20+3*float64(i)
	}
	time, temp := s.thin(30)
	for i := range time {
		if math.Abs(temp[i]-20-3*time[i]) > 1e-9 {
			t.Errorf("block %d: %g °C at %g s", i, temp[i], time[i])
		}
	}
	if len(time) != 26 || time[25] != 100 {
		t.Errorf("%d blocks, the last at %g s; want 26, 100 s", len(time), time[len(time)-1])
	}
}

func TestACleanRecordGivesBackItsModel(t *testing.T) {
	for _, k := range []known{
		{shape: shape{4, 60, 0}, gain: 300, steps: []float64{0.4}, at: []float64{20}, interval: 0.5, end: 400},
		{shape: shape{4, 60, 20}, gain: -3, steps: []float64{40}, at: []float64{20}, interval: 0.5, end: 400},
		{shape: shape{2.2, 90, 12}, gain: 250, drift: 0.005, steps: []float64{0.3, 0.6, 0.1}, at: []float64{15, 100, 180}, interval: 0.1, end: 300},
		{shape: shape{0, 45, 0}, gain: 0.2, steps: []float64{500}, at: []float64{20}, interval: 1, end: 100},
	} {
		m, err := FitStep(k.record(rand.New(rand.NewPCG(1, 1))))
		if err != nil || math.Abs(m.Gain/k.gain-1) > 1e-4 || math.Abs(m.Tau1/k.tau1-1) > 1e-3 || math.Abs(m.Tau2-k.tau2) > 0.03 || math.Abs(m.DeadTime-k.dead) > 0.02 || math.Abs(m.Baseline-25) > 0.01 || math.Abs(m.Drift-k.drift) > 1e-4 {
			t.Errorf("%+v: %+v, %v", k, m, err)
		}
	}
}

// random draws a process like a rework heater's and a record of it: a rise of 60 to 200 K, noise and resolution of
// thermocouple amplifiers, drift of a room, rest before the step.
func random(r *rand.Rand, order int, cut bool, quantum float64) known {
	k := known{quantum: quantum, noise: 0.1 + 0.15*r.Float64(), gain: 100 + 300*r.Float64(), drift: 0.01 * (r.Float64() - 0.5)}
	k.tau1, k.dead = 20+100*r.Float64(), 0.5+9.5*r.Float64()
	if order == 2 {
		k.tau2 = k.tau1 * (0.1 + 0.8*r.Float64())
	}
	before := 20 + 20*r.Float64()
	k.steps, k.at = []float64{(60 + 140*r.Float64()) / k.gain}, []float64{before}
	k.interval = []float64{0.1, 0.25, 0.5, 1}[r.IntN(4)]
	k.end = before + k.dead + 5*(k.tau1+k.tau2)
	if cut {
		k.end = before + k.dead + 1.6*(k.tau1+k.tau2)
	}
	return k
}

// Promised: gain and time constants within 5 % from a complete record and 10 % from one cut at 1.6 time constants, dead time within
// 1 s. What no method can promise is left out by name: where the record itself, by the standard errors at the *true* values,
// knows a time constant or the dead time no better than to a third of its tolerance. That is so for a second lag close to the
// first (only their sum is seen; of 1000 such records 988 kept the whole promise, and each of the 12 others had a second lag of
// 0.68 times the first or more), and for a small second lag that hides in the dead time. In its place stands the mean
// residence time τ1+τ2+θ, which a record tells in any case.
func TestRandomRecordsGiveBackTheirProcess(t *testing.T) {
	count := map[string]int{}
	for i := range 64 {
		r := rand.New(rand.NewPCG(20, uint64(i)))
		order, cut, quantum := 1+i%2, i/2%2 == 1, []float64{0.0078, 0.25}[i/4%2]
		k := random(r, order, cut, quantum)
		s := k.record(r)
		m, err := FitStep(s)
		group := fmt.Sprintf("order %d, cut %v", order, cut)
		count[group]++
		if err != nil {
			t.Errorf("case %d %+v: %v", i, k, err)
			continue
		}
		tol := map[bool]float64{false: 0.05, true: 0.10}[cut]
		se := k.bound(s)
		off := func(what string, got, want, allowed float64) {
			if !(math.Abs(got-want) <= allowed) {
				t.Errorf("case %d, %s: %s is %.4g, want %.4g ± %.2g; %+v\n%+v", i, group, what, got, want, allowed, k, m)
			}
		}
		off("gain", m.Gain, k.gain, tol*k.gain)
		off("residence time", m.Tau1+m.Tau2+m.DeadTime, k.tau1+k.tau2+k.dead, tol*(k.tau1+k.tau2+k.dead))
		if se.Tau1 <= tol*k.tau1/3 && se.Tau2 <= tol*k.tau2/3 {
			count[group+", lags told apart"]++
			off("τ1", m.Tau1, k.tau1, tol*k.tau1)
			off("τ2", m.Tau2, k.tau2, tol*k.tau2)
			off("order", float64(m.Order), float64(order), 0)
		}
		if se.DeadTime <= 1.0/3 {
			count[group+", dead time told"]++
			off("dead time", m.DeadTime, k.dead, 1)
		}
	}
	for _, group := range []string{"order 1, cut false", "order 1, cut true", "order 2, cut false", "order 2, cut true"} {
		n, lags, dead := count[group], count[group+", lags told apart"], count[group+", dead time told"]
		t.Logf("%s: %d records, lags told apart in %d, dead time in %d", group, n, lags, dead)
		// A first-order record tells everything; leaving cases out must not become an excuse for the others.
		if least := map[bool]int{true: n, false: n / 2}[strings.HasPrefix(group, "order 1")]; lags < least || dead < least {
			t.Errorf("%s: only %d and %d of %d records are held to their lags and dead time", group, lags, dead, n)
		}
	}
}

func TestStandardErrorsAreTheScatterOfRepeatedFits(t *testing.T) {
	k := known{shape: shape{4, 60, 15}, gain: 300, noise: 0.2, quantum: 0.0078, drift: 0.003, steps: []float64{0.4}, at: []float64{30}, interval: 0.5, end: 300}
	const n = 24
	var chi [4]float64
	for i := range n {
		m, err := FitStep(k.record(rand.New(rand.NewPCG(5, uint64(i)))))
		if err != nil || m.Order != 2 {
			t.Fatalf("%+v, %v", m, err)
		}
		for j, z := range [4]float64{(m.Gain - k.gain) / m.SE.Gain, (m.Tau1 - k.tau1) / m.SE.Tau1, (m.Tau2 - k.tau2) / m.SE.Tau2, (m.DeadTime - k.dead) / m.SE.DeadTime} {
			chi[j] += z * z / n
		}
	}
	// χ²/24 lies within 0.35…2.0 in more than 99 % of draws if the errors are right; the seeds are fixed, so this cannot flicker.
	for j, c := range chi {
		if !(c > 0.35 && c < 2) {
			t.Errorf("error %d is off by a factor of %.2f", j, math.Sqrt(c))
		}
	}
}

func TestWhereTheSearchStartsDoesNotShowInTheFigures(t *testing.T) {
	k := known{shape: shape{6, 85, 22}, gain: 0.21, noise: 0.1, quantum: 0.0078, drift: 0.003, steps: []float64{500, 200, 650}, at: []float64{30, 150, 260}, interval: 1, end: 400}
	s := k.record(rand.New(rand.NewPCG(2, 2)))
	time, temp := s.thin(fitRows)
	p := newProjector(time, temp, newHistory(s))
	b := newBounds(time, p.in)
	var first trial
	for i, from := range []shape{{6, 85, 22}, {2, 60, 40}, {10, 110, 10}, {0, 90, 30}} {
		rss, _ := p.remains(from)
		got := polish(p, b, refine(p, b, trial{from, rss}))
		if i == 0 {
			first = got
		}
		if !within(got.tau1, first.tau1, 1e-4) || !within(got.tau2, first.tau2, 1e-4) || math.Abs(got.dead-first.dead) > 1e-3 {
			t.Errorf("from %+v to %+v; want %+v", from, got, first)
		}
	}
}

func TestSeveralStepsAndAWanderingInputAreUsedWhole(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 9))
	k := known{shape: shape{5, 70, 18}, gain: 280, noise: 0.2, quantum: 0.25, drift: -0.004, interval: 0.5, end: 500}
	for at := 20.0; at < 450; at += 3 + 40*r.Float64() {
		k.at, k.steps = append(k.at, at), append(k.steps, 0.8*r.Float64())
	}
	m, err := FitStep(k.record(r))
	if err != nil || m.Order != 2 || !within(m.Gain, k.gain, 0.02) || !within(m.Tau1, k.tau1, 0.05) || !within(m.Tau2, k.tau2, 0.05) || math.Abs(m.DeadTime-k.dead) > 0.5 {
		t.Errorf("%+v, %v", m, err)
	}
}

func TestALongRecordIsAveragedWithoutBias(t *testing.T) {
	k := known{shape: shape{6, 100, 0}, gain: 200, noise: 0.2, quantum: 0.25, steps: []float64{0.5}, at: []float64{60}, interval: 0.01, end: 600}
	m, err := FitStep(k.record(rand.New(rand.NewPCG(3, 3))))
	if err != nil || m.Order != 1 || !within(m.Gain, 200, 0.005) || !within(m.Tau1, 100, 0.01) || math.Abs(m.DeadTime-6) > 0.1 || !within(m.Interval, 0.01, 1e-6) ||
		// Noise and the uniform error of the resolution, q/√12, as they are in single rows.
		!within(m.FitRMS, math.Hypot(0.2, 0.25/math.Sqrt(12)), 0.02) {
		t.Errorf("%+v, %v", m, err)
	}
}

func TestTwoEqualLagsAreKnownByTheirSum(t *testing.T) {
	k := known{shape: shape{3, 40, 40}, gain: 250, noise: 0.15, quantum: 0.0078, steps: []float64{0.5}, at: []float64{30}, interval: 0.5, end: 500}
	m, err := FitStep(k.record(rand.New(rand.NewPCG(4, 4))))
	if err != nil || m.Order != 2 || !within(m.Tau1+m.Tau2, 80, 0.02) || !within(m.Gain, 250, 0.01) || !(m.SE.TauSum < 1) {
		t.Errorf("%+v, %v", m, err)
	}
}

func TestARecordThatCannotBeFittedSaysWhy(t *testing.T) {
	base := known{shape: shape{4, 60, 0}, gain: 300, noise: 0.2, steps: []float64{0.4}, at: []float64{20}, interval: 1, end: 300}
	fresh := func(change func(*known)) Step {
		k := base
		if change != nil {
			change(&k)
		}
		return k.record(rand.New(rand.NewPCG(8, 8)))
	}
	edit := func(change func(*Step)) Step {
		s := fresh(nil)
		change(&s)
		return s
	}
	for name, c := range map[string]struct {
		s    Step
		want error
		says string
	}{
		"empty":            {Step{}, ErrTooShort, "it has 0 rows; allowed: at least 18"},
		"unequal":          {edit(func(s *Step) { s.Input = s.Input[:9] }), ErrTooShort, "9 inputs"},
		"few rows":         {fresh(func(k *known) { k.end, k.at = 10, []float64{5} }), ErrTooShort, "11 rows"},
		"temperature NaN":  {edit(func(s *Step) { s.Temp[7] = math.NaN() }), ErrNotFinite, "row 8 has NaN"},
		"input infinite":   {edit(func(s *Step) { s.Input[7] = math.Inf(1) }), ErrNotFinite, "row 8 has +Inf"},
		"time NaN":         {edit(func(s *Step) { s.Time[0] = math.NaN() }), ErrNotFinite, "row 1"},
		"time stands":      {edit(func(s *Step) { s.Time[7] = s.Time[6] }), ErrTime, "row 8"},
		"time goes back":   {edit(func(s *Step) { s.Time[7] = 0 }), ErrTime, "row 8"},
		"input steady":     {edit(func(s *Step) { clear(s.Input) }), ErrNoChange, "it is 0 throughout"},
		"change at end":    {fresh(func(k *known) { k.end, k.at = 23, []float64{20} }), ErrTooShort, "six rows"},
		"nothing happens":  {fresh(func(k *known) { k.gain = 0 }), ErrNoStep, "noise and drift"},
		"only a drift":     {fresh(func(k *known) { k.gain, k.drift = 0, 0.02 }), ErrNoStep, "noise and drift"},
		"still a ramp":     {fresh(func(k *known) { k.tau1 = 900; k.end = 150 }), ErrTooShort, "bent"},
		"short and noisy":  {fresh(func(k *known) { k.tau1, k.end, k.noise = 60, 60, 2.5 }), ErrTooShort, "bent"},
		"only dead time":   {fresh(func(k *known) { k.dead = 400 }), ErrNoStep, "noise and drift"},
		"constant reading": {edit(func(s *Step) { clear(s.Temp) }), ErrNoStep, "noise and drift"},
	} {
		m, err := FitStep(c.s)
		if !errors.Is(err, c.want) || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v; %+v", name, err, m)
		}
		if err != nil && m != (Model{}) {
			t.Errorf("%s: a refused record still gives %+v", name, m)
		}
	}
}

func TestNonsenseIsRefusedOrFittedWithFiniteNumbers(t *testing.T) {
	r := rand.New(rand.NewPCG(13, 13))
	for i := range 120 {
		// Scales from far below to far above anything real, inputs that change on almost every row or on few.
		var s Step
		temp, tick, input := math.Pow(10, 24*r.Float64()-14), math.Pow(10, 20*r.Float64()-10), math.Pow(10, 24*r.Float64()-14)
		for now := range minRows + r.IntN(40) {
			s.Time = append(s.Time, tick*(float64(now)+0.9*r.Float64()))
			s.Input = append(s.Input, input*float64(r.IntN(1+i%5)))
			s.Temp = append(s.Temp, temp*(r.NormFloat64()+float64(now)))
		}
		m, err := FitStep(s)
		if err != nil {
			continue
		}
		u, err := m.Tune()
		if err != nil {
			continue
		}
		for _, v := range []float64{m.Gain, m.Tau1, m.Tau2, m.DeadTime, m.Baseline, m.Drift, m.FitRMS, u.PI.Kc, u.PI.Ti, u.PID.Kc, u.PID.Ti} {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				t.Errorf("record %d: %+v, %+v", i, m, u)
				break
			}
		}
	}
}

func BenchmarkFitStep(b *testing.B) {
	k := known{shape: shape{4, 60, 20}, gain: 300, noise: 0.2, quantum: 0.25, steps: []float64{0.4}, at: []float64{30}, interval: 0.1, end: 400}
	s := k.record(rand.New(rand.NewPCG(1, 1)))
	for b.Loop() {
		if _, err := FitStep(s); err != nil {
			b.Fatal(err)
		}
	}
}
