// Package compare says how alike the runs of one pairing of board, part and machine came out, and whether something drifts from run to run: a
// heater that needs more and more drive for the same course is ageing, or the air, the mains or the place has changed.
//
// It is pure, and works on a few figures per run. It decides nothing: no run is refused and nothing is tuned for what it finds.
package compare

import (
	"fmt"
	"math"
	"slices"
)

// Run is one run of a pairing, reduced to figures.
type Run struct {
	ID      int64
	Figures map[string]float64 // by name; one that could not be taken is not there
}

// Figure is what is compared, and how much of it matters.
type Figure struct {
	Name string `json:"name"`
	Unit string `json:"unit"`
	// Matters is the change over all runs below which a drift is not worth telling, in Unit. A judgement of whoever compares.
	Matters float64 `json:"matters"`
}

// Fewest is how many runs it takes to say anything about a drift: with fewer even steadily rising figures are a fair chance (Kendall's test, one in
// 60 for four runs in order, both ways; one in 2500 for seven). Judgement.
const Fewest = 6

// most is how unlikely a trend must be by chance, two-sided, to be told. Judgement.
const most = 0.01

// Spread is how one figure lies over the runs.
type Spread struct {
	Figure
	N        int     `json:"runs"`
	Mean     float64 `json:"mean"`
	Deviates float64 `json:"deviation"` // the standard deviation with n−1
	Least    float64 `json:"least"`
	Most     float64 `json:"most"`
	Median   float64 `json:"median"`
	OddOut   []int64 `json:"odd_runs,omitempty"` // farther from the median than 3.5 robust standard deviations (Iglewicz and Hoaglin 1993, from memory)
	Drift    Drift   `json:"drift"`
}

// Drift is a trend over the runs in their order.
type Drift struct {
	PerRun float64 `json:"per_run"`       // Theil–Sen: the median of the slopes between all pairs (Sen 1968), in the figure's unit
	Over   float64 `json:"over_all_runs"` // PerRun times the way from the first run to the last
	Chance float64 `json:"chance"`        // of a trend at least as clear in runs without one, two-sided, by Mann and Kendall with ties; 1 of fewer than Fewest
	Told   bool    `json:"told"`          // it is clear, and large enough to matter
}

// mostCompared bounds the work, which grows with the square of the number of runs: the newest are compared.
const mostCompared = 1000

// Of compares runs, which must be in the order in which they were made. Figures that fewer than two runs have are left out.
func Of(runs []Run, figures []Figure) []Spread {
	runs = runs[max(0, len(runs)-mostCompared):]
	var out []Spread
	for _, f := range figures {
		var at, v []float64
		var ids []int64
		for i, r := range runs {
			if x, ok := r.Figures[f.Name]; ok && !math.IsNaN(x) && !math.IsInf(x, 0) {
				at, v, ids = append(at, float64(i)), append(v, x), append(ids, r.ID)
			}
		}
		if len(v) >= 2 {
			out = append(out, spread(f, at, v, ids))
		}
	}
	return out
}

func spread(f Figure, at, v []float64, ids []int64) Spread {
	s := Spread{Figure: f, N: len(v), Least: slices.Min(v), Most: slices.Max(v), Median: median(v)}
	for _, x := range v {
		s.Mean += x
	}
	s.Mean /= float64(len(v))
	off := make([]float64, len(v))
	for i, x := range v {
		s.Deviates += (x - s.Mean) * (x - s.Mean)
		off[i] = math.Abs(x - s.Median)
	}
	s.Deviates = math.Sqrt(s.Deviates / float64(len(v)-1))
	s.Drift = drift(at, v)
	s.Drift.Told = s.Drift.Chance <= most && math.Abs(s.Drift.Over) >= f.Matters
	// 1.4826 makes the median of the distances a standard deviation where the figures are normal. What drifts is not odd.
	if robust := 1.4826 * median(off); !s.Drift.Told && len(v) >= Fewest {
		for i := range v {
			if off[i] > 3.5*robust && off[i] >= f.Matters {
				s.OddOut = append(s.OddOut, ids[i])
			}
		}
	}
	return s
}

// drift is the trend of v over at, which rises.
func drift(at, v []float64) Drift {
	n := len(v)
	d := Drift{Chance: 1}
	slopes, up := make([]float64, 0, n*(n-1)/2), 0
	for i := range n {
		for k := i + 1; k < n; k++ {
			slopes = append(slopes, (v[k]-v[i])/(at[k]-at[i]))
			switch {
			case v[k] > v[i]:
				up++
			case v[k] < v[i]:
				up--
			}
		}
	}
	d.PerRun = median(slopes)
	d.Over = d.PerRun * (at[n-1] - at[0])
	if n >= Fewest {
		d.Chance = chance(float64(up), v)
	}
	return d
}

// chance is the two-sided probability of Kendall's sum s without a trend, by the normal approximation with the correction for continuity and for ties
// (Mann 1945, Kendall 1975, from memory; good from about ten values, a little cautious before).
func chance(s float64, v []float64) float64 {
	n := float64(len(v))
	variance := n * (n - 1) * (2*n + 5)
	sorted := slices.Sorted(slices.Values(v))
	for i := 0; i < len(sorted); {
		k := i
		for k < len(sorted) && sorted[k] == sorted[i] {
			k++
		}
		t := float64(k - i)
		variance -= t * (t - 1) * (2*t + 5)
		i = k
	}
	variance /= 18
	if !(variance > 0) || s == 0 {
		return 1
	}
	z := (math.Abs(s) - 1) / math.Sqrt(variance)
	return math.Erfc(z / math.Sqrt2)
}

// median of values, which are not changed; 0 of none.
func median(v []float64) float64 {
	if len(v) == 0 {
		return 0
	}
	s := slices.Sorted(slices.Values(v))
	m := len(s) / 2
	if len(s)%2 == 1 {
		return s[m]
	}
	return (s[m-1] + s[m]) / 2
}

// Sentence says of one figure what a person should know, empty when there is nothing.
func (s Spread) Sentence() string {
	switch {
	case s.Drift.Told:
		word := "rises"
		if s.Drift.Over < 0 {
			word = "falls"
		}
		return fmt.Sprintf("%s %s: by %.3g %s over %d runs, %.2g a run; by chance that would happen in %s.", s.Name, word, math.Abs(s.Drift.Over), s.Unit, s.N, math.Abs(s.Drift.PerRun), odds(s.Drift.Chance))
	case len(s.OddOut) > 0:
		return fmt.Sprintf("%s is far from the others in run %s.", s.Name, numbers(s.OddOut))
	}
	return ""
}

func odds(p float64) string {
	if p < 1e-4 {
		return "fewer than one case of 10,000"
	}
	return fmt.Sprintf("one case of %.0f", 1/p)
}

func numbers(ids []int64) string {
	s := ""
	for i, id := range ids {
		if i > 0 {
			s += ", "
		}
		s += fmt.Sprint(id)
	}
	return s
}
