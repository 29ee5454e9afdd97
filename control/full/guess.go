package full

import (
	"math"
	"time"

	"trivet/control/model"
	"trivet/control/observe"
	"trivet/process/unit"
)

// unlooked is the state followed without a look at the joint's thermocouple: model, heaters, package top and board alone. The model itself
// has been fitted with the joint in sight. So that a couple that comes off does not take the model with it, no new fit is taken while the
// two stand apart; what creeps off more slowly than fits are renewed is not seen.
type unlooked struct {
	filter observe.Filter
	params model.Params
	began  bool
	shows  float64 // °C, what the couple should read
	at     time.Duration
	apart  time.Duration // since when they stand apart; 0 while they do not
}

// Numbers of the guess. Found on boards drawn at random, see TestTheGuessOfAHealthyJointNeverStandsOut in sim/bench.
const (
	guessAfter = 60                      // s of record before a guess is given: a fit to less says little
	apartFrom  = 5.0                     // K between reading and guess; a healthy couple stays below 4
	apartMost  = 30 * time.Second        // then the guess is what is wrong
	guessOld   = 2500 * time.Millisecond // a guess is renewed once a second
)

// doubtMost is the largest standard deviation with which a guess is given, °C: a third of the distance that the guard looks for.
const doubtMost = 4

// restart begins anew with another fit.
func (g *unlooked) restart(r *Result, track *model.Track) {
	if g.apart > 0 && g.at-g.apart < apartMost {
		return
	}
	g.filter, g.params, g.began, g.apart = r.unlooked, r.params, r.samples > 0, 0
	for k := r.samples; k < len(track.Samples); k++ {
		g.filter.Step(&g.params, without(track.Samples[k]))
	}
}

// step moves it over one second.
func (g *unlooked) step(now time.Duration, s *model.Sample) {
	if !g.began {
		return
	}
	p := &g.params
	g.filter.Step(p, without(*s))
	rate := g.filter.Rate()
	// A mean over the second belongs to its middle, and the tick comes at its end; half a second of warming is less than the doubt.
	g.shows, g.at = p.Reading(g.filter.Ball(p), rate, &s.Input), now
	switch off := math.Abs(s.Joint - g.shows); {
	case s.Has&model.HasJoint != 0 && !(off > apartFrom):
		g.apart = 0
	case s.Has&model.HasJoint != 0 && g.apart == 0:
		g.apart = now
	}
}

// without returns the sample with the joint's reading left out.
func without(s model.Sample) *model.Sample {
	s.Has &^= model.HasJoint
	return &s
}

// Guess returns what the joint's thermocouple should read, °C, worked out without looking at it; it is not read while the law cannot say:
// before the first fit and for some time after it, in a run without that thermocouple, without heat, and where the doubt is large.
func (l *Law) Guess() unit.Reading {
	g := &l.unlooked
	none := unit.Unusable(l.last, unit.NotRead)
	if !l.seeing || !g.began || l.cfg.NoJoint || !l.hasJoint || len(l.rec.track.Samples) < guessAfter || g.at == 0 || l.last-g.at > guessOld {
		return none
	}
	if !(l.GuessDoubt() <= doubtMost) {
		return none
	}
	return unit.Measured(l.last, unit.Celsius(g.shows))
}

// GuessDoubt is the standard deviation of Guess, °C: the filter's own, what the fit leaves over, and what is never known of a stem.
func (l *Law) GuessDoubt() float64 {
	left := 0.0
	if l.best != nil && l.best.Fit != nil {
		left = l.best.Fit.Left
	}
	return math.Sqrt(square(l.unlooked.filter.Deviation(&l.unlooked.params)) + square(left))
}

func square(x float64) float64 { return x * x }
