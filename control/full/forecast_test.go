package full_test

import (
	"math"
	"slices"
	"sync"
	"testing"
	"time"

	"trivet/control"
	"trivet/control/full"
	"trivet/sim/plant"
)

// Forecasts made before the solder melts must hold: the band covers the truth as often as it says, and peak and time
// above liquidus lie in their spans.
func TestBandCoversTheTruth(t *testing.T) {
	if testing.Short() {
		t.Skip("drives several boards")
	}
	trials := drawn(t, uint64(setting("SERIES", 11)), int(setting("BOARDS", 2)), setting("RATE", 0.6))
	zones := commission(trials[0].machine, trials[0].board)
	var mu sync.Mutex
	var in, all, peakIn, talIn, n, stops float64
	var peakErr, talErr []float64
	var lines []string
	var byLead [4][3][2]float64 // by lead of 40 s and age of 60 s: covered, all
	each(trials, func(i int, tr trial) score {
		tr.late = true
		l := fullLaw(tr, zones)
		var truth []float64
		type made struct {
			at float64
			r  *full.Result
		}
		var results []made
		heat, k, past := 0, 0, 0.0
		var gate *full.Result
		s := run(tr, l, l.SeeBoard, walking(l), func(now time.Duration, tr *plant.Truth, fo *control.Followed, in *control.Inputs, out *control.Outputs) {
			if k++; k%10 != 0 {
				return
			}
			truth = append(truth, float64(tr.CornerJoint)) // second len(truth)
			if !fo.Cooling {
				heat = len(truth)
			}
			if r := l.Latest(); r != nil && !in.Still && in.Heat && (len(results) == 0 || results[len(results)-1].r != r) {
				results = append(results, made{r.Schedule.Begin.Seconds(), r})
				if target := fo.Point.Target; target > 185 && gate == nil {
					gate = r
					if tr.CornerJoint > 220 {
						past++
					}
				}
			}
		})
		mu.Lock()
		defer mu.Unlock()
		for _, m := range results {
			f := m.r.Forecast
			for h := 2; h < len(f.Mid) && int(m.at)+h-1 < heat; h += 7 {
				all++
				c := &byLead[min(3, h/40)][min(2, int(m.at)/60)]
				c[1]++
				if tc := truth[int(m.at)+h-1]; tc >= f.Low[h] && tc <= f.High[h] {
					in++
					c[0]++
				}
			}
		}
		if gate != nil {
			f := gate.Forecast
			n++
			if s.peakAt >= f.Peak.Low && s.peakAt <= f.Peak.High {
				peakIn++
			}
			if s.talAt >= f.Above.Low && s.talAt <= f.Above.High {
				talIn++
			}
			peakErr = append(peakErr, math.Abs(f.Peak.Mid-s.peakAt))
			talErr = append(talErr, math.Abs(f.Above.Mid-s.talAt))
			t.Logf("%s peak %.1f of %.1f above %.0f of %.0f", s.name, f.Peak, s.peakAt, f.Above, s.talAt)
			if !f.Go {
				stops++
			}
			for _, r := range f.Reasons {
				lines = append(lines, s.name+": "+r.Text+" "+r.Remedy)
			}
		}
		return s
	})
	slices.Sort(peakErr)
	slices.Sort(talErr)
	t.Logf("band covers %.1f %% of %.0f; before reflow: peak in span %.0f of %.0f, error median %.2f worst %.2f °C; time above in span %.0f, error median %.1f worst %.1f s; %.0f stopped", 100*in/all, all, peakIn, n, peakErr[len(peakErr)/2], peakErr[len(peakErr)-1], talIn, talErr[len(talErr)/2], talErr[len(talErr)-1], stops)
	for i := range byLead {
		for j := range byLead[i] {
			t.Logf("lead from %d s, run %d s old: %.1f %% of %.0f", 40*i, 60*j, 100*byLead[i][j][0]/byLead[i][j][1], byLead[i][j][1])
		}
	}
	for _, l := range lines {
		t.Log(l)
	}
	if in < 0.93*all {
		t.Errorf("the 95 %% band covers the truth only %.1f %% of the time", 100*in/all)
	}
}
