package control

import (
	"math"
	"time"
)

// SingleTuning is one PID in the series form, C(s) = Kc·(1 + 1/(Ti·s))·(1 + Td·s).
type SingleTuning struct {
	Kc float64 // duty per K of joint error
	Ti float64 // s
	Td float64 // s; 0 for no derivative action
}

// Single is one PID on the joint whose output is the duty of every heater alike, as a general-purpose controller would be
// wired. It stands for comparison: it knows neither board nor heaters, only its three numbers.
//
// The derivative acts on the error, whose reference part is taken from the plan and so is free of noise, through a
// filter of Td/10 and at least 1 s.
type Single struct {
	hands
	tuning SingleTuning
	pi     PI
	slope  float64 // filtered slope of the joint, K/s
	before float64
	seen   bool
}

// NewSingle returns a single PID at rest.
func NewSingle(c Config, t SingleTuning) *Single {
	s := &Single{hands: hands{*New(c)}, tuning: t}
	s.Begin()
	return s
}

// Begin forgets everything of an earlier run.
func (s *Single) Begin() {
	s.hands.Begin()
	s.pi = PI{Kp: s.tuning.Kc, Ti: s.tuning.Ti}
	s.slope, s.before, s.seen = 0, 0, false
}

// Step returns what to do from now until the next step.
func (s *Single) Step(now time.Duration, in *Inputs, out *Outputs) {
	dt := s.take(now, in, out)
	s.differentiate(dt)
	if !in.Heat || in.Plan == nil {
		s.idle(dt, in, out)
		s.pi.Integral = 0
		s.give(in, out)
		return
	}
	here := in.Plan.At(in.Profile)
	rise := float64(here.Slope)
	if in.Still {
		rise = 0
	}
	duty := 0.0
	if s.hasY { // without a joint there is nothing to steer by
		e := float64(here.Target) - s.joint + s.tuning.Td*(rise-s.slope)
		duty = s.pi.Step(dt, e, 0, 0, 1, in.Keep, false)
	}
	for i, z := range s.cfg.Zones {
		out.Duty[i], out.Set[i] = duty, s.cfg.Ambient
		if z.Kind == TopAir {
			out.Duty[i] = math.Max(0, duty-s.back(in)*z.Kp)
		}
	}
	s.give(in, out)
}

// differentiate follows the slope of the joint.
func (s *Single) differentiate(dt float64) {
	if dt > 0 && s.seen {
		slow := math.Max(1, s.tuning.Td/10)
		s.slope += dt / (slow + dt) * ((s.joint-s.before)/dt - s.slope)
	}
	s.before, s.seen = s.joint, s.hasY
}

// Transfer makes the next heating step start from the duty that was last given.
func (s *Single) Transfer(in *Inputs) {
	if in.Plan == nil || !s.hasY {
		return
	}
	s.pi.Bumpless(s.kept[0], float64(in.Plan.At(in.Profile).Target)-s.joint, 0)
}
