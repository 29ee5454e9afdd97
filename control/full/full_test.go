package full_test

import (
	"testing"
	"time"

	"trivet/control"
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

func fullLaw(tr trial, zones []control.Zone) *solving {
	f := factsOf(tr.machine, tr.board)
	return &solving{late: time.Duration(setting("LATE", 0) * float64(time.Second)), Law: full.New(full.Config{
		Cascade: control.Config{Zones: zones, Budget: unit.Watt(tr.machine.MainsBudgetW), Tuning: control.DefaultTuning(), Ambient: 25, Reach: f.Reach, Load: f.Load},
		Facts:   f, Tuning: full.DefaultTuning(), Board: 265,
		Every: time.Duration(setting("EVERY", 10) * float64(time.Second)),
	})}
}

// TestKnowingTheBoardBeatsTheCascade follows the same profile on the same boards, never seen before, under both laws.
// TRIVET_EVAL_BOARDS, _SERIES, _RATE, _PACE, _LATE and _EVERY make it larger or different.
func TestKnowingTheBoardBeatsTheCascade(t *testing.T) {
	if testing.Short() {
		t.Skip("drives a dozen boards twice")
	}
	trials := drawn(t, uint64(setting("SERIES", 21)), int(setting("BOARDS", 3)), setting("RATE", 0.6))
	zones := commission(trials[0].machine, trials[0].board)
	cascade := func(_ int, tr trial) score {
		f := factsOf(tr.machine, tr.board)
		l := control.New(control.Config{Zones: zones, Budget: unit.Watt(tr.machine.MainsBudgetW), Tuning: control.DefaultTuning(), Ambient: 25, Reach: f.Reach, Load: f.Load})
		return run(tr, l, nil, steady, nil)
	}
	knowing := func(_ int, tr trial) score {
		l := fullLaw(tr, zones)
		s := run(tr, l, l.SeeBoard, walking(l), nil)
		s.warned = l.warned
		return s
	}
	before, after := each(trials, cascade), each(trials, knowing)
	t.Log("\n" + report(after) + table("cascade", before) + "\n" + table("full", after))
	var able []score
	sum := [2]float64{}
	for i := range after {
		sum[0] += before[i].rms
		sum[1] += after[i].rms
		if !after[i].warned {
			able = append(able, after[i])
		}
		if after[i].peak > 2 {
			t.Errorf("%s: peak %.1f °C above the profile's; never more than 2 °C", after[i].name, after[i].peak)
		}
		if after[i].rms > before[i].rms+0.3 {
			t.Errorf("%s: followed to %.2f °C rms, by the cascade to %.2f", after[i].name, after[i].rms, before[i].rms)
		}
	}
	if len(able) > 0 {
		t.Log("\n" + table("in reach", able))
	}
	if !(sum[1] < 0.6*sum[0]) {
		t.Errorf("mean rms %.2f °C, by the cascade %.2f °C; want less than 0.6 of it", sum[1]/float64(len(after)), sum[0]/float64(len(after)))
	}
	if setting("NAMED", 0) > 0 {
		t.Log("\n" + table("cascade, named", each(named(t, setting("RATE", 0.6)), cascade)) + "\n" + table("full, named", each(named(t, setting("RATE", 0.6)), knowing)))
	}
}
