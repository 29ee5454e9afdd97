package full

import (
	"math"

	"trivet/control/boardid"
	"trivet/control/learn"
	"trivet/control/model"
	"trivet/control/observe"
	"trivet/process/unit"
)

// What the law is told of a board before a run, and what it can tell of it during and after one.

// SetFacts says what board lies on the machine, for the next Begin.
func (l *Law) SetFacts(f model.Facts) {
	l.cfg.Facts = f
	l.cfg.Cascade.Load = f.Load
	l.cascade.SetLoad(f.Load)
}

// Lesson returns what the run has taught of the board so far, to be offered to the book of its pairing; ok is false before the first
// fit. Whoever ran the law adds how many lessons the run was begun with and whether it came to its end.
func (l *Law) Lesson() (got learn.Lesson, ok bool) {
	if l.best == nil || l.best.Fit == nil {
		return got, false
	}
	got = learn.Lesson{Theta: l.best.Fit.Theta, LeftC: l.best.Fit.Left, Seconds: len(l.rec.track.Samples), Joint: l.hasJoint && !l.cfg.NoJoint}
	if l.best.known {
		got.Theta = l.cfg.Learned.Plus(got.Theta)
	}
	got.Theta = got.Theta.OfBoard()
	if l.cfg.Learned != nil {
		got.Distance = l.best.Kin.Distance
	}
	if l.off.n > 0 {
		got.RmsC = math.Sqrt(l.off.sum / l.off.n)
	}
	return got, true
}

// SetLearned sets what is known of the board from earlier runs, for the next Begin; nil forgets it.
func (l *Law) SetLearned(th *boardid.Theta) { l.cfg.Learned = th }

// SetNoJoint says whether the next run is without a joint thermocouple, and by how much the package top's ceiling is to be lowered
// in the plan, for the next Begin.
func (l *Law) SetNoJoint(on bool, lower unit.Kelvin) { l.cfg.NoJoint, l.cfg.Lower = on, lower }

// Joint returns the estimated temperature of the outer balls and its standard deviation, °C; ok is false before the first
// fit. It needs no joint thermocouple, but says so with a larger deviation.
func (l *Law) Joint() (ball, deviation float64, ok bool) {
	ball = l.state.Ball(&l.params)
	own := l.state.Deviation(&l.params)
	more := 0.0
	if l.hasJoint {
		more = observe.Stem(l.rec.heat().Top - ball)
	} else {
		more = observe.Blind(ball, l.params.Ambient, l.cfg.Learned != nil && !l.stranger)
	}
	return ball, math.Hypot(own, more), l.seeing
}
