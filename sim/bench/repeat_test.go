package bench

import (
	"context"
	"math/rand/v2"
	"strings"
	"testing"

	"trivet/control/learn"
	"trivet/process/unit"
	"trivet/sim/catalog"
	"trivet/sim/plant"
	"trivet/station"
)

// repeatable is the shipped removal under the law that learns, on board b.
func repeatable(t *testing.T, b string) Parts {
	t.Helper()
	s, err := catalog.ScenarioNamed("removal-50mm-full")
	if err != nil {
		t.Fatal(err)
	}
	p := Parts{Scenario: s}
	p.Scenario.Expect = nil
	for _, err := range []error{
		func() (err error) { p.Machine, err = catalog.Machine(s.Machine); return }(),
		func() (err error) { p.Board, err = catalog.Board(b); return }(),
		func() (err error) { p.Profile, err = catalog.Profile(s.Profile); return }(),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	return p
}

func mustRun(t *testing.T, p Parts) *Result {
	t.Helper()
	r, err := Run(context.Background(), p, nil)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// taught returns the book after n boards of the type of p, each of another day.
func taught(t *testing.T, p Parts, n int, rng *rand.Rand) *learn.Book {
	t.Helper()
	book := &learn.Book{}
	for range n {
		q := sibling(p, rng)
		q.Book = book
		r := mustRun(t, q)
		if r.Lesson == nil {
			t.Fatalf("the run taught nothing: %s", r.Summary.Sentence)
		}
		if a := book.Offer(*r.Lesson); !a.Taken {
			t.Fatalf("not learned: %s", a.Why)
		}
	}
	return book
}

func sibling(p Parts, rng *rand.Rand) Parts {
	first := p.Board
	b, s := plant.Sibling(rng, p.Board, plant.Spread{Disturbance: plant.Undisturbed(), Mains: 1, Ambient: 25})
	p.Board, p.Spread, p.Believed, p.Noise, p.Scenario.AmbientC = b, &s, &first, 0.2, s.Ambient
	return p
}

func TestARepeatWithoutAJointThermocouple(t *testing.T) {
	rng := rand.New(rand.NewPCG(31, 1))
	p := repeatable(t, "switch-16-layer")
	book := taught(t, p, 2, rng)

	t.Run("is refused without a lesson", func(t *testing.T) {
		q := sibling(p, rng)
		q.NoJoint = true
		if r := mustRun(t, q); !strings.Contains(r.Summary.Sentence, "nothing to repeat") {
			t.Error(r.Summary.Sentence)
		}
	})
	t.Run("is refused without a package top", func(t *testing.T) {
		q := sibling(p, rng)
		q.NoJoint, q.NoTop, q.Book = true, true, book
		if r := mustRun(t, q); !strings.Contains(r.Summary.Sentence, "package top must be measured") {
			t.Error(r.Summary.Sentence)
		}
	})
	t.Run("ends complete on a board of the type", func(t *testing.T) {
		q := sibling(p, rng)
		q.NoJoint, q.Book = true, book
		r := mustRun(t, q)
		s := &r.Summary
		if s.State.Code != "complete" || s.EstimateRmsC == nil || s.MaxBodyC == nil {
			t.Fatalf("%s", s.Sentence)
		}
		if !(*s.EstimateRmsC < 3 && *s.MaxBodyC < float64(q.Profile.BodyLimit)) {
			t.Errorf("estimated to %.2f °C rms, package top at most %.1f °C", *s.EstimateRmsC, *s.MaxBodyC)
		}
		t.Logf("estimate %.2f °C rms, %.2f at the peak, band covers %.2f; joint %.2f rms, peak %+.2f", *s.EstimateRmsC, *s.EstimatePeakC, *s.BandCovers, *s.RmsC, *s.PeakErrorC)
	})
	t.Run("stops before reflow on a board of another type", func(t *testing.T) {
		q := sibling(p, rng)
		other, err := catalog.Board("thin-4-layer")
		if err != nil {
			t.Fatal(err)
		}
		q.Board, q.NoJoint, q.Book = other, true, book
		r := mustRun(t, q)
		if r.Summary.State.Code != "not_kin" {
			t.Errorf("%s: %s", r.Summary.State.Code, r.Summary.Sentence)
		}
		for i := range r.Rows {
			if c := r.Rows[i].Truth.HottestJoint; c > unit.Celsius(217) {
				t.Fatalf("a joint reached %v", c)
			}
		}
	})
	t.Run("goes without a lesson at a bounded peak", func(t *testing.T) {
		q := sibling(p, rng)
		q.NoJoint, q.BoundedPeak, q.Dangling = true, true, true
		r := mustRun(t, q)
		// Nothing was learned, so the joint is known to ten degrees at best, whatever a couple that is plugged in would say.
		doubt, most := columnsOf(r)[station.EstimateColumn]+1, 0.0
		for i := range r.Rows {
			if r.Rows[i].Truth.CornerJoint > 200 {
				most = max(most, float64(r.Rows[i].Values[doubt]))
			}
		}
		if most < 8 {
			t.Errorf("the joint is claimed to be known to ±%.1f °C", most)
		}
		if s := &r.Summary; s.State.State != "complete" || !(*s.MaxBodyC < float64(q.Profile.BodyLimit)) || !(*s.PeakC < 250) {
			t.Errorf("%s: peak %v, package top %v", s.Sentence, *s.PeakC, *s.MaxBodyC)
		}
	})
}
