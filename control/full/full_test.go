package full_test

import (
	"testing"
	"time"

	"trivet/control"
	"trivet/control/forecast"
	"trivet/control/full"
	"trivet/process/unit"
)

// solving is the law with its slow work done at once, as on a bench.
type solving struct {
	*full.Law
	spent  time.Duration
	jobs   int
	warned bool          // told before reflow that the peak is out of reach
	late   time.Duration // how long after it was asked for a result is handed over
	ready  time.Duration
	done   full.Result
	out    bool
}

func (s *solving) Step(now time.Duration, in *control.Inputs, out *control.Outputs) {
	s.Law.Step(now, in, out)
	if w, ok := s.Want(); ok {
		began := time.Now()
		s.done, s.ready, s.out = full.Solve(w), now+s.late, true
		s.spent += time.Since(began)
		s.jobs++
		if f := s.done.Forecast; w.Plan.At(w.Profile).Target < 190 && s.done.Schedule != nil {
			s.warned = f.Peak.Mid < float64(w.Plan.Profile().Peak())-2
		}
	}
	if s.out && now >= s.ready {
		s.Give(s.done)
		s.out = false
	}
}

// walking returns the pace of a law, or none where TRIVET_EVAL_PACE is 0.
func walking(l *solving) func() float64 {
	if setting("PACE", 1) == 0 {
		return steady
	}
	return l.Pace
}

// window is what a lead-free run is judged by.
var window = forecast.Window{Liquidus: 220, PeakMin: 235, PeakMax: 245, AboveMin: 30, AboveMax: 90, Body: 250, Board: 260}

func fullLaw(tr trial, zones []control.Zone) *solving {
	f := factsOf(tr.machine, tr.board)
	return &solving{late: time.Duration(setting("LATE", 0) * float64(time.Second)), Law: full.New(full.Config{
		Cascade: control.Config{Zones: zones, Budget: unit.Watt(tr.machine.MainsBudgetW), Tuning: control.DefaultTuning(), Ambient: 25, Reach: f.Reach, Load: f.Load},
		Facts:   f, Tuning: full.DefaultTuning(), Board: 255, Window: window,
		Every: time.Duration(setting("EVERY", 10) * float64(time.Second)),
	})}
}

func TestFullLawOnBoards(t *testing.T) {
	trials := drawn(t, uint64(setting("SERIES", 1)), int(setting("BOARDS", 12)), setting("RATE", 0.7))
	zones := commission(trials[0].machine, trials[0].board)
	one := func(_ int, tr trial) score {
		l := fullLaw(tr, zones)
		s := run(tr, l, l.SeeBoard, walking(l), nil)
		s.warned = l.warned
		s.name += " " + (l.spent / time.Duration(max(1, l.jobs))).Round(100*time.Microsecond).String()
		return s
	}
	s := each(trials, one)
	t.Log("\n" + report(s) + table("full", s))
	var able []score
	for i := range s {
		if !s[i].warned {
			able = append(able, s[i])
		}
	}
	if len(able) > 0 {
		t.Log("\n" + table("in reach", able))
	}
	s = each(named(t, setting("RATE", 0.7)), one)
	t.Log("\n" + report(s) + table("named", s))
}
