package ident

import "math"

// shape is what the fit searches for: the time scales. Gain, baseline and drift follow from it linearly.
type shape struct {
	dead float64 // s, 0 or more
	tau1 float64 // s, above 0
	tau2 float64 // s; 0 makes the model first-order
}

// respond writes into x the answer of a process of gain 1 to the input, at the given rising times, as a deviation from
// rest. There is no integration step: between two changes of a held input the solution is exponentials, and each one is
// taken from sample to sample exactly,
//
//	x1 → u + (x1−u)·e^(−h/τ1)
//	x2 → u + (x2−u)·e^(−h/τ2) + (x1−u)·g(h),  g = (τ1/(τ1−τ2))·(e^(−h/τ1) − e^(−h/τ2)),
//
// which is the solution of τ1·ẋ1 = u−x1, τ2·ẋ2 = x1−x2. Dead time moves the changes of the input, so it needs no grid either.
func respond(x, time []float64, in history, p shape) {
	var c cascade
	c.p = p
	now, next := 0.0, 0
	for i, t := range time {
		for next < len(in.at) && in.at[next]+p.dead < t {
			at := in.at[next] + p.dead
			c.advance(at - now)
			now, c.u = at, in.level[next]
			next++
		}
		c.advance(t - now)
		now = t
		if p.tau2 > 0 {
			x[i] = c.x2
		} else {
			x[i] = c.x1
		}
	}
}

// cascade is two lags in series under a held input u.
type cascade struct {
	p         shape
	u, x1, x2 float64
	h         float64 // the length the factors below are for
	a1, a2, g float64
}

// advance carries the state over h seconds. Steps of equal length, to a part in 1e9, share their exponentials: nearly all
// of a record is on one sampling interval, and this is what makes thousands of trial fits cheap.
func (c *cascade) advance(h float64) {
	if h <= 0 {
		return
	}
	if !(math.Abs(h-c.h) <= 1e-9*h) {
		c.h = h
		c.a1 = math.Exp(-h / c.p.tau1)
		if c.p.tau2 > 0 {
			c.a2 = math.Exp(-h / c.p.tau2)
			c.g = between(h, c.p.tau1, c.p.tau2, c.a1, c.a2)
		}
	}
	e1 := c.x1 - c.u
	c.x2 = c.u + (c.x2-c.u)*c.a2 + e1*c.g
	c.x1 = c.u + e1*c.a1
}

// between returns g(h) above. Near τ1 = τ2 the quotient loses its digits, so there the difference of exponentials is
// written with expm1, which keeps them; at τ1 = τ2 it becomes (h/τ)·e^(−h/τ).
func between(h, tau1, tau2, a1, a2 float64) float64 {
	z := h * (1/tau2 - 1/tau1)
	switch {
	case math.Abs(z) > 0.1:
		return tau1 / (tau1 - tau2) * (a1 - a2)
	case z == 0:
		return h / tau2 * a2
	}
	return h / tau2 * a2 * math.Expm1(z) / z
}
