package ident

import (
	"fmt"
	"math"
	"math/cmplx"
)

// at returns the transfer function of the whole process, nothing approximated (dead time is a true exponential), at s = jω, ω in rad/s, above 0.
func (p Process) at(w float64) complex128 {
	s := complex(0, w)
	g := complex(p.K, 0) * cmplx.Exp(-s*complex(p.DeadTime, 0))
	for _, t := range p.Leads {
		g *= 1 + s*complex(t, 0)
	}
	for _, t := range p.InverseResponse {
		g *= 1 - s*complex(t, 0)
	}
	for _, t := range p.Lags {
		g /= 1 + s*complex(t, 0)
	}
	if p.Integrating {
		g /= s
	}
	return g
}

// at returns the controller at s = jω. The derivative has no filter here; a real one has, which costs a little phase.
func (c SeriesPID) at(w float64) complex128 {
	s := complex(0, w)
	return complex(c.Kc, 0) * (1 + 1/(s*complex(c.Ti, 0))) * (1 + s*complex(c.Td, 0))
}

// MaximumSensitivity returns Ms = max |1/(1+GC)| over all frequencies, of the whole process and not of a reduced one. It is the
// inverse of the smallest distance of the loop from the critical point: 1.2 is cautious, 1.6 is what SIMC gives, 2 is about
// the most that is usual (Åström & Hägglund 2006, chapter 4, from memory).
//
// The sweep has 400 points a decade from 1e-4 to 1e4 times the slowest and the fastest time in the loop, then narrows down on
// the highest; a loop that is *unstable* has an Ms too, so this says nothing about stability.
func MaximumSensitivity(p Process, c SeriesPID) (float64, error) {
	if err := p.check(); err != nil {
		return 0, err
	}
	if !(math.Abs(c.Kc) <= 1e12 && c.Ti > 0 && c.Td >= 0 && c.Td <= 1e12) {
		return 0, fmt.Errorf("the setting is Kc %g, Ti %g s, Td %g s; allowed: Ti above 0, Td 0 or more", c.Kc, c.Ti, c.Td)
	}
	// The peak lies somewhere among the time scales of the loop, or above all of them if gain stays at high frequency.
	slow, fast := c.Ti, c.Ti
	// An integrating process has no slowest time of its own; the controller's integral time takes the place.
	for _, list := range [][]float64{p.Lags, p.Leads, p.InverseResponse, {p.DeadTime, c.Td}} {
		for _, t := range list {
			if t > 0 {
				slow, fast = math.Max(slow, t), math.Min(fast, t)
			}
		}
	}
	// The frequency goes by its logarithm, in which the curve is about equally smooth everywhere.
	sensitivity := func(logW float64) float64 {
		w := math.Exp(logW)
		return 1 / cmplx.Abs(1+p.at(w)*c.at(w))
	}
	// The highest frequency must be high enough to show a limit: with a lead against an inverse response the loop gain does not
	// fall, and Ms is reached only in the limit (examples E14 and E15).
	lo, hi := math.Log(1e-4/math.Min(slow, 1e12)), math.Log(1e4/fast)
	// 400 points a decade follow the ripple of a dead time up to about ω = 100/θ; above that each loop worth its name has rolled off.
	step := math.Ln10 / 400
	best, at := 0.0, lo
	for x := lo; x <= hi; x += step {
		if v := sensitivity(x); v > best {
			best, at = v, x
		}
	}
	// The sweep has found the right hill; halving the step climbs it.
	for step > 1e-9 {
		step /= 2
		for _, x := range [...]float64{at - step, at + step} {
			if v := sensitivity(x); v > best {
				best, at = v, x
			}
		}
	}
	return best, nil
}
