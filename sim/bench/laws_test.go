package bench

import (
	"math"
	"testing"

	"trivet/control"
	"trivet/control/ident"
	"trivet/sim/catalog"
)

func lawed(t testing.TB, law string) Parts {
	p := parts(t, "removal-50mm")
	p.Scenario.Law, p.Scenario.Expect = law, nil
	return p
}

func TestEveryLawOfTheCatalogueCanBeBuilt(t *testing.T) {
	for _, law := range catalog.Laws() {
		p := lawed(t, law)
		switch law {
		case "schedule":
			p = parts(t, "table-by-feel")
		case "clairvoyant":
			p.drive = []control.Waypoint{{Top: 100, Bottom: 100, Area: 100}}
		}
		if _, err := Assemble(p, 1); err != nil {
			t.Errorf("%s: %v", law, err)
		}
	}
	for _, law := range []string{"clairvoyant", "schedule", "no-such"} {
		if _, err := Assemble(lawed(t, law), 1); err == nil {
			t.Errorf("%s is built from a scenario that does not carry what it needs", law)
		}
	}
}

// TestTheGainsOfTheSimpleLawsAreThoseOfTheRule repeats SIMC by hand on the fitted models (Skogestad 2003: series PID, τc = θ, of the
// second-order model; PI of the first-order one by the half rule) and asks for the margin the rule promises there, Ms
// about 1.6 to 1.7.
func TestTheGainsOfTheSimpleLawsAreThoseOfTheRule(t *testing.T) {
	s, err := NewSample(parts(t, "removal-50mm").Machine)
	if err != nil {
		t.Fatal(err)
	}
	m, err := s.SingleModel()
	if err != nil {
		t.Fatal(err)
	}
	got, err := s.TuneSingle()
	if err != nil {
		t.Fatal(err)
	}
	theta := math.Max(m.DeadTime, m.Interval)
	want := control.SingleTuning{Kc: m.Tau1 / (m.Gain * 2 * theta), Ti: math.Min(m.Tau1, 8*theta), Td: m.Tau2}
	if math.Abs(got.Kc-want.Kc) > 1e-6 || math.Abs(got.Ti-want.Ti) > 1e-6 || math.Abs(got.Td-want.Td) > 1e-6 {
		t.Errorf("pid is set to %+v; the rule gives %+v", got, want)
	}
	ms, err := ident.MaximumSensitivity(m.Process(), ident.SeriesPID{Kc: got.Kc, Ti: got.Ti, Td: got.Td})
	if err != nil || ms > 1.75 {
		t.Errorf("pid has Ms %.2f, %v", ms, err)
	}
	b, err := s.BareModel()
	if err != nil {
		t.Fatal(err)
	}
	tuned, err := s.TuneBare()
	if err != nil {
		t.Fatal(err)
	}
	theta = math.Max(b.DeadTime+b.Tau2/2, b.Interval)
	first := b.Tau1 + b.Tau2/2
	if kc, ti := first/(b.Gain*2*theta), math.Min(first, 8*theta); math.Abs(tuned.Kc-kc) > 1e-6*kc || math.Abs(tuned.Ti-ti) > 1e-6*ti {
		t.Errorf("cascade-pid is set to %g, %g s; the rule gives %g, %g s", tuned.Kc, tuned.Ti, kc, ti)
	}
	t.Logf("pid: gain %.0f K, lags %.0f and %.1f s, dead time %.1f s, fit %.3f °C: Kc %.4f/K, Ti %.0f s, Td %.1f s, Ms %.2f", m.Gain, m.Tau1, m.Tau2, m.DeadTime, m.FitRMS, got.Kc, got.Ti, got.Td, ms)
	t.Logf("cascade-pid: gain %.2f, lags %.0f and %.1f s, dead time %.1f s, fit %.3f °C: Kc %.2f, Ti %.0f s", b.Gain, b.Tau1, b.Tau2, b.DeadTime, b.FitRMS, tuned.Kc, tuned.Ti)
}

// TestATableReachesThePeakOnTheBoardItWasFoundOn, and by how much it misses another is what it is there to show.
func TestATableReachesThePeakOnTheBoardItWasFoundOn(t *testing.T) {
	p := lawed(t, "table")
	s, err := NewSample(p.Machine)
	if err != nil {
		t.Fatal(err)
	}
	never := -1.0
	p.Scenario.LiftAfterS = &never            // a lift would end the peak early
	p.Board, p.Profile.BodyLimit = s.Board, 0 // the table knows nothing of bodies; a guard at 260 °C still does
	sum := run(t, p).Summary
	if sum.PeakErrorC == nil || !(math.Abs(*sum.PeakErrorC) <= 5) { // its thermocouple was off by its stem, up to 3 °C
		t.Errorf("peak %v °C on the sample board, rms %v: %s", value(sum.PeakC), value(sum.RmsC), sum.Sentence)
	}
}

func TestKnowingMoreOfTheBoardGivesASmallerError(t *testing.T) {
	last := math.Inf(1)
	for _, law := range []string{"table", "cascade", "full"} {
		s := run(t, lawed(t, law)).Summary
		if s.RmsC == nil || !(*s.RmsC < last) {
			t.Fatalf("%s: rms %v °C after %.2f °C", law, s.RmsC, last)
		}
		last = *s.RmsC
	}
}

// TestOneRoundBringsTheOptimumNearer with a coarse drive, because the full search takes a minute.
func TestOneRoundBringsTheOptimumNearer(t *testing.T) {
	if testing.Short() {
		t.Skip("some sixty bench runs")
	}
	p := lawed(t, "clairvoyant")
	var err error
	if p.Board, err = catalog.Board("handset-10-layer"); err != nil {
		t.Fatal(err)
	}
	s, err := newSearch(t.Context(), p, 60)
	if err != nil {
		t.Fatal(err)
	}
	before := s.cost
	if err := s.improve(0); err != nil {
		t.Fatal(err)
	}
	if !(s.cost < before/2) {
		t.Errorf("cost went from %g to %g", before, s.cost)
	}
	for i, v := range s.x {
		if !(v >= p.Scenario.AmbientC && v <= s.most[i%3]) {
			t.Errorf("set-point %d is %g °C", i, v)
		}
	}
	again, cost, err := s.run(s.x)
	if err != nil || cost != s.cost || len(again) != len(s.r) {
		t.Errorf("the same drive costs %g, then %g, %v", s.cost, cost, err)
	}
}

func value(v *float64) float64 {
	if v == nil {
		return math.NaN()
	}
	return *v
}
