package bench

import (
	"time"

	"trivet/process/unit"
	"trivet/sim/rig"
	"trivet/station"
)

// slowBus is the way from a chip to the loop, where a fault can make it long: a reader that delivers late, or a transaction that
// holds the loop up. Without a fault it only passes on.
type slowBus struct {
	station.Thermometer
	rig   *rig.Rig
	probe *rig.Probe
	under [32]unit.Reading // on their way, a ring: 3.2 s of them
	n     int
	got   unit.Reading // the newest that has arrived
}

// behindBus puts the way in front of a thermometer. A chip that tells more than its junction goes on telling it.
func behindBus(t station.Thermometer, r *rig.Rig, p *rig.Probe) station.Thermometer {
	s := &slowBus{Thermometer: t, rig: r, probe: p}
	if j, ok := t.(station.Junction); ok {
		if m, ok := t.(station.Mover); ok {
			return struct {
				*slowBus
				station.Junction
				station.Mover
			}{s, j, m}
		}
		return struct {
			*slowBus
			station.Junction
		}{s, j}
	}
	return s
}

// Read implements station.Thermometer.
func (s *slowBus) Read(now time.Duration) unit.Reading {
	if d := s.probe.Blocks(); d > 0 {
		s.rig.Hang(d)
	}
	r := s.Thermometer.Read(now)
	late := s.probe.Late()
	if late == 0 {
		s.n = 0
		return r
	}
	if s.n == 0 {
		s.got = r // the last one before it became slow; what comes after it stays away for so long
	}
	s.under[s.n%len(s.under)] = r
	s.n++
	for k := min(s.n, len(s.under)); k > 0; k-- {
		if x := s.under[(s.n-k)%len(s.under)]; now-x.At >= late && x.At > s.got.At {
			s.got = x
		}
	}
	return s.got
}
