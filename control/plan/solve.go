package plan

import (
	"errors"
	"math"
	"time"

	"trivet/control/boardid"
	"trivet/control/model"
)

// Heater is one group of heaters as a step test found it.
type Heater struct {
	Rated   float64 // W, all heaters of the group
	Ceiling float64 // °C
	Gain    float64 // K above ambient at full power; K⁴ for Area
	Inertia float64 // s/K: extra duty per K/s
	Power   float64 // what the mains really give, relative to nominal power; 0 counts as 1
}

// Problem is what is to be planned.
type Problem struct {
	Begin   time.Duration
	Params  model.Params
	State   model.State
	Push    float64         // K/s of joint rate the model does not explain, dying away over Fade
	Fade    float64         // s
	Rate    float64         // of the balls now, K/s
	Now     [Groups]float64 // heater temperatures, °C
	Heaters [Groups]Heater
	Target  []float64 // °C of the outer balls, one per second of profile time from now; the last holds on; 20…1500 values
	// Breaks are the profile seconds from now at which segments end, rising. Each segment up to the last break may be
	// walked slower than real time, down to leastPace, where the machine cannot follow it. Empty: no stretching.
	Breaks  []float64
	Horizon int       // s to plan for, 20…1500
	Budget  float64   // W
	Body    float64   // °C the package top's reading should keep to; 0 for none
	Board   float64   // °C the board should keep to; 0 for none
	Warm    *Schedule // where to begin the search, may be nil
}

// Weights of the search: what one unit of each costs. The tracking error is the measure of all.
const (
	wTrack   = 1 / 0.4  // per °C
	wDuty    = 1 / 0.02 // per duty beyond what the heater has
	wCeiling = 1 / 1.0
	wLimit   = 1 / 0.5 // per °C of part or board above its limit
	wBudget  = 1 / 0.004
	wBend    = 1 / 2.5   // per K/s of bend at a knot
	wBalance = 1 / 150.0 // per °C between the two jets
	wFlat    = 1 / 40.0  // per °C between ring and joint
	wExcess  = 1 / 30.0  // per °C of top air above the joint: it spoils the joint reading and heats the body most
	spare    = 0.94      // highest planned duty: the rest is for feedback
	pace     = 2.0       // s, step of the search
	passes   = 8
	// A tenth slower costs as much as lagging 1.2 °C behind all the way: the profile is stretched by the least.
	wPace     = 1 / 0.03
	leastPace = 0.4 // of real time; what needs more than that is refused, not stretched
)

// knotTimes returns when the heater temperatures have knots: close together now, wide apart later.
func knotTimes(horizon float64) []float64 {
	var t []float64
	for at, gap := 0.0, 4.0; at < horizon; at += gap {
		t = append(t, at)
		gap = math.Min(25, 4+at/6)
	}
	return append(t, horizon)
}

// search is one plan in progress.
type search struct {
	p      *Problem
	n      int       // steps
	k      int       // knots besides the fixed first
	np     int       // paces
	t      []float64 // knot times, s
	z      []float64 // free knots, group by group, then a pace per segment
	seg    []int     // knot before each step's middle
	push   []float64 // unexplained rate of each step, K/s
	states []model.State
	r, r2  []float64
	jac    []float64
}

// Solve returns the schedule that follows the target best. It fails on a problem that is not numbers or too short.
func Solve(p *Problem) (*Schedule, error) {
	if len(p.Target) < 20 || p.Horizon < 20 || p.Horizon > 1500 {
		return nil, errors.New("plan: the time to plan for is out of range, allowed 20…1500 s")
	}
	for g := range Groups {
		h := &p.Heaters[g]
		if !(h.Gain > 0 && h.Inertia >= 0 && h.Ceiling > p.Params.Ambient && !math.IsNaN(p.Now[g]) && h.Rated >= 0) {
			return nil, errors.New("plan: a heater has no usable model")
		}
	}
	s := &search{p: p, n: int(float64(p.Horizon) / pace), np: len(p.Breaks)}
	s.t = knotTimes(float64(s.n) * pace)
	s.k = len(s.t) - 1
	s.seg = make([]int, s.n)
	for i := range s.seg {
		mid := (float64(i) + 0.5) * pace
		for s.seg[i]+1 < s.k && s.t[s.seg[i]+1] <= mid {
			s.seg[i]++
		}
	}
	s.push = make([]float64, s.n)
	for i := range s.push {
		s.push[i] = p.Push * math.Exp(-(float64(i)+0.5)*pace/math.Max(1, p.Fade))
	}
	m := s.count()
	s.r, s.r2, s.jac = make([]float64, m), make([]float64, m), make([]float64, m*s.free())
	s.states = make([]model.State, s.n+1)
	s.begin()
	s.improve()
	return s.schedule(), nil
}

// begin fills the knots with a first guess: the last plan, or heaters that lead the target.
func (s *search) begin() {
	s.z = make([]float64, s.free())
	p := s.p
	for i := range s.np {
		s.z[Groups*s.k+i] = 1
		// The search begins at the last plan's pace of the same segment, counted from the end.
		if w := p.Warm; w != nil && len(w.Pace) >= s.np-i {
			s.z[Groups*s.k+i] = w.Pace[len(w.Pace)-(s.np-i)]
		}
	}
	for g := range Groups {
		for k := range s.k {
			t := s.t[k+1]
			v := 0.0
			if w := p.Warm; w != nil && w.Len() > 0 {
				set, _, _ := w.At(p.Begin + time.Duration(t*float64(time.Second)))
				v = set[g]
			} else {
				i := min(len(p.Target)-1, int(t)+12)
				v = p.Target[i] + 30
				if g == Area {
					v = p.Target[i] + 120
				}
			}
			s.z[g*s.k+k] = math.Max(p.Params.Ambient, math.Min(v, p.Heaters[g].Ceiling))
		}
	}
}

// knot returns the temperature of group g at knot k, 0 being now.
func (s *search) knot(z []float64, g, k int) float64 {
	if k == 0 {
		return s.p.Now[g]
	}
	return z[g*s.k+k-1]
}

// between returns the temperature of group g at time t within segment k.
func (s *search) between(z []float64, g, k int, t float64) float64 {
	a, b := s.knot(z, g, k), s.knot(z, g, k+1)
	return a + (b-a)*(t-s.t[k])/(s.t[k+1]-s.t[k])
}

func (s *search) input(z []float64, i int) model.Input {
	t, k := (float64(i)+0.5)*pace, s.seg[i]
	var c [Groups]float64
	for g := range Groups {
		c[g] = s.between(z, g, k, t) + s.p.lead(g, (s.knot(z, g, k+1)-s.knot(z, g, k))/(s.t[k+1]-s.t[k]))
	}
	u := model.Input{Top: c[Top], Bottom: c[Bottom], Area4: fourth(c[Area])}
	u.Push = s.push[i]
	return u
}

func fourth(c float64) float64 {
	k := c + 273.15
	k *= k
	return k * k
}

// lead is how far a heater is ahead of its own thermocouple while it moves by rate K/s, °C.
func (p *Problem) lead(g int, rate float64) float64 {
	if g == Area {
		return p.Params.AreaLag * rate
	}
	return p.Params.AirLag * rate
}

// free is how many unknowns there are.
func (s *search) free() int { return Groups*s.k + s.np }

// profileAt returns the profile second reached t seconds from now at the paces of z.
func (s *search) profileAt(z []float64, t float64) float64 {
	at := 0.0
	for i, end := range s.p.Breaks {
		v := math.Max(leastPace/2, z[Groups*s.k+i])
		if need := (end - at) / v; t <= need {
			return at + t*v
		} else {
			t -= need
			at = end
		}
	}
	return at + t
}

// paceAt returns the pace at profile second at.
func (s *search) paceAt(z []float64, at float64) float64 {
	for i, end := range s.p.Breaks {
		if at < end {
			return z[Groups*s.k+i]
		}
	}
	return 1
}

// wanted returns the target t seconds from now, °C.
func (s *search) wanted(z []float64, t float64) float64 {
	last := len(s.p.Target) - 1
	at := s.profileAt(z, t)
	if at >= float64(last) {
		return s.p.Target[last]
	}
	i := int(at)
	f := at - float64(i)
	return s.p.Target[i] + f*(s.p.Target[i+1]-s.p.Target[i])
}

// Residuals: four per step, then per knot and group duty twice, ceiling, bend, and per knot budget and balance.
const perStep, perKnot = 4, Groups*4 + 3

func (s *search) count() int { return perStep*s.n + perKnot*s.k + s.np }

// residuals fills r for knots z, the part that does not depend on knots from segment `from` on being left alone.
func (s *search) residuals(z, r []float64, from int, keep bool) float64 {
	p := s.p
	x := p.State
	first := 0
	if from > 0 {
		for first < s.n && s.seg[first] < from {
			first++
		}
		x = s.states[first]
	}
	if keep {
		s.states[first] = x
	}
	for i := first; i < s.n; i++ {
		u := s.input(z, i)
		p.Params.Step(&x, &u, pace)
		if keep {
			s.states[i+1] = x
		}
		target := s.wanted(z, float64(i+1)*pace)
		o := r[perStep*i : perStep*i+perStep]
		o[0] = wTrack * (p.Params.Ball(&x) - target)
		o[1] = hinge(p.Params.Body(&x, &u)-p.Body, p.Body > 0) * wLimit
		o[2] = hinge(math.Max(x[1], x[2])-p.Board, p.Board > 0) * wLimit
		o[3] = wFlat * (x[2] - x[1])
	}
	s.knots(z, r[perStep*s.n:])
	begin := 0.0
	for i := range s.np {
		v := z[Groups*s.k+i]
		e := math.Sqrt(math.Max(0.5, (p.Breaks[i]-begin)/pace)) * wPace
		begin = p.Breaks[i]
		out := &r[perStep*s.n+perKnot*s.k+i]
		*out = e * (1 - v)
		if v > 1 {
			*out = 20 * e * (v - 1) // never faster than asked
		} else if v < leastPace {
			*out += 20 * e * (leastPace - v)
		}
	}
	sum := 0.0
	for _, v := range r {
		sum += v * v
	}
	return sum
}

func hinge(v float64, on bool) float64 {
	if !on || v <= 0 {
		return 0
	}
	return v
}

// Duty of group g at temperature c moving at rate K/s.
func (p *Problem) duty(g int, c, rate float64) float64 {
	h, a := &p.Heaters[g], p.Params.Ambient
	power := h.Power
	if !(power > 0.3) {
		power = 1
	}
	if g == Area {
		k, ka := c+273.15, a+273.15
		return ((k*k*k*k-ka*ka*ka*ka)/h.Gain + h.Inertia*rate) / power
	}
	return ((c-a)/h.Gain + h.Inertia*rate) / power
}

// knots fills the residuals that belong to knots.
func (s *search) knots(z, r []float64) {
	p := s.p
	for k := range s.k {
		o := r[perKnot*k : perKnot*(k+1)]
		dt := s.t[k+1] - s.t[k]
		root := math.Sqrt(dt / pace) // a long segment counts like the steps it covers
		watts := 0.0
		for g := range Groups {
			a, b := s.knot(z, g, k), s.knot(z, g, k+1)
			rate := (b - a) / dt
			early, late := p.duty(g, a, rate), p.duty(g, b, rate)
			o[4*g] = wDuty * root * (hinge(early-spare, true) - hinge(-early, true))
			o[4*g+1] = wDuty * root * (hinge(late-spare, true) - hinge(-late, true))
			o[4*g+2] = wCeiling * root * (hinge(b-p.Heaters[g].Ceiling, true) - hinge(p.Params.Ambient-b, true))
			o[4*g+3] = 0
			if k+1 < s.k {
				c := s.knot(z, g, k+2)
				o[4*g+3] = wBend * ((c-b)/(s.t[k+2]-s.t[k+1]) - rate)
			}
			watts += math.Max(0, late) * p.Heaters[g].Rated
		}
		o[Groups*4] = wBudget * root * hinge(watts/math.Max(1, p.Budget)-0.97, p.Budget > 0)
		o[Groups*4+1] = wBalance * root * (s.knot(z, Top, k+1) - s.knot(z, Bottom, k+1))
		o[Groups*4+2] = wExcess * root * (s.knot(z, Top, k+1) - s.wanted(z, s.t[k+1]))
	}
}

// improve runs damped Gauss–Newton passes.
func (s *search) improve() {
	m, n := s.count(), s.free()
	cost := s.residuals(s.z, s.r, 0, true)
	passes := passes
	if s.p.Warm == nil {
		passes *= 3 // from nowhere
	}
	lambda := 1e-3
	h, g := make([]float64, n*n), make([]float64, n)
	a, d := make([]float64, n*n), make([]float64, n)
	next := make([]float64, n)
	for range passes {
		s.derive()
		normal(s.jac, s.r, h, g, m, n)
		better := false
		for range 9 {
			copy(a, h)
			for i := range n {
				a[i*n+i] += lambda * (h[i*n+i] + 1e-4)
				d[i] = -g[i]
			}
			if boardid.Solve(a, d, n) {
				for i := range n {
					next[i] = s.z[i] + math.Max(-80, math.Min(80, d[i]))
					if i >= Groups*s.k {
						next[i] = s.z[i] + math.Max(-0.2, math.Min(0.2, d[i]))
					}
				}
				if c := s.residuals(next, s.r2, 0, false); c < cost {
					better = cost-c > 1e-3*cost
					copy(s.z, next)
					cost, lambda = c, lambda/5
					break
				}
			}
			lambda *= 10
		}
		cost = s.residuals(s.z, s.r, 0, true)
		if !better {
			return
		}
	}
}

// derive fills the Jacobian by forward differences; a knot touches nothing before the segment it ends.
func (s *search) derive() {
	m, n := s.count(), s.free()
	for c := range n {
		k, step := c%s.k, 0.5 // K; knot k+1 ends segment k
		if c >= Groups*s.k {
			k, step = 0, 0.005
			s.tilt(c, step, m, n)
			continue
		}
		z := s.z[c]
		s.z[c] = z + step
		copy(s.r2, s.r)
		s.residuals(s.z, s.r2, k, false)
		s.z[c] = z
		for i := range m {
			s.jac[i*n+c] = (s.r2[i] - s.r[i]) / step
		}
	}
}

// tilt fills the column of a pace. It moves only the target, so that no model needs to be run again.
func (s *search) tilt(c int, step float64, m, n int) {
	for i := range m {
		s.jac[i*n+c] = 0
	}
	z := s.z[c]
	for i := range s.n {
		t := float64(i+1) * pace
		before := s.wanted(s.z, t)
		s.z[c] = z - step
		after := s.wanted(s.z, t)
		s.z[c] = z
		s.jac[perStep*i*n+c] = wTrack * (after - before) / step // minus the target, and a step down
	}
	row := perStep*s.n + perKnot*s.k + c - Groups*s.k
	was := s.r[row]
	s.z[c] = z - step
	s.residuals(s.z, s.r2, s.k, false)
	s.z[c] = z
	s.jac[row*n+c] = (was - s.r2[row]) / step
}

// normal sets h to JᵀJ and g to Jᵀr.
func normal(jac, r, h, g []float64, m, n int) {
	clear(h)
	clear(g)
	var idx [256]int
	for i := range m {
		row := jac[i*n : (i+1)*n]
		cnt := 0
		for c, v := range row {
			if v != 0 && cnt < len(idx) {
				idx[cnt] = c
				cnt++
			}
		}
		for a := range cnt {
			c := idx[a]
			v := row[c]
			g[c] += v * r[i]
			for b := range a + 1 {
				h[c*n+idx[b]] += v * row[idx[b]]
			}
		}
	}
	for i := range n {
		for j := range i {
			h[j*n+i] = h[i*n+j]
		}
	}
}

// schedule writes the result out second by second.
func (s *search) schedule() *Schedule {
	p := s.p
	n := p.Horizon
	out := &Schedule{Begin: p.Begin, Pace: append([]float64(nil), s.z[Groups*s.k:]...)}
	for i := range out.Pace {
		out.Pace[i] = math.Max(leastPace, math.Min(1, out.Pace[i]))
		s.z[Groups*s.k+i] = out.Pace[i]
	}
	x, was := p.State, p.Params.Ball(&p.State)-p.Rate
	k := 0
	sum := 0.0
	for i := range n {
		t := math.Min(float64(i), s.t[s.k])
		for k+1 < s.k && s.t[k+1] <= t {
			k++
		}
		watts := 0.0
		var set, real [Groups]float64
		for g := range Groups {
			set[g] = s.between(s.z, g, k, t)
			rate := (s.knot(s.z, g, k+1) - s.knot(s.z, g, k)) / (s.t[k+1] - s.t[k])
			out.Set[g] = append(out.Set[g], math.Min(set[g], p.Heaters[g].Ceiling))
			real[g] = set[g] + p.lead(g, rate)
			watts += math.Max(0, math.Min(1, p.duty(g, set[g], rate))) * p.Heaters[g].Rated
		}
		u := model.Input{Top: real[Top], Bottom: real[Bottom], Area4: fourth(real[Area]), Push: p.Push * math.Exp(-t/math.Max(1, p.Fade))}
		ball := p.Params.Ball(&x)
		out.Ball = append(out.Ball, ball)
		out.Reading = append(out.Reading, p.Params.Reading(ball, ball-was, &u))
		out.Body = append(out.Body, p.Params.Body(&x, &u))
		out.Board = append(out.Board, math.Max(x[1], x[2]))
		out.Load = append(out.Load, watts)
		want := s.wanted(s.z, float64(i))
		out.Target = append(out.Target, want)
		out.Walk = append(out.Walk, s.paceAt(s.z, s.profileAt(s.z, float64(i))))
		e := ball - want
		sum += e * e
		out.Worst = math.Max(out.Worst, -e)
		was = ball
		p.Params.Step(&x, &u, 1)
	}
	out.Miss = math.Sqrt(sum / float64(n))
	return out
}
