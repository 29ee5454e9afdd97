package ident

import (
	"fmt"
	"math"
)

// Model is a process as far as its answer to an input goes: y = Gain·u through one or two lags, DeadTime later.
type Model struct {
	Order    int     // 1 or 2
	Gain     float64 // K per unit of the input; negative if the input cools
	Tau1     float64 // s, the larger time constant
	Tau2     float64 // s, the smaller one; 0 in a first-order model
	DeadTime float64 // s
	Baseline float64 // °C at the first row, with the first input
	Drift    float64 // °C/s beside the answer to the input; 0 if the record shows none
	FitRMS   float64 // °C, what the model leaves of the record, over all its rows
	Interval float64 // s, mean spacing of the rows: nothing faster than this was seen

	SE StandardErrors
}

// Limits on the work and on what is believed; judgements, without source.
const (
	scanRows    = 400    // rows used to find where to start
	fitRows     = 20_000 // rows used to fit; longer records are averaged in blocks
	starts      = 4
	worstSE     = 0.25 // a gain or time constant less sure than this, relatively, is not reported at all
	secondLag   = 6.0  // how much BIC must gain by a second lag: "strong" evidence, Kass & Raftery 1995, table in section 3.2
	clearAnswer = 20.0 // how much BIC must gain by an answer to the input before there is one
)

// FitStep fits a first- and a second-order model with dead time, on a baseline that may drift along a straight line, to a
// step record, and returns the one with the lower Bayesian information criterion (Schwarz 1978), N·ln(RSS/N) + k·ln N: a
// second lag is believed only when the record pays for it.
//
// The error wraps ErrNotFinite, ErrTime, ErrNoChange, ErrTooShort or ErrNoStep. The record may end before the
// temperature has settled; about one and a half time constants are enough at the noise of a thermocouple amplifier.
func FitStep(s Step) (Model, error) {
	if err := s.check(); err != nil {
		return Model{}, err
	}
	// Input changes are taken before rows are averaged, so that they keep their exact times.
	in := newHistory(s)
	time, temp := s.thin(fitRows)
	if n := len(time); time[n-1]-in.at[0] < 6*time[n-1]/float64(n-1) {
		return Model{}, fmt.Errorf("%w: it ends %.3g s after the input first changes; allowed: at least six rows after the change", ErrTooShort, time[n-1]-in.at[0])
	}
	// Where to start needs few rows, and the valleys of the sum of squares are the same with them; only the last steps down use
	// the whole record.
	p := newProjector(time, temp, in)
	coarse := p
	if len(time) > scanRows {
		time, temp := s.thin(scanRows)
		coarse = newProjector(time, temp, in)
	}
	best, bic := Model{}, math.Inf(1)
	for order := 1; order <= 2; order++ {
		t, ok := fitOrder(p, coarse, order)
		if !ok {
			continue
		}
		// Unknowns: gain, baseline, drift, dead time, and one lag per order.
		if b := criterion(t.rss, len(time), 4+order); b < bic-secondLag {
			best, bic = newModel(p, t), b
		}
	}
	// The rival without an answer has two unknowns, baseline and drift.
	if !(bic < criterion(p.total, len(time), 2)-clearAnswer) {
		return Model{}, fmt.Errorf("%w: what follows the change is no more than noise and drift; allowed: a step whose answer stands out of the noise", ErrNoStep)
	}
	best.Interval = (s.Time[len(s.Time)-1] - s.Time[0]) / float64(len(s.Time)-1)
	best.FitRMS = best.leaves(s, in)
	if err := best.trust(time[len(time)-1] - in.at[0]); err != nil {
		return Model{}, err
	}
	return best, nil
}

// leaves returns the root mean square of what the model does not explain, over the rows as recorded and not as averaged.
func (m Model) leaves(s Step, in history) float64 {
	time, x, sum := make([]float64, len(s.Time)), make([]float64, len(s.Time)), 0.0
	for i, t := range s.Time {
		time[i] = t - s.Time[0]
	}
	respond(x, time, in, shape{m.DeadTime, m.Tau1, m.Tau2})
	for i, y := range s.Temp {
		d := y - m.Baseline - m.Drift*time[i] - m.Gain*x[i]
		sum += d * d
	}
	return math.Sqrt(sum / float64(len(s.Temp)))
}

// trust refuses a fit whose gain or main time constant is little more than a guess: what a ramp that has not yet bent gives.
func (m Model) trust(after float64) error {
	// Written so that a NaN is refused. The sum of the lags is asked for, because two lags that cannot be told apart are a good
	// answer all the same. A lag of three times the record is a ramp, whatever its standard error says: the model
	// error of a real heater is then larger than the noise.
	if m.SE.Gain <= worstSE*math.Abs(m.Gain) && m.SE.TauSum <= worstSE*(m.Tau1+m.Tau2) && m.Tau1 <= 3*after {
		return nil
	}
	return fmt.Errorf("%w: it ends %.3g s after the input first changes, before the temperature has bent enough to tell the gain from the time constant; allowed: at least one and a half time constants after the step", ErrTooShort, after)
}

// fitOrder finds the best shape of one order. It reports false when nothing in reach answers the input.
func fitOrder(p, coarse *projector, order int) (trial, bool) {
	b := newBounds(p.time, p.in)
	best := trial{rss: math.Inf(1)}
	for _, from := range scan(coarse, b, order, starts) {
		if !(from.tau1 > 0) {
			continue // no shape with this dead time was computable
		}
		if t := refine(coarse, b, from); t.rss < best.rss {
			best = t
		}
	}
	if math.IsInf(best.rss, 1) {
		return best, false
	}
	// From the best start only: the thinned record has told the valleys apart already.
	if coarse != p {
		best.rss, _ = p.remains(best.shape)
		best = refine(p, b, best)
	}
	best = polish(p, b, best)
	_, gain := p.remains(best.shape)
	return best, gain != 0
}

// criterion is the Bayesian information criterion of a fit with k unknowns to n rows that leaves rss, K². Records
// without any noise exist (they are computed); the floor of a microkelvin a row keeps their logarithm finite and their order low.
func criterion(rss float64, n, k int) float64 {
	return float64(n)*math.Log(math.Max(rss/float64(n), 1e-12)) + float64(k)*math.Log(float64(n))
}
