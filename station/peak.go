package station

import (
	"time"

	"trivet/safety"
)

// tooHot reports whether package top or board has run out of room while the part waits to be lifted.
func (s *Station) tooHot() bool {
	for i := range s.setup.Sensors {
		limit := s.setup.Limits.Sensors[i].Ceiling
		switch s.setup.Sensors[i].Role {
		case safety.RolePackageTop:
			if run := s.facts.RunCeiling.PackageTop; run > 0 {
				limit = min(limit, run)
			}
		case safety.RoleBoard:
		default:
			continue
		}
		if c, ok := s.snap.Sensors[i].Temp(); ok && c >= limit.Plus(-liftRoom) {
			return true
		}
	}
	return false
}

// melting watches every joint for the kink that melting leaves, while heating.
func (s *Station) melting(dt time.Duration) {
	if s.snap.Phase == PhaseCool {
		return
	}
	a := &s.snap.Run.Order.Profile.Alloy
	for i := range s.setup.Sensors {
		if s.setup.Sensors[i].Role == safety.RoleJoint && s.melts[i].Step(dt.Seconds(), s.snap.Sensors[i], a.Solidus, a.Liquidus) {
			s.snap.MeltSeen, _ = s.melts[i].Seen()
			s.snap.MeltSensor, s.snap.Melted = i, true
		}
	}
}
