package ident

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/optimize"
)

// bounds of the search, s. A lag below a fraction of the sampling interval cannot be seen, and one that is many times the
// record is a ramp.
type bounds struct{ tauLo, tauHi, deadHi float64 }

// newBounds takes them from the record: lags from a twentieth of a sampling interval to twenty times what follows the first
// change, dead time up to nine tenths of that. Judgements, without source: wide enough never to decide a fit that is any
// good, narrow enough that a search without an answer ends.

func newBounds(time []float64, in history) bounds {
	last := time[len(time)-1]
	span := last - in.at[0]
	interval := last / float64(len(time)-1)
	return bounds{tauLo: interval / 20, tauHi: 20 * span, deadHi: 0.9 * span}
}

// trial is a shape and what it leaves.
type trial struct {
	shape
	rss float64
}

// scan tries a grid and returns the best shapes, no two of them with the same dead time: the sum of squares has valleys
// along which dead time is traded for lag, and a start in each keeps the refinement from settling in the wrong one.
func scan(p *projector, b bounds, order, starts int) []trial {
	const deads, taus = 28, 15
	ratios := []float64{0}
	if order == 2 {
		ratios = []float64{0.08, 0.2, 0.45, 0.9}
	}
	// The ratios of the lags are as far apart as a refinement can bridge; 0.9 stands for equal ones, which are a ridge.
	// Time constants go from half a sampling interval to twice the record, evenly in the logarithm.
	lo, hi := 10*b.tauLo, b.tauHi/10
	var best []trial
	for i := range deads {
		// Dead times grow quadratically, because most are short beside the record.
		f := float64(i) / (deads - 1)
		top := trial{rss: math.Inf(1)}
		for k := range taus {
			tau := lo * math.Pow(hi/lo, float64(k)/(taus-1))
			for _, r := range ratios {
				s := shape{dead: f * f * 0.8 * b.deadHi, tau1: tau, tau2: r * tau}
				if rss, _ := p.remains(s); rss < top.rss {
					top = trial{s, rss}
				}
			}
		}
		best = append(best, top)
	}
	slices.SortStableFunc(best, func(x, y trial) int { return cmp.Compare(x.rss, y.rss) })
	return best[:min(starts, len(best))]
}

// refine walks downhill from a start with the simplex of Nelder & Mead. The sum of squares has a kink wherever dead time
// moves a change of the input across a sample, and a corner at dead time 0: a method without derivatives takes both.
// Time constants are searched as logarithms, so a step means a percentage.
// It need not come nearer than a percent or so: polish does the rest.
func refine(p *projector, b bounds, from trial) trial {
	scale := from.tau1 / 4 // s per unit of the dead-time coordinate: about as steep as the logarithms
	two := from.tau2 > 0
	// A simplex knows no bounds, so its coordinates are decoded into a shape that holds them.
	decode := func(v []float64) (s shape, outside float64) {
		s.dead, s.tau1 = v[0]*scale, math.Exp(v[1])
		if two {
			s.tau2 = math.Exp(v[2])
		}
		if s.tau2 > s.tau1 { // the order of the lags does not matter to the output
			s.tau1, s.tau2 = s.tau2, s.tau1
		}
		// Outside the bounds the nearest shape inside is used, and the way back is made a slope.
		in := s
		in.dead = min(max(s.dead, 0), b.deadHi)
		in.tau1 = min(max(s.tau1, b.tauLo), b.tauHi)
		if two {
			in.tau2 = min(max(s.tau2, b.tauLo), in.tau1)
			outside += math.Abs(math.Log(in.tau2 / s.tau2))
		}
		outside += math.Abs(in.dead-s.dead)/scale + math.Abs(math.Log(in.tau1/s.tau1))
		return in, outside
	}
	v := []float64{from.dead / scale, math.Log(from.tau1)}
	if two {
		v = append(v, math.Log(from.tau2))
	}
	problem := optimize.Problem{Func: func(v []float64) float64 {
		for _, c := range v {
			if !(math.Abs(c) < 200) { // exp would overflow
				return math.Inf(1)
			}
		}
		s, outside := decode(v)
		rss, _ := p.remains(s)
		return rss * (1 + outside)
	}}
	best := from
	// 400 evaluations are several times what three dimensions need; the limit is there for a record that is nonsense.
	// A simplex can collapse on a kink; starting it again from where it ended shows whether it had.
	for _, size := range []float64{0.3, 0.1, 0.03} {
		before := best.rss
		settings := &optimize.Settings{FuncEvaluations: 400, Converger: &optimize.FunctionConverge{Relative: 1e-6, Absolute: 0, Iterations: 12}}
		res, err := optimize.Minimize(problem, v, settings, &optimize.NelderMead{SimplexSize: size})
		if res == nil || (err != nil && len(res.X) == 0) {
			// gonum reports a refused start here, never a bad record; both leave us with what we had.
			return best // nothing better was found from here; the start stands
		}
		v = res.X
		s, _ := decode(v)
		if rss, _ := p.remains(s); rss < best.rss {
			best = trial{s, rss}
		}
		if before-best.rss <= 1e-4*best.rss {
			break
		}
	}
	return best
}
