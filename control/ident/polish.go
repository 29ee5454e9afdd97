package ident

// polish takes Gauss–Newton steps from where the simplex stopped. A simplex shrinks along the steep side of a long valley and
// then stands still a few parts in a thousand from its floor; the Jacobian knows the direction of the valley. Each step is
// shortened until it helps, so a kink or a bound can end the walk but not spoil it.
func polish(p *projector, b bounds, from trial) trial {
	for range 30 {
		next, ok := gaussNewton(p, b, from)
		// A gain of less than 1e-12 is the arithmetic's.
		if !ok || !(next.rss < from.rss*(1-1e-12)) {
			return from
		}
		from = next
	}
	return from
}

// gaussNewton returns the best of the full step and its halves, and whether a step could be computed.
func gaussNewton(p *projector, b bounds, from trial) (trial, bool) {
	at, best := from.shape, from
	_, gain := p.remains(at)
	p.answer(p.x, at)
	columns := [][]float64{append([]float64(nil), p.x...), p.ones(), p.line}
	linear := len(columns)
	columns = append(columns, p.scales(at, gain)...)
	// The columns' own share of the temperature does no harm to the step: solving for all of it at once gives the new gain,
	// baseline and drift together with the changes of the time scales.
	beta := leastSquares(columns, p.temp)
	if beta == nil && at.tau2 > 0 {
		// Two lags that are about equal: their difference has no slope there, their sum has.
		beta = leastSquares(columns[:len(columns)-1], p.temp)
	}
	if beta == nil {
		return from, false
	}
	step := append(beta[linear:], 0)
	for f := 1.0; f > 1e-3; f /= 2 {
		s := shape{dead: at.dead + f*step[0], tau1: at.tau1 + f*step[1]}
		if at.tau2 > 0 {
			s.tau1, s.tau2 = at.tau1+f*(step[1]+step[2]), at.tau2+f*(step[1]-step[2])
			s.tau1, s.tau2 = max(s.tau1, s.tau2), max(b.tauLo, min(s.tau1, s.tau2))
		}
		s.dead, s.tau1 = min(max(s.dead, 0), b.deadHi), min(max(s.tau1, b.tauLo), b.tauHi)
		s.tau2 = min(s.tau2, s.tau1)
		if rss, _ := p.remains(s); rss < best.rss {
			best = trial{s, rss}
		} else if best.rss < from.rss {
			break // shorter steps from here on are worse again
		}
	}
	return best, true
}

// scales returns the derivatives of the answer by the time scales, K/s: dead time, then the lag, or half the sum and half the
// difference of two. Sum and difference, because the derivatives by two equal lags are the same column twice.
func (p *projector) scales(at shape, gain float64) [][]float64 {
	dead := p.slope(at, gain, shape{dead: 1})
	if at.tau2 == 0 {
		return [][]float64{dead, p.slope(at, gain, shape{tau1: 1})}
	}
	return [][]float64{dead, p.slope(at, gain, shape{tau1: 1, tau2: 1}), p.slope(at, gain, shape{tau1: 1, tau2: -1})}
}
