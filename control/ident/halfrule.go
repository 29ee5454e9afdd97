package ident

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
)

// Process is a process as physics or a drawing gives it, with all its lags:
//
//	K · Π(Lead·s+1) · Π(−InverseResponse·s+1) · e^(−DeadTime·s) / Π(Lag·s+1), divided by s if Integrating.
//
// All times are in s and 0 or more. K is in K per unit of the input; per second too if Integrating.
type Process struct {
	K               float64
	Lags            []float64
	Leads           []float64
	InverseResponse []float64
	DeadTime        float64
	Integrating     bool
}

// Reduced is what is left of a process for tuning: at most two lags (the integrator of an integrating process takes the place
// of the first), the rest as effective dead time.
type Reduced struct {
	K           float64 // as in Process
	Tau1        float64 // s, the larger lag; +Inf if Integrating
	Tau2        float64 // s; 0 in a model of first order
	DeadTime    float64 // s
	Integrating bool
}

// ErrLead says that the published rules do not cover a numerator.
var ErrLead = errors.New("a lead is larger than the rules for numerators cover")

func (p Process) check() error {
	if !(p.K != 0 && math.Abs(p.K) <= 1e12) {
		return fmt.Errorf("the gain is %g; allowed: any number but 0", p.K)
	}
	for _, part := range []struct {
		name  string
		times []float64
	}{{"a lag", p.Lags}, {"a lead", p.Leads}, {"an inverse response", p.InverseResponse}, {"the dead time", []float64{p.DeadTime}}} {
		for _, t := range part.times {
			if !(t >= 0 && t <= 1e12) {
				return fmt.Errorf("%s is %g s; allowed: 0 to 1e12", part.name, t)
			}
		}
	}
	return nil
}

// Reduce makes a model of order 1 (for PI) or 2 (for PID) by Skogestad's half rule: of the largest neglected lag, half goes to
// the dead time and half to the smallest lag retained; all smaller lags and all inverse responses go to the dead time
// whole. Leads are first cancelled against lags (see cancel). Source: S. Skogestad, J. Process Control 13 (2003)
// 291–309, section 2, from memory; checked against the examples of that paper.
//
// Half of the sampling interval of the loop belongs to DeadTime too; it is for the caller to add it.
func (p Process) Reduce(order int) (Reduced, error) {
	if order != 1 && order != 2 {
		return Reduced{}, fmt.Errorf("the order is %d; allowed: 1 or 2", order)
	}
	if err := p.check(); err != nil {
		return Reduced{}, err
	}
	// Ten rounds are plenty: each can only change which of five rules applies to a lead.
	// The rules for leads ask for the effective dead time, which depends on what they do. Begin with what is dead time for
	// certain, and repeat until the answer agrees with itself; where it alternates, the last answer stands.
	dead := p.DeadTime
	for _, t := range p.InverseResponse {
		dead += t
	}
	var r Reduced
	for range 10 {
		q, err := p.cancel(dead)
		if err != nil {
			return Reduced{}, err
		}
		r = q.half(order)
		if math.Abs(r.DeadTime-dead) <= 1e-9*(1+dead) {
			break
		}
		dead = r.DeadTime
	}
	return r, nil
}

// half applies the half rule to a process without leads. An integrator counts as a lag without end: what is added to it
// vanishes, so of the largest neglected lag beside it half goes to the dead time and the other half nowhere, as in the paper.
func (p Process) half(order int) Reduced {
	lags := slices.Clone(p.Lags)
	slices.SortFunc(lags, func(a, b float64) int { return cmp.Compare(b, a) })
	if p.Integrating {
		lags = slices.Insert(lags, 0, math.Inf(1))
	}
	// Lags of 0 s fill up what is missing; they change nothing.
	for len(lags) < order+1 {
		lags = append(lags, 0)
	}
	r := Reduced{K: p.K, Integrating: p.Integrating, DeadTime: p.DeadTime}
	for _, t := range p.InverseResponse {
		r.DeadTime += t
	}
	kept := lags[:order]
	kept[order-1] += lags[order] / 2
	r.DeadTime += lags[order] / 2
	for _, t := range lags[order+1:] {
		r.DeadTime += t
	}
	r.Tau1 = kept[0]
	if order == 2 {
		// A half may make the second lag the larger one. The pair has no order; the larger is τ1, as the paper's examples E4 and E7 have it.
		r.Tau1, r.Tau2 = max(kept[0], kept[1]), min(kept[0], kept[1])
	}
	return r
}

// cancel replaces each lead T0, largest first, together with the closest larger lag τ0 (the closest smaller if there is none),
// by the rules T1 to T3 of the paper, θ being the effective dead time:
//
//	(T0·s+1)/(τ0·s+1) ≈ T0/τ0 if T0 ≥ τ0 ≥ θ;  T0/θ if T0 ≥ θ ≥ τ0;  1 if θ ≥ T0 ≥ τ0;  T0/τ0 if τ0 ≥ T0 ≥ 5θ;
//	otherwise (τ̃/τ0)/((τ̃−T0)·s+1), τ̃ = min(τ0, 5θ).
//
// A lead with no lag left to cancel shortens the dead time, if there is enough of it; e^(T0·s) is its first-order likeness.
func (p Process) cancel(theta float64) (Process, error) {
	q := p
	q.Leads = nil
	q.Lags = slices.Clone(p.Lags)
	slices.Sort(q.Lags)
	leads := slices.Clone(p.Leads)
	slices.SortFunc(leads, func(a, b float64) int { return cmp.Compare(b, a) })
	for _, t0 := range leads {
		if len(q.Lags) == 0 {
			if t0 > q.DeadTime {
				return q, fmt.Errorf("%w: %g s with no lag to cancel it and %g s of dead time; allowed: less", ErrLead, t0, q.DeadTime)
			}
			q.DeadTime -= t0
			continue
		}
		// The first lag not below the lead is the closest larger one; past the end, the largest is the closest smaller one.
		i, _ := slices.BinarySearch(q.Lags, t0)
		i = min(i, len(q.Lags)-1)
		tau := q.Lags[i]
		q.Lags = slices.Delete(q.Lags, i, i+1)
		cut := min(tau, 5*theta)
		switch {
		case t0 >= tau && tau >= theta, tau >= t0 && t0 >= 5*theta:
			q.K *= t0 / tau
		case t0 >= theta && theta >= tau:
			q.K *= t0 / theta
		case t0 >= tau: // and theta ≥ t0: the pair is as good as 1
		default:
			q.K *= cut / tau
			q.Lags = append(q.Lags, cut-t0)
			slices.Sort(q.Lags)
		}
	}
	return q, nil
}
