package control

import "math"

// PI is a proportional-integral controller with anti-windup by conditional integration.
//
// Back-calculation was tried first in the study behind this design and left a standing offset of 20–30 °C when the
// set-point derivative is noisy; conditional integration did not (control study). There is no derivative
// action: on thermocouples it only amplified noise.
type PI struct {
	Kp float64 // output per kelvin
	Ti float64 // integral time in s; 0 or less switches the integral off
	// Integral is the integral part of the output. It is exported so that a record can show it.
	Integral float64
}

// Step returns base + Kp·e + I limited to [lo, hi], and integrates e over dt seconds only while the output is free to
// follow or the error helps it to leave the limit. frozenUp and frozenDown forbid integration upwards or downwards
// when somebody further down the chain is at a limit.
func (p *PI) Step(dt, e, base, lo, hi float64, frozenUp, frozenDown bool) float64 {
	want := base + p.Kp*e + p.Integral
	out := math.Max(lo, math.Min(hi, want))
	up := e > 0
	blocked := (want > hi && up) || (want < lo && !up) || (frozenUp && up) || (frozenDown && !up)
	if p.Ti > 0 && !blocked {
		p.Integral += dt * p.Kp / p.Ti * e
	}
	return out
}

// Bumpless sets the integral so that the next output is out for the present error: the transfer from a drive given
// by hand, or from another plan, makes no step.
func (p *PI) Bumpless(out, e, base float64) { p.Integral = out - base - p.Kp*e }
