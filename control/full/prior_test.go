package full_test

import (
	"math"
	"os"
	"sync"
	"testing"

	"trivet/control"
	"trivet/control/boardid"
	"trivet/control/model"
	"trivet/process/unit"
)

// TestPrior prints how fits on many boards depart from their guess: what the guess and its spread should be.
func TestPrior(t *testing.T) {
	if os.Getenv("TRIVET_EVAL_PRIOR") == "" {
		t.Skip("set TRIVET_EVAL_PRIOR to see the statistics the prior comes from")
	}
	trials := drawn(t, 7, int(setting("BOARDS", 100)), 0.6)
	zones := commission(trials[0].machine, trials[0].board)
	var mu sync.Mutex
	var all []boardid.Theta
	each(trials, func(i int, tr trial) score {
		f := factsOf(tr.machine, tr.board)
		f.Ambient = tr.spread.Ambient
		l := control.New(control.Config{Zones: zones, Budget: unit.Watt(tr.machine.MainsBudgetW), Tuning: control.DefaultTuning(), Ambient: 25, Reach: f.Reach, Load: f.Load})
		rec := &recorder{banks: len(tr.machine.Banks)}
		s := run(tr, l, rec.see, steady, rec.watch)
		w := boardid.DefaultWeights()
		w.Floor = 0.6
		fit, err := boardid.Fit(f.Guess(), &model.Track{Samples: rec.tr.Samples}, boardid.Theta{}, w)
		if err == nil {
			mu.Lock()
			all = append(all, fit.Theta)
			mu.Unlock()
		}
		return s
	})
	var mean, sd boardid.Theta
	for _, a := range all {
		for i := range a {
			mean[i] += a[i] / float64(len(all))
		}
	}
	for _, a := range all {
		for i := range a {
			sd[i] += math.Pow(a[i]-mean[i], 2) / float64(len(all))
		}
	}
	for i := range sd {
		sd[i] = math.Sqrt(sd[i])
	}
	t.Logf("n %d\nmean %.2f\nsd   %.2f", len(all), mean, sd)
}
