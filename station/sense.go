package station

import (
	"math"
	"time"

	"trivet/process/unit"
	"trivet/safety"
)

// sieve lets a driver's reading through to the guard and the loop, or turns it into a reason: a value that is too
// old, or that moved faster than heat can move it, must not be steered by.
type sieve struct {
	every time.Duration // sample period
	rate  float64       // K/s, the fastest the spot can really move
	slack float64       // K, noise and resolution
	value unit.Celsius  // last value let through
	at    time.Duration
	seen  bool
	sure  bool // a second sample has agreed with the first
}

// Fastest believable movement by role, in K/s. A joint, lid or board follows the machine at most at 3–6 °C/s (J-STD-020
// ramp limits, by way of makers' notes) and full-power slopes of 0.9 °C/s; a nozzle or emitter is smaller. The values
// are twice to four times that: judgement, to let handling through and stop a slipped couple or a flipped bit. The air at a nozzle
// falls by 21…28 °C in 2 s when its blower stops, and the fastest shipped heater gains 5 °C/s at its sensor.
func rateOf(r safety.Role) float64 {
	switch r {
	case safety.RoleNozzle, safety.RoleArea:
		return 25
	}
	return 15
}

func newSieve(r safety.Role, every time.Duration) sieve {
	return sieve{every: every, rate: rateOf(r), slack: 4}
}

// pass judges one reading at now.
func (s *sieve) pass(now time.Duration, r unit.Reading) unit.Reading {
	c, ok := r.Temp()
	if !ok {
		return r
	}
	// Hazard S-13: older than two and a half periods is stale. A time stamp from the future is no better.
	if age := now - r.At; age > s.every*5/2 || age < 0 {
		return unit.Unusable(r.At, unit.Stale)
	}
	if s.seen && r.At > s.at {
		dt := (r.At - s.at).Seconds()
		if math.Abs(float64(c.Sub(s.value))) > s.rate*dt+s.slack {
			if !s.sure { // nobody knows which of the two first samples was the spike
				s.value, s.at = c, r.At
				return unit.Unusable(r.At, unit.Implausible)
			}
			// Keep the old value as the reference: a lone spike is forgotten, a real step is believed once the
			// allowance, which grows with time, has caught up with it.
			return unit.Unusable(r.At, unit.Implausible)
		}
	}
	s.sure = s.seen && (s.sure || r.At > s.at)
	s.value, s.at, s.seen = c, r.At, true
	return r
}
