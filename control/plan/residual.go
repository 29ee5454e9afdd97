package plan

import (
	"math"

	"trivet/control/model"
)

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

// input is what the board feels in the middle of step i: heaters ahead of their own thermocouples, and the rate nothing explains.
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

// fourth is the fourth power of c °C on the absolute scale, K⁴.
func fourth(c float64) float64 {
	k := c + zeroC
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

// Rows of the residual. Per step: tracking, package top, board, flatness. Per knot: for each group duty at both ends of
// its segment, ceiling, and bend; then budget, balance of the jets, excess of the top air. Last, a row per pace, and one for the time to
// the last break.
const perStep, perKnot = 4, Groups*4 + 3

// count is how many rows the residual has.
func (s *search) count() int { return perStep*s.n + perKnot*s.k + s.np + 1 }

// residuals fills r for the unknowns z and returns the sum of squares. Rows of steps before segment from are left as they
// are and the model starts from the state kept for that segment, which makes a derivative cost half; keep renews the
// states kept.
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
		o[1], o[2] = 0, 0
		if p.Body > 0 {
			o[1] = s.hard * wLimit * hinge(p.Params.Body(&x, &u)-p.Body)
		}
		if p.Board > 0 {
			o[2] = s.hard * wLimit * hinge(math.Max(x[1], x[2])-p.Board)
		}
		o[3] = wFlat * (x[2] - x[1])
	}
	s.knots(z, r[perStep*s.n:])
	begin, took := 0.0, 0.0
	for i := range s.np {
		v := z[Groups*s.k+i]
		took += (p.Breaks[i] - begin) / math.Max(leastPace/2, v)
		e := math.Sqrt(math.Max(0.5, (p.Breaks[i]-begin)/pace)) * wPace
		begin = p.Breaks[i]
		out := &r[perStep*s.n+perKnot*s.k+i]
		*out = e * (1 - v)
		if v > 1 {
			*out = wall * e * (v - 1) // never faster than asked
		} else if v < leastPace {
			*out += wall * e * (leastPace - v)
		}
	}
	late := &r[perStep*s.n+perKnot*s.k+s.np]
	if *late = 0; p.Soon > 0 {
		*late = s.hard * wSoon * hinge(took-p.Soon)
	}
	sum := 0.0
	for _, v := range r {
		sum += v * v
	}
	return sum
}

// hinge is what v is above zero: limits cost nothing until they are passed.
func hinge(v float64) float64 { return math.Max(0, v) }

// duty returns the share of rated power that keeps group g at c °C moving at rate K/s, by the model of its step test:
// a loss that grows with the excess over ambient (with the fourth power for emitters, which radiate) and an inertia.
func (p *Problem) duty(g int, c, rate float64) float64 {
	h, a := &p.Heaters[g], p.Params.Ambient
	power := h.Power
	if !(power > 0.3) {
		power = 1
	}
	if g == Area {
		return ((fourth(c)-fourth(a))/h.Gain + h.Inertia*rate) / power
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
			o[4*g] = s.hard * wDuty * root * (hinge(early-spare) - hinge(-early))
			o[4*g+1] = s.hard * wDuty * root * (hinge(late-spare) - hinge(-late))
			o[4*g+2] = s.hard * wCeiling * root * (hinge(b-p.Heaters[g].Ceiling) - hinge(p.Params.Ambient-b))
			o[4*g+3] = 0
			if k+1 < s.k {
				c := s.knot(z, g, k+2)
				o[4*g+3] = wBend * ((c-b)/(s.t[k+2]-s.t[k+1]) - rate)
			}
			watts += math.Max(0, late) * p.Heaters[g].Rated
		}
		o[Groups*4] = 0
		if p.Budget > 0 {
			o[Groups*4] = s.hard * wBudget * root * hinge(watts/p.Budget-budgetShare)
		}
		o[Groups*4+1] = wBalance * root * (s.knot(z, Top, k+1) - s.knot(z, Bottom, k+1))
		o[Groups*4+2] = wExcess * root * (s.knot(z, Top, k+1) - s.wanted(z, s.t[k+1]))
	}
}
