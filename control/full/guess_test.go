package full_test

import (
	"math"
	"testing"

	"trivet/control/full"
	"trivet/process/unit"
)

func TestTheGuessDoesNotFollowACoupleThatComesOff(t *testing.T) {
	for _, off := range []float64{30, -15, 14} {
		r := newRig(t)
		for range 900 {
			r.tick(true)
		}
		before, ok := r.law.Guess().Temp()
		if !ok || math.Abs(float64(before)-25) > 2 {
			t.Fatalf("guess %v, given %v, at a joint of 25 °C; doubt %.1f", before, ok, r.law.GuessDoubt())
		}
		r.in.Joint = unit.Measured(r.now, unit.Celsius(25+off))
		for k := range 250 { // fits go on, and see it
			r.tick(true)
			if g, ok := r.law.Guess().Temp(); ok && math.Abs(float64(g-before)) > 3 {
				t.Fatalf("after %.1f s of %+g K the guess went from %v to %v", float64(k)/10, off, before, g)
			}
		}
	}
}

func TestTheGuessIsNotGivenWhereNobodyCanSay(t *testing.T) {
	r := newRig(t)
	for range 200 {
		r.tick(true)
		if r.law.Guess().Usable() {
			t.Fatal("after some seconds of record")
		}
	}
	for range 800 {
		r.tick(true)
	}
	if !r.law.Guess().Usable() {
		t.Fatal("never")
	}
	r.in.Heat = false
	for range 40 {
		r.tick(false)
	}
	if r.law.Guess().Usable() {
		t.Error("four seconds after the heat")
	}
	r.law.Begin()
	if r.law.Guess().Usable() {
		t.Error("in a new run")
	}
	r = newRig(t)
	r.law.SetNoJoint(true, 0)
	r.law.Begin()
	for range 900 {
		r.tick(true)
	}
	if r.law.Guess().Usable() {
		t.Error("without a thermocouple to compare with")
	}
}

// A joint that reads nothing leaves the guess as it is: losing a sensor has a row of its own.
func TestTheGuessGoesOnWithoutAReading(t *testing.T) {
	r := newRig(t)
	for range 900 {
		r.tick(true)
	}
	r.in.Joint = unit.Unusable(r.now, unit.Open)
	for range 30 {
		r.tick(true)
	}
	if c, ok := r.law.Guess().Temp(); !ok || math.Abs(float64(c)-25) > 2 {
		t.Errorf("%v, %v", c, ok)
	}
}

func BenchmarkGuess(b *testing.B) {
	r := newRig(b)
	for range 900 {
		r.tick(true)
	}
	b.ReportAllocs()
	for b.Loop() {
		_ = r.law.Guess()
	}
}

var _ interface{ Guess() unit.Reading } = (*full.Law)(nil)
