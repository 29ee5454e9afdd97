package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"sort"
	"time"

	"trivet/sim/bench"
)

// series runs boards of one type after the other, so that what was learned of one meets the next.
func (c *sweepCmd) series(e *env, parts bench.Parts) error {
	if c.Days < 1 || c.Days > 50 {
		return fmt.Errorf("--days is %d; it must be between 1 and 50, also for --repeat", c.Days)
	}
	if len(c.Law) > 1 || (len(c.Law) == 1 && c.Law[0] != "full") {
		return fmt.Errorf("--days is for the law that learns; leave --law out or give full")
	}
	parts.Scenario.Law = "full"
	bar := newBar(e.errOut, "boards")
	begun := time.Now()
	days, err := bench.RunSeries(e.ctx, parts, bench.Series{Types: c.Boards, Days: c.Days, Repeat: c.Repeat, Strange: c.Repeat, Seed: c.Seed}, bar.count)
	bar.done()
	if err != nil {
		return err
	}
	if c.JSON {
		enc := json.NewEncoder(e.out)
		enc.SetIndent("", "  ")
		return enc.Encode(days)
	}
	fmt.Fprintf(e.out, "%d board types drawn with seed %d, %s on %s, %.0f s of computing.\n\n", c.Boards, c.Seed, parts.Profile.Name, parts.Machine.Name, time.Since(begun).Seconds())
	printDays(e.out, days, c.Days)
	if c.Repeat {
		fmt.Fprintln(e.out)
		printRepeats(e.out, days)
	}
	return nil
}

// spreadOf is median, 95th percentile and largest of what get finds, without sign.
func spreadOf(days []bench.Day, want func(*bench.Day) bool, get func(*bench.Day) *float64) (text string) {
	var v []float64
	for i := range days {
		if d := &days[i]; want(d) {
			if x := get(d); x != nil {
				v = append(v, math.Abs(*x))
			}
		}
	}
	if len(v) == 0 {
		return fmt.Sprintf("%8s %8s %8s", "–", "–", "–")
	}
	sort.Float64s(v)
	return fmt.Sprintf("%8.2f %8.2f %8.2f", bench.Rank(v, 0.5), bench.Rank(v, 0.95), v[len(v)-1])
}

// printDays prints how well board after board was followed, and how often one was followed worse than the one before.
func printDays(w io.Writer, days []bench.Day, n int) {
	fmt.Fprintf(w, "%-8s %-26s %-26s %-26s %s\n", "board", "rms °C: median, 95 %, most", "above 150 °C", "peak °C", "worse than before by > 0.3 °C")
	last := map[int]float64{}
	for d := range n {
		at := func(x *bench.Day) bool { return x.Sort == bench.WithJoint && x.Day == d }
		worse, all := 0, 0
		for i := range days {
			x := &days[i]
			if !at(x) || x.RmsC == nil {
				continue
			}
			if before, ok := last[x.Type]; ok {
				all++
				if *x.RmsC > before+0.3 {
					worse++
				}
			}
			last[x.Type] = *x.RmsC
		}
		fmt.Fprintf(w, "%-8d %s %s %s", d+1, spreadOf(days, at, func(x *bench.Day) *float64 { return x.RmsC }),
			spreadOf(days, at, func(x *bench.Day) *float64 { return x.RmsAbove150C }), spreadOf(days, at, func(x *bench.Day) *float64 { return x.PeakErrorC }))
		if d > 0 {
			fmt.Fprintf(w, "  %d of %d", worse, all)
		}
		fmt.Fprintln(w)
	}
	refused := map[string]int{}
	for i := range days {
		if l := days[i].Learned; l != "" {
			refused[l]++
		}
	}
	for why, k := range refused {
		fmt.Fprintf(w, "%d × %s\n", k, why)
	}
}

// printRepeats prints how the boards without a joint thermocouple went.
func printRepeats(w io.Writer, days []bench.Day) {
	kin := func(x *bench.Day) bool { return x.Sort == bench.Repeat }
	ran := func(x *bench.Day) bool { return kin(x) && x.State.Code != "not_kin" && x.State.Code != "refused" }
	fmt.Fprintf(w, "without a joint thermocouple   %8s %8s %8s\n", "median", "95 %", "most")
	for _, r := range []struct {
		name string
		get  func(*bench.Day) *float64
	}{
		{"estimate, °C rms", func(x *bench.Day) *float64 { return x.EstimateRmsC }},
		{"estimate of the peak, °C", func(x *bench.Day) *float64 { return x.EstimatePeakC }},
		{"band covers the truth, share", func(x *bench.Day) *float64 { return x.BandCovers }},
		{"joint against the plan, °C rms", func(x *bench.Day) *float64 { return x.RmsC }},
		{"peak of the joint, °C", func(x *bench.Day) *float64 { return x.PeakErrorC }},
		{"package top, °C", func(x *bench.Day) *float64 { return x.MaxBodyC }},
	} {
		fmt.Fprintf(w, "%-30s %s\n", r.name, spreadOf(days, ran, r.get))
	}
	count := func(sort string) (n int, ended map[string]int, least, most float64) {
		ended, least = map[string]int{}, math.Inf(1)
		for i := range days {
			if x := &days[i]; x.Sort == sort {
				n++
				ended[x.State.Code]++
				if x.KinDistance != nil {
					least, most = math.Min(least, *x.KinDistance), math.Max(most, *x.KinDistance)
				}
			}
		}
		return n, ended, least, most
	}
	for _, s := range []string{bench.Repeat, bench.Stranger} {
		n, ended, least, most := count(s)
		fmt.Fprintf(w, "%s: %d, ended %v, kinship distance %.2f to %.2f\n", s, n, ended, least, most)
	}
	covered, all := 0.0, 0.0
	for i := range days {
		if x := &days[i]; ran(x) && x.BandCovers != nil {
			covered, all = covered+*x.BandCovers, all+1
		}
	}
	if all > 0 {
		fmt.Fprintf(w, "the band covers the truth %.1f %% of the time\n", 100*covered/all)
	}
}
