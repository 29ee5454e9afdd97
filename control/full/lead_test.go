package full_test

import (
	"math"
	"os"
	"slices"
	"sync"
	"testing"
	"time"

	"trivet/control"
	"trivet/control/plan"
	"trivet/sim/plant"
)

// TestLead prints how far planned joint temperatures were from the truth, by how far ahead they were planned: what a
// band has to cover.
func TestLead(t *testing.T) {
	if os.Getenv("TRIVET_EVAL_LEAD") == "" {
		t.Skip("set TRIVET_EVAL_LEAD to see the statistics of forecasts")
	}
	trials := drawn(t, 3, int(setting("BOARDS", 40)), 0.6)
	zones := commission(trials[0].machine, trials[0].board)
	leads := []int{2, 10, 20, 40, 80, 120, 200}
	var mu sync.Mutex
	errs := map[[2]int][]float64{}
	var peaks, above []float64
	s := each(trials, func(i int, tr trial) score {
		l := fullLaw(tr, zones)
		type made struct {
			at    int
			p     *plan.Schedule
			early bool
		}
		var plans []made
		var truth []float64
		heat := 0
		k := 0
		s := run(tr, l, l.SeeBoard, walking(l), func(now time.Duration, tr *plant.Truth, fo *control.Followed, in *control.Inputs, out *control.Outputs) {
			if k++; k%10 != 0 {
				return
			}
			truth = append(truth, float64(tr.CornerJoint))
			if !fo.Cooling && !fo.Lifting {
				heat = len(truth)
			}
			if p := l.Plan(); p != nil && !in.Still && (len(plans) == 0 || plans[len(plans)-1].p != p) {
				plans = append(plans, made{len(truth) - 1, p, len(truth) < 60})
			}
		})
		mu.Lock()
		defer mu.Unlock()
		for _, m := range plans {
			for _, h := range leads {
				if m.at+h >= heat || h >= m.p.Len() {
					continue
				}
				e := m.p.Ball[h] - truth[m.at+h]
				stage := 0
				switch {
				case m.early:
				case m.p.Ball[h] < 150:
					stage = 1
				case m.p.Ball[h] > 214:
					stage = 3
				default:
					stage = 2
				}
				errs[[2]int{stage, h}] = append(errs[[2]int{stage, h}], e)
			}
		}
		_ = peaks
		_ = above
		return s
	})
	for stage := range 4 {
		for _, h := range leads {
			v := errs[[2]int{stage, h}]
			if len(v) == 0 {
				continue
			}
			mean, abs := 0.0, []float64{}
			for _, e := range v {
				mean += e / float64(len(v))
				abs = append(abs, math.Abs(e))
			}
			slices.Sort(abs)
			t.Logf("stage %d lead %3d: n %4d mean %+.2f median |e| %.2f p68 %.2f p95 %.2f", stage, h, len(v), mean, abs[len(abs)/2], abs[len(abs)*68/100], abs[len(abs)*95/100])
		}
	}
	t.Log("\n" + table("full", s))
}
