package ident

import (
	"errors"
	"fmt"
	"math"
	"time"

	"trivet/process/unit"
)

// Swing is the steady oscillation of a loop under a relay.
type Swing struct {
	Half      float64       // K, half the distance from the lowest to the highest temperature
	Period    time.Duration // of a whole cycle
	Amplitude float64       // half the distance between the relay's two outputs, units of the input
}

// Ultimate estimates the limit of stability from a swing: Ku = 4d/(π√(a²−ε²)) with the relay's half amplitude d, the swing's a and
// the relay's hysteresis ε, K (Åström & Hägglund, Automatica 20 (1984) 645–651, from memory); ε = 0 gives 4d/(πa).
//
// It takes the square wave for its fundamental. On a first-order process with dead time that makes Ku 11 to 18 % too low, on the
// side of a calm tuning; RelaySwing gives the exact figures to compare with.
func (s Swing) Ultimate(hysteresis float64) (Ultimate, error) {
	if !(hysteresis >= 0 && s.Half > hysteresis && s.Half <= 1e6 && s.Amplitude > 0 && s.Amplitude <= 1e12 && s.Period > 0) {
		return Ultimate{}, fmt.Errorf("the swing is %g K in %v with a hysteresis of %g K; allowed: a swing above the hysteresis, a period above 0", s.Half, s.Period, hysteresis)
	}
	return Ultimate{Ku: 4 * s.Amplitude / (math.Pi * math.Sqrt(s.Half*s.Half-hysteresis*hysteresis)), Pu: s.Period.Seconds()}, nil
}

// RelaySwing returns the exact swing of a first-order process with dead time under a relay of half amplitude d with hysteresis
// ±eps, K:
//
//	a = Kd − (Kd − ε)·e^(−θ/τ),  P = 2θ + 2τ·ln((Kd + a)/(Kd − ε)),
//
// which for ε = 0 is a = Kd(1 − e^(−θ/τ)), P = 2τ·ln(2e^(θ/τ) − 1). Derived by following the exponential from one switching to
// the next; without hysteresis it is a textbook result.
func (f FirstOrder) RelaySwing(d, eps float64) (Swing, error) {
	if err := f.check(); err != nil {
		return Swing{}, err
	}
	top := math.Abs(f.K) * d // where the temperature would end if the relay stayed
	if !(d > 0 && eps >= 0 && top > eps && top <= 1e12) {
		return Swing{}, fmt.Errorf("the relay moves the process by ±%g K with a hysteresis of ±%g K; allowed: more than its hysteresis", top, eps)
	}
	a := top - (top-eps)*math.Exp(-f.Dead/f.Tau)
	period := 2*f.Dead + 2*f.Tau*math.Log((top+a)/(top-eps))
	return Swing{Half: a, Period: time.Duration(period * float64(time.Second)), Amplitude: d}, nil
}

// Relay is a relay experiment on the bench: it switches the drive between two levels around a temperature until the swing
// repeats itself, and then says how large and how long it is. Set the exported fields, then call Step at each sample.
//
// It is no guard. Whoever runs it keeps the cut-offs armed, stands by, and uses a board that may be spoiled; Ceiling only
// ends the experiment early.
type Relay struct {
	Target     unit.Celsius
	Low, High  float64       // drive in its own units; High heats
	Hysteresis unit.Kelvin   // half width, at least the noise's peak, so that noise does not switch
	Cycles     int           // whole cycles that must agree, 2 or more
	Agreement  float64       // how far their sizes and periods may differ, relatively; 0.05 is usual
	Ceiling    unit.Celsius  // a temperature at which to give up
	Limit      time.Duration // time after which to give up

	begun, ended bool
	off          float64 // the drive when done: Low once that is known to be a number
	start        time.Duration
	err          error
	hot          bool // which side of the target the last switching was on
	lowest       float64
	highest      float64
	lastUp       time.Duration // when the drive last went to High from Low
	ups          int
	swings       []Swing
}

// Why a relay experiment ended without a result.
var (
	ErrRelaySetting = errors.New("the relay experiment is not set up")
	ErrNoReading    = errors.New("the relay experiment lost its temperature")
	ErrCeiling      = errors.New("the relay experiment met its ceiling")
	ErrNoSwing      = errors.New("the relay experiment found no steady swing")
)

// Step takes one reading at now, monotonic, and returns the drive until the next one. Once done it stays done, with the
// drive at Low (at 0 if the setting is bad). A reading that cannot be used ends the experiment: a swing with a hole in
// it measures nothing, and the drive must not wait for it.
func (r *Relay) Step(now time.Duration, y unit.Reading) (u float64, done bool) {
	if r.ended {
		return r.off, true
	}
	if !r.begun {
		if err := r.check(); err != nil {
			return r.end(err)
		}
		r.begun, r.start, r.off = true, now, r.Low
	}
	c, ok := y.Temp()
	switch {
	case !ok:
		return r.end(fmt.Errorf("%w: %s", ErrNoReading, y.Quality.Reason()))
	case !(c < r.Ceiling):
		return r.end(fmt.Errorf("%w: %.1f °C at a ceiling of %.1f °C", ErrCeiling, float64(c), float64(r.Ceiling)))
	case now-r.start > r.Limit:
		return r.end(fmt.Errorf("%w: within %v", ErrNoSwing, r.Limit))
	}
	// Extremes are kept at all times, for dead time puts them long after the switching that caused them.
	t := float64(c)
	r.lowest, r.highest = math.Min(r.lowest, t), math.Max(r.highest, t)
	// One switching per side: between the two thresholds the drive stays what it was.
	off := float64(c.Sub(r.Target))
	if !r.hot && off > float64(r.Hysteresis) {
		r.hot = true
	} else if r.hot && off < -float64(r.Hysteresis) {
		r.hot = false
		if r.cycle(now, t) {
			return r.end(nil)
		}
	}
	if r.hot {
		return r.Low, false
	}
	return r.High, false
}

// cycle closes the cycle that ends with the drive going up at now, and reports whether enough of them agree. The first one is
// the way up from cold and counts for nothing.
func (r *Relay) cycle(now time.Duration, t float64) bool {
	if r.ups > 0 {
		r.swings = append(r.swings, Swing{Half: (r.highest - r.lowest) / 2, Period: now - r.lastUp, Amplitude: (r.High - r.Low) / 2})
	}
	r.ups++
	r.lastUp, r.lowest, r.highest = now, t, t
	if len(r.swings) < r.Cycles {
		return false
	}
	// Only the last few matter, so only they are kept: the experiment may go on for long.
	r.swings = r.swings[len(r.swings)-r.Cycles:]
	// Each is compared with the first of the last few, so that a slow creep adds up and is seen.
	first := r.swings[0]
	for _, s := range r.swings[1:] {
		if math.Abs(s.Half-first.Half) > r.Agreement*first.Half || math.Abs((s.Period-first.Period).Seconds()) > r.Agreement*first.Period.Seconds() {
			return false
		}
	}
	return true
}

func (r *Relay) end(err error) (float64, bool) {
	r.ended, r.err = true, err
	return r.off, true
}

// Swing returns the mean of the cycles that agreed, or why there is none.
func (r *Relay) Swing() (Swing, error) {
	if !r.ended {
		return Swing{}, fmt.Errorf("%w: it is not done", ErrNoSwing)
	}
	if r.err != nil {
		return Swing{}, r.err
	}
	var m Swing
	for _, s := range r.swings {
		m.Half += s.Half / float64(len(r.swings))
		m.Period += s.Period / time.Duration(len(r.swings))
	}
	m.Amplitude = r.swings[0].Amplitude
	return m, nil
}

// check refuses a setting that could not end, or that no reading could stop.
func (r *Relay) check() error {
	r.lowest, r.highest = math.Inf(1), math.Inf(-1)
	switch {
	case !(r.High > r.Low && math.Abs(r.High) <= 1e12 && math.Abs(r.Low) <= 1e12):
		return fmt.Errorf("%w: the drive goes from %g to %g; allowed: High above Low", ErrRelaySetting, r.Low, r.High)
	case !(r.Hysteresis >= 0 && r.Hysteresis <= 100):
		return fmt.Errorf("%w: the hysteresis is %g K; allowed: 0 to 100 K", ErrRelaySetting, float64(r.Hysteresis))
	case !(r.Ceiling <= 400 && float64(r.Target) > -55 && float64(r.Ceiling.Sub(r.Target)) > float64(r.Hysteresis)):
		return fmt.Errorf("%w: the target is %g °C under a ceiling of %g °C; allowed: a ceiling above target and hysteresis, at most 400 °C", ErrRelaySetting, float64(r.Target), float64(r.Ceiling))
	case !(r.Cycles >= 2 && r.Cycles <= 100 && r.Agreement > 0 && r.Agreement <= 0.5):
		return fmt.Errorf("%w: %d cycles must agree within %g; allowed: 2 to 100 cycles, above 0 to 0.5", ErrRelaySetting, r.Cycles, r.Agreement)
	case r.Limit <= 0:
		return fmt.Errorf("%w: the limit is %v; allowed: above 0", ErrRelaySetting, r.Limit)
	}
	return nil
}
