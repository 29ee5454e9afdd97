package boardid

import (
	"errors"
	"math"

	"trivet/control/model"
)

// Weights says how much a second of each thermocouple counts. The standard deviations are larger than the noise on
// purpose: what the model leaves over lasts for tens of seconds, so that a second is not a measurement of its own.
type Weights struct {
	Joint, Body, Board float64 // °C
	Memory             float64 // s, over which old seconds lose weight
	Floor              float64 // the weight they never fall below, 0…1
	// Tight is how many times narrower than usual each departure is taken to be: 1 for a board known by calliper, more for
	// one whose like has been run before. 0 counts as 1.
	Tight Theta
}

// DefaultWeights were found on random boards.
func DefaultWeights() Weights {
	return Weights{Joint: 0.6, Body: 3, Board: 4, Memory: 100, Floor: 0.15}
}

// WithoutJoint returns weights for a run without a joint thermocouple: package top and board must then carry the fit.
func WithoutJoint() Weights {
	w := DefaultWeights()
	w.Body, w.Board = 2, 3
	return w
}

// Fitted is what a fit found.
type Fitted struct {
	Theta  Theta
	Params model.Params
	// Cov is the covariance of Theta, by rows: how well the departures are known. Diagonal 1 means the run taught nothing.
	Cov [Count * Count]float64
	// Left is the rms of the joint residual over the last minute, °C.
	Left float64
	// Strain is how far the departures are from where they were looked for, in standard deviations of one board: the root of the sum of
	// squares over those that belong to the board and not to how its thermocouples were attached.
	Strain float64
	Misfit float64 // rms of all residuals in units of their weights: what no departure could explain
	Steps  int     // accepted steps
}

// least is how many seconds a fit needs before it says anything.
const least = 5

// Fit adjusts the guess to the track, beginning at from (the zero Theta, or the last fit). It fails when the track is
// too short, has no joint, body or board reading at all, or drives the model out of any sensible range.
func Fit(guess model.Params, tr *model.Track, from Theta, w Weights) (*Fitted, error) {
	n := len(tr.Samples)
	if n < least {
		return nil, errors.New("boardid: the run is too short to learn from, allowed from 5 s")
	}
	start, ok := tr.Start()
	if !ok {
		return nil, errors.New("boardid: no usable reading at the start, allowed is at least one of joint, package top and board")
	}
	for i := range w.Tight {
		if !(w.Tight[i] > 0) {
			w.Tight[i] = 1
		}
	}
	p := &problem{guess: guess, tr: tr, start: start, w: w, r: make([]float64, 3*n), r2: make([]float64, 3*n), jac: make([]float64, 3*n*Count)}
	th := from
	cost := p.cost(&th, p.r)
	if math.IsNaN(cost) || math.IsInf(cost, 0) {
		th = Theta{}
		if cost = p.cost(&th, p.r); math.IsNaN(cost) || math.IsInf(cost, 0) {
			return nil, errors.New("boardid: the model cannot follow this run from any start")
		}
	}
	lambda, steps := 1e-2, 0
	for range 8 {
		p.derive(&th)
		h, g := p.normal(&th)
		better := false
		for range 5 {
			next, ok := step(&h, &g, &th, lambda)
			if ok {
				if c := p.cost(&next, p.r2); c < cost {
					better = cost-c > 1e-4*cost
					th, cost, lambda = next, c, lambda/4
					p.r, p.r2 = p.r2, p.r
					steps++
					break
				}
			}
			lambda *= 6
		}
		if !better {
			break
		}
	}
	p.derive(&th)
	h, _ := p.normal(&th)
	f := &Fitted{Theta: th, Params: Apply(guess, &th), Steps: steps, Left: p.left()}
	for i, v := range th.OfBoard() {
		f.Strain += square(w.Tight[i] * v)
	}
	f.Strain = math.Sqrt(f.Strain)
	f.Misfit = p.misfit()
	if !Invert(h[:], f.Cov[:], Count) {
		return nil, errors.New("boardid: the fit has no definite answer")
	}
	return f, nil
}

// problem is one fit in progress. Residuals come three to a sample: joint, body, board, weighted.
type problem struct {
	guess model.Params
	tr    *model.Track
	start model.State
	w     Weights
	r, r2 []float64
	jac   []float64 // residuals by parameters
}

// cost fills r and returns half the sum of squares with the prior.
func (p *problem) cost(th *Theta, r []float64) float64 {
	m := Apply(p.guess, th)
	x := p.start
	n := len(p.tr.Samples)
	sum := 0.0
	for k := range p.tr.Samples {
		s := &p.tr.Samples[k]
		before := x
		m.Step(&x, &s.Input, 1)
		mid := model.State{(before[0] + x[0]) / 2, (before[1] + x[1]) / 2, (before[2] + x[2]) / 2}
		age := float64(n - k)
		w := math.Max(p.w.Floor, math.Exp(-age/p.w.Memory))
		if s.Fan > 0 {
			w *= 0.05 // fans are not in the model
		}
		o := r[3*k : 3*k+3]
		o[0], o[1], o[2] = 0, 0, 0
		if s.Has&model.HasJoint != 0 {
			o[0] = (m.Reading(m.Ball(&mid), m.Ball(&x)-m.Ball(&before), &s.Input) - s.Joint) / p.w.Joint * w
		}
		if s.Has&model.HasBody != 0 {
			o[1] = (m.Body(&mid, &s.Input) - s.Body) / p.w.Body * w
		}
		if s.Has&model.HasBoard != 0 {
			o[2] = (m.Board(&mid) - s.Board) / p.w.Board * w
		}
		sum += o[0]*o[0] + o[1]*o[1] + o[2]*o[2]
	}
	for i, v := range th {
		sum += square(p.w.Tight[i] * v)
	}
	return sum / 2
}

// derive fills the Jacobian by forward differences.
func (p *problem) derive(th *Theta) {
	const d = 0.02
	for i := range Count {
		moved := *th
		moved[i] += d
		p.cost(&moved, p.r2)
		for k := range p.r {
			p.jac[k*Count+i] = (p.r2[k] - p.r[k]) / d
		}
	}
}

// normal returns the normal matrix and gradient, the prior included.
func (p *problem) normal(th *Theta) (h [Count * Count]float64, g Theta) {
	for k, r := range p.r {
		row := p.jac[k*Count : (k+1)*Count]
		for i, a := range row {
			if a == 0 {
				continue
			}
			g[i] += a * r
			for j := 0; j <= i; j++ {
				h[i*Count+j] += a * row[j]
			}
		}
	}
	for i := range Count {
		h[i*Count+i] += square(p.w.Tight[i])
		g[i] += square(p.w.Tight[i]) * th[i]
		for j := range i {
			h[j*Count+i] = h[i*Count+j]
		}
	}
	return h, g
}

// left returns the rms of the joint residual over the last minute, °C.
func (p *problem) left() float64 {
	n := len(p.tr.Samples)
	sum, cnt := 0.0, 0.0
	for k := max(0, n-60); k < n; k++ {
		if p.tr.Samples[k].Has&model.HasJoint == 0 {
			continue
		}
		w := math.Max(p.w.Floor, math.Exp(-float64(n-k)/p.w.Memory))
		e := p.r[3*k] * p.w.Joint / w
		sum, cnt = sum+e*e, cnt+1
	}
	if cnt == 0 {
		return 0
	}
	return math.Sqrt(sum / cnt)
}

// misfit returns the rms of all weighted residuals, undoing what age took from them.
func (p *problem) misfit() float64 {
	sum, n := 0.0, 0.0
	for k := range p.tr.Samples {
		s := &p.tr.Samples[k]
		if s.Fan > 0 {
			continue
		}
		w := math.Max(p.w.Floor, math.Exp(-float64(len(p.tr.Samples)-k)/p.w.Memory))
		for i, has := range [...]model.Has{model.HasJoint, model.HasBody, model.HasBoard} {
			if s.Has&has != 0 {
				sum, n = sum+square(p.r[3*k+i]/w), n+1
			}
		}
	}
	return math.Sqrt(sum / math.Max(1, n))
}

func square(x float64) float64 { return x * x }

// step returns th moved by a damped Gauss–Newton step (Levenberg and Marquardt), inside the bounds.
func step(h *[Count * Count]float64, g *Theta, th *Theta, lambda float64) (Theta, bool) {
	a := *h
	for i := range Count {
		a[i*Count+i] *= 1 + lambda
	}
	d := make([]float64, Count)
	for i := range d {
		d[i] = -g[i]
	}
	if !Solve(a[:], d, Count) {
		return *th, false
	}
	next := *th
	for i := range next {
		next[i] = clamp(next[i]+clamp(d[i], -1, 1), -widest, widest)
	}
	return next, true
}
