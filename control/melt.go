package control

import (
	"trivet/process/unit"
)

// Melt looks for the kink that melting leaves in a joint's own reading: while the solder takes up its latent heat the joint
// climbs much more slowly than just before, and then goes on. Seen, it is evidence that this joint melted, which a temperature alone is
// not. Not seen, it proves nothing: a thermocouple beside the ball, or a fast ramp, hides it.
type Melt struct {
	past   [meltSpan]float64 // readings, one a second
	n      int
	second float64
	fast   float64 // K/s, the steepest climb shortly below the solidus
	slow   float64 // s, how long it has climbed slowly in the melting range
	at     unit.Celsius
	seen   bool
}

const (
	meltSpan  = 5    // s over which a slope is taken: longer than the noise, shorter than the kink of 6–10 s
	meltBelow = 25.0 // K below solidus from which the ordinary climb is taken
	meltRange = 7.0  // K on either side of solidus…liquidus in which a kink counts: sensor tolerance and stem error
	meltShare = 0.6  // a climb slower than this share of the ordinary one counts as slow
	meltLeast = 3.0  // s of it
	meltClimb = 0.25 // K/s, an ordinary climb below this hides any kink
)

// Step takes the reading of one joint, dt seconds after the last. It returns true once, when the kink has been seen.
func (m *Melt) Step(dt float64, r unit.Reading, solidus, liquidus unit.Celsius) bool {
	c, ok := r.Temp()
	if !ok || m.seen {
		return false
	}
	if m.second += dt; m.second < 1 {
		return false
	}
	m.second--
	old := m.past[m.n%meltSpan]
	m.past[m.n%meltSpan] = float64(c)
	m.n++
	if m.n <= meltSpan {
		return false
	}
	slope := (float64(c) - old) / meltSpan
	switch t := float64(c); {
	case t > float64(solidus)-meltBelow && t < float64(solidus)-meltRange:
		m.fast, m.slow = max(m.fast, slope), 0
	case t >= float64(solidus)-meltRange && t <= float64(liquidus)+meltRange && m.fast > meltClimb:
		if slope > 0 && slope < meltShare*m.fast {
			if m.slow++; m.slow == 1 {
				m.at = c
			}
		} else if m.slow >= meltLeast && slope >= meltShare*m.fast {
			m.seen = true // slow for a while, and then on again: that is the kink
			return true
		} else {
			m.slow = 0
		}
	}
	return false
}

// Seen returns at what reading the kink began, and whether there was one.
func (m *Melt) Seen() (unit.Celsius, bool) { return m.at, m.seen }
