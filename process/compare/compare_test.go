package compare

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

var figure = Figure{Name: "drive", Unit: "%", Matters: 2}

func series(v ...float64) (out []Run) {
	for i, x := range v {
		r := Run{ID: int64(i + 1), Figures: map[string]float64{}}
		if !math.IsNaN(x) { // of this run it could not be taken
			r.Figures["drive"] = x
		}
		out = append(out, r)
	}
	return out
}

func one(t *testing.T, runs []Run) Spread {
	t.Helper()
	s := Of(runs, []Figure{figure})
	if len(s) != 1 {
		t.Fatalf("%d spreads", len(s))
	}
	return s[0]
}

// By hand: 2, 4, 4, 4, 5, 5, 7, 9 has mean 5, and deviations 9+1+1+1+0+0+4+16 = 32, so √(32/7); its median is 4.5.
func TestMeanDeviationAndMedianAreThoseWorkedOutByHand(t *testing.T) {
	s := one(t, series(9, 4, 5, 2, 4, 7, 4, 5))
	if s.N != 8 || s.Mean != 5 || math.Abs(s.Deviates-math.Sqrt(32.0/7)) > 1e-12 || s.Median != 4.5 || s.Least != 2 || s.Most != 9 {
		t.Errorf("%+v", s)
	}
}

// Kendall's sum of 1, 3, 2, 4, 6, 5 is 11 of 15 pairs, and its variance 6·5·17/18 = 28.33: z = 10/5.323 = 1.879, two-sided 0.0603 (tables of the
// normal distribution). The slopes' median, from all 15 pairs, is 1.
func TestTheTrendIsTheOneWorkedOutByHand(t *testing.T) {
	s := one(t, series(1, 3, 2, 4, 6, 5))
	if math.Abs(s.Drift.Chance-0.0603) > 2e-4 || s.Drift.PerRun != 1 || s.Drift.Over != 5 || s.Drift.Told {
		t.Errorf("%+v", s.Drift)
	}
}

// With ties: 1, 1, 2, 2, 3, 3 has the sum 12, and its variance (6·5·17 − 3·2·1·9)/18 = 25.33: z = 11/5.033 = 2.1855, two-sided 0.0288.
func TestTiesMakeATrendSurer(t *testing.T) {
	if s := one(t, series(1, 1, 2, 2, 3, 3)); math.Abs(s.Drift.Chance-0.0288) > 2e-4 {
		t.Errorf("%+v", s.Drift)
	}
}

// A heater that loses 0.5 % a run is found under noise of 1 %; one that is well is not, 95 times of a hundred and more.
func TestAnAgeingHeaterIsFoundAndAHealthyOneLeftAlone(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	found, wrong := 0, 0
	for range 200 {
		var aged, well []float64
		for i := range 20 {
			aged = append(aged, 60*(1+0.005*float64(i))+0.6*rng.NormFloat64())
			well = append(well, 60+0.6*rng.NormFloat64())
		}
		if s := one(t, series(aged...)); s.Drift.Told {
			found++
			if !strings.HasPrefix(s.Sentence(), "drive rises: by ") {
				t.Errorf("%q", s.Sentence())
			}
		}
		if one(t, series(well...)).Drift.Told {
			wrong++
		}
	}
	if found < 195 || wrong > 4 {
		t.Errorf("found %d of 200, told %d of 200 that were well", found, wrong)
	}
}

func TestASmallDriftIsNotToldHoweverClear(t *testing.T) {
	if s := one(t, series(60, 60.1, 60.2, 60.3, 60.4, 60.5, 60.6, 60.7)); s.Drift.Told || s.Sentence() != "" || s.Drift.Chance > 0.01 {
		t.Errorf("%+v", s)
	}
}

func TestOneRunThatIsOddIsNamedAndMovesNoTrend(t *testing.T) {
	s := one(t, series(60, 60.2, 59.9, 60.1, 75, 60, 59.8, 60.1, 60, 60.2))
	if len(s.OddOut) != 1 || s.OddOut[0] != 5 || s.Drift.Told || math.Abs(s.Drift.PerRun) > 0.05 || s.Sentence() != "drive is far from the others in run 5." {
		t.Errorf("%+v, %q", s, s.Sentence())
	}
}

func TestFewRunsAndMissingFiguresAreNoTrend(t *testing.T) {
	if s := one(t, series(1, 10, 20, 30, 40)); s.Drift.Told || s.Drift.Chance != 1 {
		t.Errorf("%+v", s.Drift)
	}
	if s := one(t, series(50, math.NaN(), 50, math.Inf(1), 50, 50, 50, 50)); s.N != 6 || s.Drift.Told || s.Deviates != 0 || len(s.OddOut) > 0 {
		t.Errorf("%+v", s)
	}
	if out := Of(series(1), []Figure{figure}); len(out) != 0 {
		t.Errorf("one run alone: %+v", out)
	}
	if out := Of(nil, []Figure{figure}); len(out) != 0 {
		t.Errorf("none: %+v", out)
	}
}
