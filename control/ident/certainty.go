package ident

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// StandardErrors are one standard deviation each, from the Jacobian at the fit, σ²(JᵀJ)⁻¹ with σ² from the residuals:
// right for residuals that are independent from row to row, too small for residuals that are not. One that the record does
// not determine at all is +Inf: two equal time constants can be exchanged for two unequal ones with the same sum and no visible
// difference, while the sum stays well known.
type StandardErrors struct {
	Gain     float64 // K per unit of the input
	Tau1     float64 // s
	Tau2     float64 // s
	TauSum   float64 // s, of Tau1 + Tau2
	DeadTime float64 // s
}

// newModel makes a model of the best shape: what is linear (gain, baseline, drift) and the standard errors come from the
// Jacobian of the whole model in gain, baseline, drift and time scales.
func newModel(p *projector, t trial) Model {
	n, at := len(p.time), t.shape
	m := Model{Order: 1, Tau1: at.tau1, Tau2: at.tau2, DeadTime: at.dead}
	if at.tau2 > 0 {
		m.Order = 2
	}
	p.answer(p.x, at)
	columns := [][]float64{append([]float64(nil), p.x...), p.ones(), p.line}
	// The projection has found the same gain already; solving all three once more gives baseline and drift their own units.
	if beta := leastSquares(columns, p.temp); beta != nil {
		m.Gain, m.Baseline, m.Drift = beta[0], beta[1], beta[2]
	}
	// The row that holds the expected drift is no part of the record, so it does not count in what is left.
	var sum float64
	for i, y := range p.temp[:n] {
		d := y - m.Gain*p.x[i] - m.Baseline - m.Drift*p.time[i]
		sum += d * d
	}
	// From here on the columns are derivatives by what enters nonlinearly, in K per second.
	linear := len(columns)
	columns = append(columns, p.scales(at, m.Gain)...)
	cov := covariance(columns, sum/float64(n-len(columns)))
	m.SE.Gain, m.SE.DeadTime = math.Sqrt(cov(0, 0)), math.Sqrt(cov(linear, linear))
	vs := cov(linear+1, linear+1)
	if m.Order == 1 {
		m.SE.Tau1, m.SE.TauSum = math.Sqrt(vs), math.Sqrt(vs)
		return m
	}
	// The coordinates are half the sum and half the difference: τ1 = s + d, τ2 = s − d.
	vd, c := cov(linear+2, linear+2), cov(linear+1, linear+2)
	m.SE.TauSum = 2 * math.Sqrt(vs)
	m.SE.Tau1, m.SE.Tau2 = math.Sqrt(math.Max(0, vs+vd+2*c)), math.Sqrt(math.Max(0, vs+vd-2*c))
	return m
}

// slope is the derivative of the answer, K, along a direction in the time scales, per second, by central differences.
// The step is a thousandth of the larger lag: the truncation error is then about a millionth, far below what a standard
// error is worth. At dead time 0, and where the smaller lag would leave its range, the difference is taken on one side.
func (p *projector) slope(at shape, gain float64, along shape) []float64 {
	// Half the sum and half the difference move the smaller lag as fast as the larger: it must not reach 0 on the way.
	h := at.tau1 * 1e-3
	if along.tau2 != 0 {
		h = math.Min(h, at.tau2/4)
	}
	up, down := h, h
	if along.dead > 0 && at.dead < h {
		down = 0
	}
	move := func(d float64) []float64 {
		x := make([]float64, len(p.time)+1)
		p.answer(x, shape{at.dead + d*along.dead, at.tau1 + d*along.tau1, at.tau2 + d*along.tau2})
		return x
	}
	hi, lo := move(up), move(-down)
	for i := range hi {
		hi[i] = gain * (hi[i] - lo[i]) / (up + down)
	}
	return hi
}

// leastSquares returns the weights of the columns that come nearest to y, by QR; nil when the columns are not independent.
func leastSquares(columns [][]float64, y []float64) []float64 {
	a := mat.NewDense(len(y), len(columns), nil)
	for k, c := range columns {
		a.SetCol(k, c)
	}
	// QR and not normal equations: with time in seconds beside ones, the squares would cost half of the digits.
	var qr mat.QR
	qr.Factorize(a)
	var beta mat.VecDense
	if err := qr.SolveVecTo(&beta, false, mat.NewVecDense(len(y), y)); err != nil {
		return nil
	}
	return beta.RawVector().Data
}

// covariance returns the entries of σ²(JᵀJ)⁻¹ for a Jacobian given by its columns. A column that vanishes beside the
// largest (a lag that makes no difference) is left out, and its own variance is +Inf; the same for all of them if the
// rest are not independent.
func covariance(columns [][]float64, variance float64) func(i, j int) float64 {
	kept, size, at := []int(nil), make([]float64, len(columns)), make([]int, len(columns))
	for k, c := range columns {
		size[k] = math.Sqrt(dot(c, c))
		at[k] = -1
		// Columns differ in unit, so only a true zero counts as vanishing; 1e-9 is far above rounding.
		if size[k] > 1e-9*math.Sqrt(float64(len(c))) {
			at[k] = len(kept)
			kept = append(kept, k)
		}
	}
	// Columns of length 1 make the condition number independent of units.
	gram := mat.NewSymDense(len(kept), nil)
	for i, a := range kept {
		for j, b := range kept[:i+1] {
			gram.SetSym(i, j, dot(columns[a], columns[b])/(size[a]*size[b]))
		}
	}
	// 1e13 leaves three digits of the inverse in double precision: enough for an error, which is never better than that.
	var chol mat.Cholesky
	inverse := mat.NewSymDense(len(kept), nil)
	solved := chol.Factorize(gram) && chol.Cond() < 1e13 && chol.InverseTo(inverse) == nil
	return func(i, j int) float64 {
		switch {
		// What is left out is independent of the rest by definition, and unknown by itself.
		case i != j && (at[i] < 0 || at[j] < 0):
			return 0
		case at[i] < 0 || !solved:
			return math.Inf(1)
		}
		return variance * inverse.At(at[i], at[j]) / (size[i] * size[j])
	}
}
