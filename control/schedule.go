package control

import "time"

// Schedule is the law of no law: duties by the clock, open loop. It serves to bench-test machines and cut-offs, and to
// show what setting heat by a table does. Cut-offs stand above it as above any other law.
type Schedule struct {
	Zones  []Zone
	Budget float64 // W
	Steps  []ScheduleStep
	share  sharer
	mean   float64 // W, what relays can draw of the budget on average
	begun  time.Duration
	since  bool
}

// ScheduleStep holds duties and fan from At, counted from the first heated tick, until the next step.
type ScheduleStep struct {
	At   time.Duration
	Duty [MaxZones]float64
	Fan  float64
}

// Begin starts the schedule anew.
func (s *Schedule) Begin() {
	s.since, s.share, s.mean = false, sharer{}, Deliverable(s.Zones, s.Budget)
}

// Step returns the duties of the present step of the schedule.
func (s *Schedule) Step(now time.Duration, in *Inputs, out *Outputs) {
	*out = Outputs{}
	if !in.Heat && !in.Cool {
		return
	}
	if !s.since {
		s.begun, s.since = now, true
	}
	for i := range s.Steps {
		if now-s.begun >= s.Steps[i].At {
			out.Duty, out.Fan = s.Steps[i].Duty, s.Steps[i].Fan
		}
	}
	if in.Cool {
		out.Duty = [MaxZones]float64{}
	}
	out.Short = fit(s.Zones, &out.Duty, s.mean)
	out.On = s.share.decide(s.Zones, &out.Duty, s.Budget, in.Allowed)
}

// Transfer has nothing to hand over.
func (s *Schedule) Transfer(*Inputs) {}
