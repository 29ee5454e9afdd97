package full_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"
	"time"

	"trivet/control"
	"trivet/control/boardid"
	"trivet/sim/plant"
)

// again returns the same board on another day: other mains, ambient, and thermocouples attached anew.
func again(tr trial, day uint64) trial {
	rng := rand.New(rand.NewPCG(tr.seed, day))
	s := plant.RandomSpread(rng)
	tr.spread.Mains, tr.spread.Ambient = s.Mains, s.Ambient
	tr.board.Couples.JointStem = 0.03 * rng.Float64()
	tr.board.Couples.JointLag = 0.4 + 0.8*rng.Float64()
	tr.seed = rng.Uint64()
	return tr
}

// Without a thermocouple at the joint it is estimated from package top and board; how well depends on whether a board of
// the type has been run with one.
func TestJointIsEstimatedWithoutAThermocouple(t *testing.T) {
	if testing.Short() {
		t.Skip("drives several boards")
	}
	trials := drawn(t, uint64(setting("SERIES", 12)), int(setting("BOARDS", 1)), setting("RATE", 0.6))
	zones := commission(trials[0].machine, trials[0].board)
	kinds := []bool{true}
	if setting("STRANGERS", 0) > 0 { // boards that were never run with a joint thermocouple: slow, and only to know how bad it is
		kinds = append(kinds, false)
	}
	for _, learned := range kinds {
		var mu sync.Mutex
		var rms, late, peak []float64
		covered, all := 0.0, 0.0
		s := each(trials, func(i int, tr trial) score {
			var th *boardid.Theta
			if learned {
				first := fullLaw(tr, zones)
				run(tr, first, first.SeeBoard, walking(first), nil)
				if got, ok := first.Lesson(); ok {
					th = &got.Theta
				}
			}
			tr = again(tr, 2)
			tr.noJoint = true
			l := fullLaw(tr, zones)
			l.SetLearned(th)
			sum, sumLate, n, nLate, worst, k := 0.0, 0.0, 0.0, 0.0, 0.0, 0
			top, topEst := 0.0, 0.0
			s := run(tr, l, l.SeeBoard, walking(l), func(now time.Duration, tr *plant.Truth, fo *control.Followed, in *control.Inputs, out *control.Outputs) {
				if k++; k%10 != 0 || !in.Heat {
					return
				}
				ball, sd, ok := l.Joint()
				if !ok {
					return
				}
				e := ball - float64(tr.CornerJoint)
				sum, n = sum+e*e, n+1
				if tr.CornerJoint > 150 {
					sumLate, nLate = sumLate+e*e, nLate+1
				}
				top, topEst = max(top, float64(tr.CornerJoint)), max(topEst, ball)
				worst = max(worst, math.Abs(e))
				mu.Lock()
				all++
				if math.Abs(e) <= 2*sd {
					covered++
				}
				mu.Unlock()
			})
			mu.Lock()
			rms = append(rms, math.Sqrt(sum/n))
			late = append(late, math.Sqrt(sumLate/math.Max(1, nLate)))
			peak = append(peak, math.Abs(topEst-top))
			mu.Unlock()
			return s
		})
		q := func(v []float64) (float64, float64, float64) {
			slices.Sort(v)
			return v[len(v)/2], v[min(len(v)-1, len(v)*95/100)], v[len(v)-1]
		}
		a, b, c := q(rms)
		d, e, f := q(late)
		g, h, i := q(peak)
		t.Logf("learned %v: estimate rms %.2f/%.2f/%.2f, above 150 °C %.2f/%.2f/%.2f, at the peak %.2f/%.2f/%.2f, band covers %.1f %%", learned, a, b, c, d, e, f, g, h, i, 100*covered/all)
		t.Log(table("blind", s))
		if learned && (a > 2 || covered < 0.85*all) {
			t.Errorf("the joint is estimated to %.2f °C rms and lies within its band %.0f %% of the time; want 2 °C and 85 %%", a, 100*covered/all)
		}
	}
}
