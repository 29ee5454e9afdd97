package ident

import "math"

// slowDrift is how fast a drift beside the answer to the input is expected to be, one standard deviation, °C/s: 0.6 K a
// minute, a room or a machine that is still warming. A judgement, without source. It matters only where the record
// cannot tell a drift from a long time constant (no rows before the step, or an early end); a record that can is believed.
const slowDrift = 0.01

// projector answers one question fast: with these time scales, and the best gain, baseline and drift, how large is what
// remains? Gain, baseline and drift enter linearly, so for each trial shape they are solved for instead of searched for
// (variable projection, Golub & Pereyra 1973): the search has three dimensions in place of six.
//
// All vectors have one element more than the record has rows. The last row says that the drift is 0, as surely as
// slowDrift makes it beside the noise of one row: the expectation enters like a measurement.
type projector struct {
	time  []float64 // s; without the last row
	temp  []float64
	in    history
	basis [2][]float64 // orthonormal: a constant and a straight line
	line  []float64    // the straight line before it was made orthonormal
	rest  []float64    // temperature without its part in the basis
	total float64      // Σ rest²: what remains with no answer to the input at all
	x     []float64    // scratch
}

func newProjector(time, temp []float64, in history) *projector {
	n := len(time)
	p := &projector{time: time, in: in, x: make([]float64, n+1)}
	p.temp = append(append(p.temp, temp...), 0)
	p.line = append(append(p.line, time...), noise(temp)/slowDrift)
	p.basis[0], p.basis[1] = p.ones(), append([]float64(nil), p.line...)
	normalise(p.basis[0])
	// Gram–Schmidt with two columns: what of the line is constant belongs to the baseline.
	c := dot(p.basis[0], p.basis[1])
	for i, v := range p.basis[0] {
		p.basis[1][i] -= c * v
	}
	normalise(p.basis[1])
	p.rest = append([]float64(nil), p.temp...)
	p.strip(p.rest)
	p.total = dot(p.rest, p.rest)
	return p
}

// ones is the column of the baseline.
func (p *projector) ones() []float64 {
	one := make([]float64, len(p.time)+1)
	for i := range p.time {
		one[i] = 1
	}
	return one
}

// noise estimates the scatter of single rows, K, from second differences: what is smooth, an answer or a drift, cancels
// in them, and independent noise appears with √6 times its size.
func noise(temp []float64) float64 {
	var sum float64
	for i := 2; i < len(temp); i++ {
		d := temp[i] - 2*temp[i-1] + temp[i-2]
		sum += d * d
	}
	return math.Sqrt(sum / float64(len(temp)-2) / 6)
}

func normalise(v []float64) {
	size := math.Sqrt(dot(v, v))
	for i := range v {
		v[i] /= size
	}
}

// answer computes the unit answer of a shape into x, whose last element is 0 because drift is none of its business.
func (p *projector) answer(x []float64, s shape) {
	n := len(p.time)
	respond(x[:n], p.time, p.in, s)
	x[n] = 0
}

// strip takes the part in the basis out of v.
func (p *projector) strip(v []float64) {
	for _, b := range p.basis {
		c := dot(b, v)
		for i := range v {
			v[i] -= c * b[i]
		}
	}
}

// remains returns the sum of squares of what is left, K², and the gain that goes with it. A shape with no visible answer inside
// the record has gain 0 and leaves everything.
func (p *projector) remains(s shape) (rss, gain float64) {
	p.answer(p.x, s)
	size := dot(p.x, p.x)
	p.strip(p.x)
	xx := dot(p.x, p.x)
	// An answer that the basis explains to twelve digits (a ramp so slow that it is a drift) has no gain of its own.
	if !(xx > 1e-12*size) {
		return p.total, 0
	}
	// The residuals are summed one by one: Σrest² − gain²·Σx² is the same in algebra and loses the digits the search needs.
	gain = dot(p.x, p.rest) / xx
	for i, r := range p.rest {
		d := r - gain*p.x[i]
		rss += d * d
	}
	return rss, gain
}

func dot(a, b []float64) (sum float64) {
	for i, v := range a {
		sum += v * b[i]
	}
	return sum
}
