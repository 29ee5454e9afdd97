package bench

import (
	"os"
	"runtime"
	"strconv"
	"sync"
	"testing"
	"time"
)

// TestFaultFreeHours runs a healthy machine with noise, glitches, spikes, mains between 90 and 110 % and boards of all sorts, and
// counts trips: at most one in 2000 hours. TRIVET_FREE_HOURS sets how many hours; the default is a small share of them.
func TestFaultFreeHours(t *testing.T) {
	hours := 8.0
	if v := os.Getenv("TRIVET_FREE_HOURS"); v != "" {
		var err error
		if hours, err = strconv.ParseFloat(v, 64); err != nil {
			t.Fatal(err)
		}
	}
	var mu sync.Mutex
	var wg sync.WaitGroup
	var all FreeRun
	all.Alarms = map[string]int{}
	ended := map[string]int{}
	trips, earned, runs, next := 0, 0, 0, 0
	begun := time.Now()
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for {
				mu.Lock()
				i, enough := next, all.Hours >= hours
				next++
				mu.Unlock()
				if enough {
					return
				}
				r, err := Free(t.Context(), 1, i, 5*time.Minute)
				mu.Lock()
				if err != nil {
					t.Error(err)
					all.Hours += 1 // do not go on for ever
				} else {
					runs++
					all.Hours += r.Hours
					ended[r.Ended]++
					if r.Earned {
						earned++
					} else if r.Trip != "" {
						trips++
						t.Logf("run %d on %s tripped on %s", i, r.Board, r.Trip)
					}
					for k, n := range r.Alarms {
						all.Alarms[k] += n
					}
					for _, s := range [][2]*[2]float64{{&all.Air, &r.Air}, {&all.Area, &r.Area}, {&all.Joint, &r.Joint}} {
						s[0][0], s[0][1] = min(s[0][0], s[1][0]), max(s[0][1], s[1][1])
					}
				}
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	t.Logf("%d runs, %.1f simulated hours in %v: %d trips, and %d at a ceiling truly reached; ended %v; alarms %v", runs, all.Hours, time.Since(begun).Round(time.Second), trips, earned, ended, all.Alarms)
	t.Logf("distance from the balances: air %.1f…%.1f K, area %.1f…%.1f K; joint %.1f below, %.1f above its surroundings", all.Air[0], all.Air[1], all.Area[0], all.Area[1], -all.Joint[0], all.Joint[1])
	if float64(trips) > max(1, all.Hours/2000) {
		t.Errorf("%d trips in %.0f hours; at most one in 2000 is allowed", trips, all.Hours)
	}
}
