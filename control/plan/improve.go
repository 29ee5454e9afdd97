package plan

import (
	"math"

	"trivet/control/boardid"
)

// How far one pass may move an unknown: the model is trusted near where it was linearised.
const (
	mostKelvin = 80.0
	mostPace   = 0.2
)

// improve runs at most so many damped Gauss–Newton passes (Levenberg 1944, Marquardt 1963), until one gains less than a thousandth.
// Hinges make the valley crooked: where a step fails, damping grows tenfold until a small one succeeds.
func (s *search) improve(passes int) {
	m, n := s.count(), s.free()
	cost := s.residuals(s.z, s.r, 0, true)
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
					most := mostKelvin
					if i >= Groups*s.k {
						most = mostPace
					}
					next[i] = s.z[i] + math.Max(-most, math.Min(most, d[i]))
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

// derive fills the Jacobian by forward differences. A knot touches nothing before the segment it ends, and half a kelvin
// is far above rounding and far below where the fourth power bends.
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

// normal sets h to JᵀJ and g to Jᵀr. Most rows depend on few unknowns, so zeros are skipped.
func normal(jac, r, h, g []float64, m, n int) {
	clear(h)
	clear(g)
	var idx [256]int // more unknowns than the longest horizon has
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
