package ident

import (
	"fmt"
	"math"
)

// PI is a proportional-integral setting, C(s) = Kc·(1 + 1/(Ti·s)).
type PI struct {
	Kc float64 // units of the input per K
	Ti float64 // s
}

// SeriesPID is a PID setting in the series (cascade) form, C(s) = Kc·(1 + 1/(Ti·s))·(1 + Td·s).
type SeriesPID struct {
	Kc, Ti, Td float64 // units of the input per K; s; s
}

// IdealPID is a PID setting in the ideal (standard) form, C(s) = Kc·(1 + 1/(Ti·s) + Td·s).
type IdealPID struct {
	Kc, Ti, Td float64 // units of the input per K; s; s
}

// Ideal returns the same controller in the ideal form: with f = 1 + Td/Ti, Kc·f, Ti·f and Td/f. Each series setting has
// one; the way back needs Ti ≥ 4·Td and is not offered. Source: Skogestad 2003, appendix, and any textbook; it is algebra.
func (c SeriesPID) Ideal() IdealPID {
	f := 1 + c.Td/c.Ti
	return IdealPID{Kc: c.Kc * f, Ti: c.Ti * f, Td: c.Td / f}
}

// Series returns the PI setting as a PID setting without derivative action.
func (c PI) Series() SeriesPID { return SeriesPID{Kc: c.Kc, Ti: c.Ti} }

// SIMCPI returns Skogestad's PI setting for a reduced model of first order, Kc = τ1/(k(τc+θ)) and Ti = min(τ1, 4(τc+θ)), or
// for an integrating one Kc = 1/(k′(τc+θ)) and Ti = 4(τc+θ). tauC, s, is how fast the closed loop should be; τc = θ is the
// tightest that is still robust (Ms about 1.6). Source: J. Process Control 13 (2003) 291–309, from memory.
func SIMCPI(r Reduced, tauC float64) (PI, error) {
	sum, err := r.tempo(tauC)
	if err != nil {
		return PI{}, err
	}
	if r.Integrating {
		return PI{Kc: 1 / (r.K * sum), Ti: 4 * sum}, nil
	}
	if !(r.Tau1 > 0) {
		return PI{}, fmt.Errorf("the lag is %g s; allowed: above 0; a pure dead time wants an integrator alone", r.Tau1)
	}
	return PI{Kc: r.Tau1 / (r.K * sum), Ti: math.Min(r.Tau1, 4*sum)}, nil
}

// SIMCPID returns Skogestad's series PID setting: the PI rule for the first lag (or the integrator), and Td = τ2. Without a
// second lag it has no derivative action. Source as for SIMCPI.
func SIMCPID(r Reduced, tauC float64) (SeriesPID, error) {
	pi, err := SIMCPI(r, tauC)
	if err != nil {
		return SeriesPID{}, err
	}
	return SeriesPID{Kc: pi.Kc, Ti: pi.Ti, Td: r.Tau2}, nil
}

// tempo returns τc+θ, or what is wrong.
func (r Reduced) tempo(tauC float64) (float64, error) {
	sum := tauC + r.DeadTime
	switch {
	case !(r.K != 0 && math.Abs(r.K) <= 1e12):
		return 0, fmt.Errorf("the gain is %g; allowed: any number but 0", r.K)
	case !(tauC >= 0 && r.DeadTime >= 0 && r.Tau2 >= 0 && r.Tau2 <= 1e12):
		return 0, fmt.Errorf("τc is %g s, the dead time %g s, the second lag %g s; allowed: 0 or more", tauC, r.DeadTime, r.Tau2)
	case !(sum > 0 && sum <= 1e12):
		return 0, fmt.Errorf("τc + dead time is %g s; allowed: above 0, for a loop cannot be infinitely fast", sum)
	}
	return sum, nil
}

// Process returns a fitted model, which has at most two lags and no numerator, as a process, for Reduce and MaximumSensitivity.
func (m Model) Process() Process {
	p := Process{K: m.Gain, Lags: []float64{m.Tau1}, DeadTime: m.DeadTime}
	if m.Tau2 > 0 {
		p.Lags = append(p.Lags, m.Tau2)
	}
	return p
}

// Tuning is a proposal for a fitted model.
type Tuning struct {
	PI      PI
	PITauC  float64 // s, the τc it was made with
	PID     SeriesPID
	PIDTauC float64 // s
}

// Tune proposes SIMC settings with τc = θ. Where a record shows less dead time than one of its rows lasts, τc is that interval:
// nothing faster was measured, and a gain that grows without bound as θ goes to 0 would rest on nothing.
func (m Model) Tune() (Tuning, error) {
	var t Tuning
	// PI sees one lag and takes half of the second for dead time; PID sees both as they are.
	first, err := m.Process().Reduce(1)
	if err != nil {
		return t, err
	}
	second, err := m.Process().Reduce(2)
	if err != nil {
		return t, err
	}
	t.PITauC, t.PIDTauC = math.Max(first.DeadTime, m.Interval), math.Max(second.DeadTime, m.Interval)
	if t.PI, err = SIMCPI(first, t.PITauC); err != nil {
		return t, err
	}
	t.PID, err = SIMCPID(second, t.PIDTauC)
	return t, err
}
