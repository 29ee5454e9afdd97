// Package observe estimates what no thermocouple shows: the temperatures of the model's lumps, and the joint where
// it has no thermocouple of its own, from package top, board and heaters, with a band that says how far it can be trusted.
//
// It is pure. Step allocates nothing and may be called in the tick. It decides nothing and cuts nothing off.
package observe

import (
	"math"

	"trivet/control/model"
)

// Noise says how far model and thermocouples are trusted. Standard deviations; per √s for what drifts.
type Noise struct {
	Joint, Body, Board float64 // °C, of one second's mean, what the model cannot explain included
	Drift              float64 // °C/√s, of every lump
	Push               float64 // (K/s)/√s, of the unexplained rate on the joint
	Fade               float64 // s, over which an unexplained rate dies away
	Start              float64 // °C, of the state at the start
}

// DefaultNoise was found on random boards with the joint thermocouple in place.
func DefaultNoise() Noise {
	return Noise{Joint: 0.15, Body: 2.5, Board: 3, Drift: 0.03, Push: 0.003, Fade: 60, Start: 1}
}

// WithoutJoint returns the noise for a run without a joint thermocouple. Package top and board must then correct the
// model although it describes them less well.
func WithoutJoint() Noise {
	n := DefaultNoise()
	n.Body, n.Board, n.Push = 0.4, 0.6, 0.001
	return n
}

const size = 4 // top, joint, ring, push

// Filter is an extended Kalman filter (Kalman 1960, extended by linearising the model along the estimate) over the
// three lumps and an unexplained heating rate of the joint. Make one with New.
type Filter struct {
	X     model.State
	Push  float64 // K/s
	rate  float64 // of the ball, K/s, over the last step
	p     [size * size]float64
	noise Noise
	n     int
}

// New returns a filter that begins at x.
func New(x model.State, n Noise) Filter {
	f := Filter{X: x, noise: n}
	for i := range 3 {
		f.p[i*size+i] = n.Start * n.Start
	}
	f.p[15] = 1e-6
	return f
}

// Step moves the estimate over one second of sample s, then corrects it by what s has.
func (f *Filter) Step(m *model.Params, s *model.Sample) {
	f.Predict(m, s.Input)
	if s.Has&model.HasJoint != 0 {
		// A mean over the second belongs to its middle, half a second ago.
		y := m.Reading(f.Ball(m)-f.rate/2, f.rate, &s.Input)
		f.correct(s.Joint-y, (1-m.Stem)*(1-m.JointMix), (1-m.Stem)*m.JointMix, 0, f.noise.Joint)
	}
	if s.Has&model.HasBody != 0 {
		f.correct(s.Body-m.Body(&f.X, &s.Input), 0, 0, 1-m.TopAir, f.noise.Body)
	}
	if s.Has&model.HasBoard != 0 {
		f.correct(s.Board-m.Board(&f.X), 1-m.BoardMix, m.BoardMix, 0, f.noise.Board)
	}
}

// Predict moves the estimate over one second without correcting it.
func (f *Filter) Predict(m *model.Params, u model.Input) {
	before := m.Ball(&f.X)
	u.Push = f.Push
	var a3 [9]float64
	m.Linear(&f.X, &u, 1, &a3)
	f.rate = m.Ball(&f.X) - before
	keep := math.Exp(-1 / f.noise.Fade)
	var a [size * size]float64
	for r := range 3 {
		copy(a[r*size:r*size+3], a3[3*r:3*r+3])
	}
	a[1*size+3] = 1 // one second of push
	a[15] = keep
	f.Push *= keep
	// P ← A P Aᵀ + Q
	var ap [size * size]float64
	for r := range size {
		for c := range size {
			for k := range size {
				ap[r*size+c] += a[r*size+k] * f.p[k*size+c]
			}
		}
	}
	for r := range size {
		for c := range size {
			sum := 0.0
			for k := range size {
				sum += ap[r*size+k] * a[c*size+k]
			}
			f.p[r*size+c] = sum
		}
	}
	for i := range 3 {
		f.p[i*size+i] += f.noise.Drift * f.noise.Drift
	}
	f.p[15] += f.noise.Push * f.noise.Push
	f.n++
}

// correct takes in one reading that was e above its prediction and depends on joint, ring and top by the given shares.
func (f *Filter) correct(e, joint, ring, top, sd float64) {
	h := [size]float64{top, joint, ring, 0}
	var ph [size]float64
	s := sd * sd
	for r := range size {
		for c := range size {
			ph[r] += f.p[r*size+c] * h[c]
		}
		s += h[r] * ph[r]
	}
	for r := range 3 {
		f.X[r] += ph[r] / s * e
	}
	f.Push += ph[3] / s * e
	for r := range size {
		for c := range size {
			f.p[r*size+c] -= ph[r] * ph[c] / s
		}
	}
}

// Ball is the estimated temperature of the outer balls, °C.
func (f *Filter) Ball(m *model.Params) float64 { return m.Ball(&f.X) }

// Rate is how fast they warm, K/s.
func (f *Filter) Rate() float64 { return f.rate }

// Deviation is the standard deviation of Ball that the filter itself claims, °C. What the model gets wrong for good is
// not in it.
func (f *Filter) Deviation(m *model.Params) float64 {
	w := m.JointMix
	v := (1-w)*(1-w)*f.p[5] + 2*w*(1-w)*f.p[6] + w*w*f.p[10]
	return math.Sqrt(math.Max(0, v))
}
