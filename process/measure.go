package process

import (
	"math"
)

// How a slope is measured: a straight line fitted over RampWindow, because the difference of two noisy samples says
// more about the amplifier than about the board. J-STD-020 does not say over what time its ramps are meant; 5 s is
// our judgement, short against any ramp and long against the noise of a thermocouple amplifier.
const (
	RampWindow = 5.0 // s
	maxFit     = 64  // points in a fit; more are thinned out evenly
)

// peak returns the highest reading and when it first was.
func (s series) peak() (c, at float64, ok bool) {
	if len(s.c) == 0 {
		return 0, 0, false
	}
	c, at = s.c[0], s.t[0]
	// The highest single reading, without smoothing: a filter would take the tip off a real peak. A reading that moved
	// faster than heat can has been refused as implausible where it was taken.
	for i := range s.c {
		if s.c[i] > c {
			c, at = s.c[i], s.t[i]
		}
	}
	return c, at, true
}

// above returns for how long the column was seen above level, all visits together, with straight lines between
// readings. Pauses that are too long to bridge are not counted; what they may hide is returned as hidden, and the
// longest of them as longest. All in seconds.
func (s series) above(level float64) (seen, hidden, longest float64) {
	for i := 1; i < len(s.t); i++ {
		dt := s.t[i] - s.t[i-1]
		share := shareAbove(s.c[i-1], s.c[i], level)
		if dt <= s.gap {
			seen += dt * share
			continue
		}
		if s.c[i-1] > level || s.c[i] > level {
			hidden += dt
			longest = max(longest, dt)
		}
	}
	return seen, hidden, longest
}

// shareAbove returns how much of a straight line from a to b lies above level, 0…1.
func shareAbove(a, b, level float64) float64 {
	switch {
	case a > level && b > level:
		return 1
	case a <= level && b <= level:
		return 0
	}
	return (max(a, b) - level) / math.Abs(b-a)
}

// lostHot returns for how long the trace went on after the last reading, if that was above level.
func (s series) lostHot(level float64) float64 {
	if n := len(s.c); n > 0 && s.c[n-1] > level {
		return s.end - s.t[n-1]
	}
	return 0
}

// riseTo returns when the column, on its way to the first moment not before from where it is at or above level,
// crosses it; ok is false if it never gets there.
func (s series) riseTo(level, from float64) (at float64, ok bool) {
	for i := range s.c {
		if s.t[i] < from || s.c[i] < level {
			continue
		}
		if i == 0 || s.c[i-1] >= level {
			return s.t[i], true
		}
		return s.t[i-1] + (s.t[i]-s.t[i-1])*(level-s.c[i-1])/(s.c[i]-s.c[i-1]), true
	}
	return 0, false
}

// leaves returns when the column last rises through level before the moment until, or its first moment if it begins above.
func (s series) leaves(level, until float64) float64 {
	at := s.t[0]
	for i := 1; i < len(s.c) && s.t[i] <= until; i++ {
		if s.c[i-1] <= level && s.c[i] > level {
			at = s.t[i-1] + (s.t[i]-s.t[i-1])*(level-s.c[i-1])/(s.c[i]-s.c[i-1])
		}
	}
	return at
}

// to25Peak returns the time from leaving 25 °C to the peak, in seconds. A trace that begins warmer is counted from
// when it last was no warmer than at its beginning, so that minutes spent idle before the heat do not count.
func (s series) to25Peak() (float64, bool) {
	_, at, ok := s.peak()
	if !ok {
		return 0, false
	}
	return at - s.leaves(max(25, s.c[0]), at), true
}

// soak returns the time from rising to one temperature until rising to the other, in seconds; false if it did not.
func (s series) soak(from, to float64) (float64, bool) {
	begin, ok := s.riseTo(from, 0)
	if !ok {
		return 0, false
	}
	end, ok := s.riseTo(to, begin)
	return end - begin, ok
}

// ramps returns the steepest rise and the steepest fall, both as numbers ≥ 0 in °C/s. ok is false when there is
// nothing to fit: fewer than two readings without a gap between them.
func (s series) ramps() (up, down float64, ok bool) {
	// From every sample, the shortest window that is at least RampWindow long and has no gap in it. The end only ever
	// moves forward, so the whole trace costs one pass.
	j := 0
	for i := range s.t {
		j = max(j, i)
		for j+1 < len(s.t) && s.t[j]-s.t[i] < RampWindow && s.t[j+1]-s.t[j] <= s.gap {
			j++
		}
		end := j
		// Where samples are far apart the window would be stretched over a pause; a shorter one says more.
		if end > i+1 && s.t[end]-s.t[i] > 2*RampWindow && s.t[end-1]-s.t[i] >= RampWindow/2 {
			end--
		}
		if end == i || (s.t[end]-s.t[i] < RampWindow && i > 0 && ok) {
			continue // too short a stretch, and a better one is known
		}
		if k, fits := slope(s.t[i:end+1], s.c[i:end+1]); fits {
			up, down, ok = max(up, k), max(down, -k), true
		}
	}
	return up, down, ok
}

// slope returns the slope of the straight line that fits best (least squares), in units of c per unit of t. Both axes
// are taken from their means first: times of many hours squared would eat up the digits.
func slope(t, c []float64) (float64, bool) {
	stride := (len(t) + maxFit - 1) / maxFit
	var n, sumT, sumC float64
	for i := 0; i < len(t); i += stride {
		n, sumT, sumC = n+1, sumT+t[i]-t[0], sumC+c[i]
	}
	if n < 2 {
		return 0, false
	}
	meanT, meanC := sumT/n, sumC/n
	var tt, tc float64
	for i := 0; i < len(t); i += stride {
		dt := t[i] - t[0] - meanT
		tt, tc = tt+dt*dt, tc+dt*(c[i]-meanC)
	}
	return tc / tt, tt > 0
}
