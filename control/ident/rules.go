package ident

import (
	"fmt"
	"math"
)

// TwoPoint returns time constant and dead time of a first-order model from the times, s after the step, at which its complete answer
// has made 28.3 % and 63.2 % of its way (Smith 1972; from memory): τ = 1.5·(t63 − t28), θ = t63 − τ. It is exact for that model,
// because the two marks are 1−e^(−1/3) and 1−e^(−1). By hand it is quick; FitStep uses all rows and is to be preferred.
func TwoPoint(t28, t63 float64) (tau, dead float64, err error) {
	if !(t28 >= 0 && t63 > t28 && t63 <= 1e12) {
		return 0, 0, fmt.Errorf("the marks are at %g and %g s; allowed: 0 or more, the second after the first", t28, t63)
	}
	tau = 1.5 * (t63 - t28)
	// t63 > 3·t28 would need an answer before the step; such a curve is not of first order, and its dead time is none.
	return tau, math.Max(0, t63-tau), nil
}

// Ultimate is the limit of stability under proportional control.
type Ultimate struct {
	Ku float64 // gain at which the loop just keeps swinging, units of the input per K
	Pu float64 // period of that swing, s
}

// The tables below are from memory, ideal (standard) form, and known in several variants: the original ones are meant.
// Ziegler & Nichols, Trans. ASME 64 (1942) 759–768, aim at quarter-amplitude damping, which is far too lively for a solder
// joint; Tyreus & Luyben, Ind. Eng. Chem. Res. 31 (1992) 2625–2628, are the calmer choice after a relay test.

// ZieglerNicholsP returns Kc = 0.5·Ku.
func (u Ultimate) ZieglerNicholsP() float64 { return 0.5 * u.Ku }

// ZieglerNicholsPI returns Kc = 0.45·Ku, Ti = Pu/1.2.
func (u Ultimate) ZieglerNicholsPI() PI { return PI{Kc: 0.45 * u.Ku, Ti: u.Pu / 1.2} }

// ZieglerNicholsPID returns Kc = 0.6·Ku, Ti = Pu/2, Td = Pu/8.
func (u Ultimate) ZieglerNicholsPID() IdealPID {
	return IdealPID{Kc: 0.6 * u.Ku, Ti: u.Pu / 2, Td: u.Pu / 8}
}

// TyreusLuybenPI returns Kc = Ku/3.2, Ti = 2.2·Pu.
func (u Ultimate) TyreusLuybenPI() PI { return PI{Kc: u.Ku / 3.2, Ti: 2.2 * u.Pu} }

// TyreusLuybenPID returns Kc = Ku/2.2, Ti = 2.2·Pu, Td = Pu/6.3.
func (u Ultimate) TyreusLuybenPID() IdealPID {
	return IdealPID{Kc: u.Ku / 2.2, Ti: 2.2 * u.Pu, Td: u.Pu / 6.3}
}

// FirstOrder is a first-order process with dead time, for the rules that want one. The rules need all three above 0 (the gain may
// be negative); with a dead time of 0 their gains are infinite.
type FirstOrder struct {
	K    float64 // K per unit of the input
	Tau  float64 // s
	Dead float64 // s
}

// ZieglerNicholsStepPI returns Kc = 0.9·τ/(Kθ), Ti = θ/0.3, the open-loop rule of the same paper of 1942.
func (f FirstOrder) ZieglerNicholsStepPI() PI {
	return PI{Kc: 0.9 * f.Tau / (f.K * f.Dead), Ti: f.Dead / 0.3}
}

// ZieglerNicholsStepPID returns Kc = 1.2·τ/(Kθ), Ti = 2θ, Td = θ/2.
func (f FirstOrder) ZieglerNicholsStepPID() IdealPID {
	return IdealPID{Kc: 1.2 * f.Tau / (f.K * f.Dead), Ti: 2 * f.Dead, Td: 0.5 * f.Dead}
}

// AMIGOPI returns Kc = 0.15/K + (0.35 − θτ/(θ+τ)²)·τ/(Kθ), Ti = 0.35θ + 13θτ²/(τ² + 12θτ + 7θ²): Åström & Hägglund, Advanced
// PID Control, 2006, chapter 7; the formulas as two public scripts agree on them.
func (f FirstOrder) AMIGOPI() PI {
	t, l := f.Tau, f.Dead
	return PI{
		Kc: 0.15/f.K + (0.35-l*t/((l+t)*(l+t)))*t/(f.K*l),
		Ti: 0.35*l + 13*l*t*t/(t*t+12*l*t+7*l*l),
	}
}

// AMIGOPID returns Kc = (0.2 + 0.45·τ/θ)/K, Ti = θ(0.4θ+0.8τ)/(θ+0.1τ), Td = 0.5θτ/(0.3θ+τ); source as for AMIGOPI.
func (f FirstOrder) AMIGOPID() IdealPID {
	t, l := f.Tau, f.Dead
	return IdealPID{Kc: (0.2 + 0.45*t/l) / f.K, Ti: l * (0.4*l + 0.8*t) / (l + 0.1*t), Td: 0.5 * l * t / (0.3*l + t)}
}

// IMCPID returns Kc = (2τ+θ)/(K(2λ+θ)), Ti = τ+θ/2, Td = τθ/(2τ+θ) (Rivera, Morari & Skogestad 1986, from memory). lambda, s,
// is the wanted closed-loop time constant; the authors ask for more than 0.8·θ.
func (f FirstOrder) IMCPID(lambda float64) IdealPID {
	t, l := f.Tau, f.Dead
	return IdealPID{Kc: (2*t + l) / (f.K * (2*lambda + l)), Ti: t + l/2, Td: t * l / (2*t + l)}
}

// Ultimate returns the true limit of stability: the frequency at which the phase is −180°, ωθ + atan(ωτ) = π, and the gain
// √(1+(ωτ)²)/K there. An error if there is none within reach.
func (f FirstOrder) Ultimate() (Ultimate, error) {
	if err := f.check(); err != nil {
		return Ultimate{}, err
	}
	// The phase falls steadily with ω, is above −π at π/(2θ) and below at π/θ, so halving finds the one root.
	lo, hi := math.Pi/2/f.Dead, math.Pi/f.Dead
	for range 200 {
		w := (lo + hi) / 2
		if w*f.Dead+math.Atan(w*f.Tau) < math.Pi {
			lo = w
		} else {
			hi = w
		}
	}
	w := (lo + hi) / 2
	return Ultimate{Ku: math.Hypot(1, w*f.Tau) / f.K, Pu: 2 * math.Pi / w}, nil
}

func (f FirstOrder) check() error {
	if !(f.K != 0 && math.Abs(f.K) <= 1e12 && f.Tau > 0 && f.Tau <= 1e12 && f.Dead > 0 && f.Dead <= 1e12) {
		return fmt.Errorf("the model is gain %g, lag %g s, dead time %g s; allowed: a gain that is not 0, times above 0", f.K, f.Tau, f.Dead)
	}
	return nil
}
