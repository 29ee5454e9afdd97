package steptest

import (
	"fmt"
	"math"

	"trivet/control"
	"trivet/control/ident"
	"trivet/process/unit"
)

// Loop is what a step test says of one heater's loop.
type Loop struct {
	Gain    float64 // as in control.Zone: K above the room at full power, or K⁴ for an area heater; at nominal mains
	Inertia float64 // as in control.Zone, s/K: 1 / Slope
	Kp, Ti  float64 // as in control.Zone: duty per K, s
	Slope   float64 // K/s, the steepest rise of its own reading at full power and nominal mains, from the room
	FitRMS  float64 // K, what the model leaves of the record
	Rise    float64 // K, how far the step went

	Order      int     // 1 or 2; an area heater counts as 2: a balance and a lag at its couple
	Tau1, Tau2 float64 // s
	DeadTime   float64 // s
	Lag        float64 // s, effective dead time by the half rule: what the gains rest on
}

// The inner loops close in 6.5 s (control study: Kp = τ/(6.5 K), Ti = 26 s for air, 40 s for area heaters). That is Skogestad's PI rule,
// Kc = τ/(K(τc+θ)), Ti = 4(τc+θ), with τc+θ = 6.5 s, and is tight as long as the effective dead time θ is at most half of it. A heater
// with more gets τc = θ, the tightest that is still robust.
const (
	tempo  = 6.5  // s
	airTi  = 26.0 // s
	areaTi = 40.0 // s
	tick   = 0.1  // s; half of it belongs to the dead time of the loop
	poor   = 0.05 // of the rise: a model that leaves more is not used
	grain  = 1.0  // K, what any fit may leave

	leastRise = 30.0 // K; a step that rises less tells nothing of its loss. Judgement
)

// Fit finds the model of one recorded loop, and gains by it. It takes tens of milliseconds. The error says why the record allows none.
func Fit(kind control.Kind, r *Record) (Loop, error) {
	if len(r.Time) == 0 {
		return Loop{}, fmt.Errorf("there was no step")
	}
	if !(r.Rise >= leastRise) {
		return Loop{}, fmt.Errorf("it rose by %.1f °C; allowed are %.0f °C or more", r.Rise, leastRise)
	}
	l, err := fitBalance(kind == control.Area, r)
	if err != nil {
		return l, err
	}
	if kind != control.Area {
		if err := l.answers(r); err != nil {
			return l, err
		}
	}
	l.Rise = r.Rise
	l.Inertia = 1 / l.Slope
	closes := math.Max(tempo, 2*l.Lag)
	l.Kp = l.Inertia / closes
	l.Ti = math.Max(airTi, 4*closes)
	if kind == control.Area {
		l.Ti = math.Max(areaTi, 4*closes)
	}
	if allowed := math.Max(grain, poor*r.Rise); !(l.FitRMS <= allowed) {
		return l, fmt.Errorf("the model leaves %.1f °C rms of the record; allowed are %.1f °C", l.FitRMS, allowed)
	}
	for _, v := range [...]float64{l.Gain, l.Slope, l.Kp} {
		if !(v > 0 && v <= 1e15) {
			return l, fmt.Errorf("the model has gain %g and slope %g K/s; both must be above 0", l.Gain, l.Slope)
		}
	}
	return l, nil
}

// Zone returns the loop as the laws want it. Rated power and highest set-point are the machine file's.
func (l Loop) Zone(kind control.Kind, rated unit.Watt, ceiling unit.Celsius) control.Zone {
	return control.Zone{Kind: kind, Rated: rated, Ceiling: ceiling, Gain: l.Gain, Inertia: l.Inertia, Kp: l.Kp, Ti: l.Ti}
}

// answers adds to a hot-air loop what its step shows as one or two lags with dead time, and takes the effective dead time from there: a long
// hose between element and couple delays, which no heat balance can. A radiating loop's gain changes by the cube of its temperature, so that
// lags say nothing of it.
func (l *Loop) answers(r *Record) error {
	in := make([]float64, len(r.Duty))
	for i, d := range r.Duty {
		in[i] = d * r.Supply
	}
	m, err := ident.FitStep(ident.Step{Time: r.Time, Input: in, Temp: r.Temp})
	if err != nil {
		return err
	}
	reduced, err := m.Process().Reduce(1)
	if err != nil {
		return err
	}
	l.Order, l.Tau1, l.Tau2, l.DeadTime = m.Order, m.Tau1, m.Tau2, m.DeadTime
	l.Lag = math.Max(l.Lag, reduced.DeadTime+tick/2)
	return nil
}

// fitBalance fits the heat balance that control.Zone stands for, duty = loss(T)/Gain + Inertia·dT/dt with loss = T − room, or T⁴ − room⁴ for
// what radiates, seen through a lag at its couple, by Levenberg and Marquardt's method on the logarithms of its three numbers.
func fitBalance(radiates bool, r *Record) (Loop, error) {
	rec := r.thinned()
	if rec.radiates = radiates; len(rec.t) < 30 {
		return Loop{}, fmt.Errorf("the record has %d seconds; allowed are at least 30", len(rec.t))
	}
	p := rec.guess()
	cost := rec.cost(p, nil)
	damp := 1e-3
	for range 60 {
		next, ok := rec.better(p, damp)
		c := math.Inf(1)
		if ok {
			c = rec.cost(next, nil)
		}
		if !(c < cost) {
			if damp *= 10; damp > 1e8 {
				break
			}
			continue
		}
		done := cost-c <= 1e-9*cost
		p, cost, damp = next, c, math.Max(damp/10, 1e-9)
		if done {
			break
		}
	}
	gain, inertia, lag := math.Exp(p[0]), math.Exp(p[1]), math.Exp(p[2])
	tau := inertia * gain
	if radiates {
		tau /= 4 * cube(rec.last()+unit.ZeroCelsiusInKelvin) // at the end of the step
	}
	// The lag between heater and couple is all the dead time that a balance shows; by the half rule half of it counts.
	return Loop{Gain: gain, Slope: rec.swing(gain, inertia, lag), FitRMS: math.Sqrt(cost / float64(len(rec.t))), Order: 2, Tau1: tau, Tau2: lag, Lag: lag/2 + tick/2}, nil
}

func cube(x float64) float64 { return x * x * x }

// seconds is a record at one row a second, in the form that fitBalance wants.
type seconds struct {
	t, u, y  []float64
	room     float64
	radiates bool
}

// thinned averages the record to one row a second.
func (r *Record) thinned() seconds {
	out := seconds{room: r.Room}
	var t, u, y float64
	n := 0
	for i := range r.Time {
		t, u, y, n = t+r.Time[i], u+r.Duty[i]*r.Supply, y+r.Temp[i], n+1
		if last := i == len(r.Time)-1; last || math.Floor(r.Time[i+1]) != math.Floor(r.Time[i]) {
			k := float64(n)
			out.t, out.u, out.y = append(out.t, t/k), append(out.u, u/k), append(out.y, y/k)
			t, u, y, n = 0, 0, 0, 0
		}
	}
	return out
}

func (r *seconds) last() float64 { return r.y[len(r.y)-1] }

// guess is where the fit begins: inertia from the mean rise of the first half of the drive, and a gain by which it would settle a third
// above the last reading.
func (r *seconds) guess() [3]float64 {
	from := 0
	for from < len(r.u)-1 && r.u[from] <= 0 {
		from++
	}
	mid := (from + len(r.u)) / 2
	slope := math.Max(1e-3, (r.y[mid]-r.y[from])/math.Max(1, r.t[mid]-r.t[from]))
	u := math.Max(1e-3, r.u[mid])
	top := r.room + math.Max(r.last()-r.room, 10)*4/3
	return [3]float64{math.Log(r.loss(top) / u), math.Log(u / slope), math.Log(3)}
}

// loss is what drives heat out at temperature x, °C: K, or K⁴.
func (r *seconds) loss(x float64) float64 {
	if !r.radiates {
		return x - r.room
	}
	a, b := x+unit.ZeroCelsiusInKelvin, r.room+unit.ZeroCelsiusInKelvin
	return a*a*a*a - b*b*b*b
}

// answer computes what the couple would read. It visits every row in order.
func (r *seconds) answer(p [3]float64, visit func(i int, seen float64)) {
	gain, inertia, lag := math.Exp(p[0]), math.Exp(p[1]), math.Exp(p[2])
	x := r.y[0]
	seen := x
	visit(0, seen)
	for i := 1; i < len(r.t); i++ {
		// Steps of an eighth of a second: the fastest thing here is the lag.
		const parts = 8
		dt := (r.t[i] - r.t[i-1]) / parts
		for range parts {
			x += dt * (r.u[i-1] - r.loss(x)/gain) / inertia
			seen += dt / (lag + dt) * (x - seen)
		}
		visit(i, seen)
	}
}

// cost is the sum of squares that is left, K²; the residuals go into dst when that is not nil.
func (r *seconds) cost(p [3]float64, dst []float64) float64 {
	sum := 0.0
	r.answer(p, func(i int, seen float64) {
		d := r.y[i] - seen
		sum += d * d
		if dst != nil {
			dst[i] = d
		}
	})
	if math.IsNaN(sum) {
		return math.Inf(1)
	}
	return sum
}

// better is one step of the damped normal equations. It reports false when they have no solution.
func (r *seconds) better(p [3]float64, damp float64) ([3]float64, bool) {
	const h = 1e-4
	n := len(r.t)
	base := make([]float64, n)
	r.cost(p, base)
	var col [3][]float64
	for k := range col {
		q := p
		q[k] += h
		col[k] = make([]float64, n)
		r.cost(q, col[k])
		for i := range col[k] {
			col[k][i] = (base[i] - col[k][i]) / h // derivative of the answer
		}
	}
	var a [3][4]float64
	for j := range 3 {
		for k := range 3 {
			for i := range n {
				a[j][k] += col[j][i] * col[k][i]
			}
		}
		for i := range n {
			a[j][3] += col[j][i] * base[i]
		}
		a[j][j] += damp*a[j][j] + 1e-12
	}
	d, ok := solve3(a)
	for k := range p {
		p[k] += math.Max(-1, math.Min(1, d[k])) // a factor of e at a time is plenty
	}
	p[2] = math.Max(math.Log(0.05), math.Min(math.Log(60), p[2])) // a couple's lag; slower is no couple but another body
	return p, ok
}

// solve3 is Gauss's elimination with pivots for three unknowns.
func solve3(a [3][4]float64) (x [3]float64, ok bool) {
	for k := range 3 {
		best := k
		for j := k + 1; j < 3; j++ {
			if math.Abs(a[j][k]) > math.Abs(a[best][k]) {
				best = j
			}
		}
		a[k], a[best] = a[best], a[k]
		if !(math.Abs(a[k][k]) > 1e-300) {
			return x, false
		}
		for j := k + 1; j < 3; j++ {
			f := a[j][k] / a[k][k]
			for c := k; c < 4; c++ {
				a[j][c] -= f * a[k][c]
			}
		}
	}
	for k := 2; k >= 0; k-- {
		x[k] = a[k][3]
		for c := k + 1; c < 3; c++ {
			x[k] -= a[k][c] * x[c]
		}
		x[k] /= a[k][k]
	}
	return x, true
}

// swing is the steepest rise of the couple's reading at full power from the room, K/s.
func (r *seconds) swing(gain, inertia, lag float64) float64 {
	full := seconds{room: r.room, radiates: r.radiates}
	for i := range 120 {
		full.t, full.u, full.y = append(full.t, float64(i)), append(full.u, 1), append(full.y, r.room)
	}
	best, was := 0.0, r.room
	full.answer([3]float64{math.Log(gain), math.Log(inertia), math.Log(lag)}, func(_ int, seen float64) {
		best, was = math.Max(best, seen-was), seen
	})
	return best
}
