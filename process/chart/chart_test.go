package chart

import (
	"math"
	"math/rand/v2"
	"testing"
)

func TestThinningMovesNoLineByMoreThanAFifthOfAPixel(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	var p []Spot
	for i := range 400 {
		p = append(p, Spot{float64(i), 50 * math.Sin(float64(i)/30*rng.Float64())})
	}
	q := straight(p)
	k := 0
	for _, at := range p {
		for k+2 < len(q) && q[k+1].X < at.X {
			k++
		}
		a, b := q[k], q[k+1]
		off := math.Abs((b.X-a.X)*(at.Y-a.Y)-(b.Y-a.Y)*(at.X-a.X)) / math.Hypot(b.X-a.X, b.Y-a.Y)
		if off > 0.2+1e-9 {
			t.Fatalf("%v is %.3f px off", at, off)
		}
	}
	if flat := straight([]Spot{{0, 1}, {1, 1}, {2, 1}, {3, 1}}); len(flat) != 2 {
		t.Errorf("a straight line keeps %d points", len(flat))
	}
}

func TestTicksAreRoundAndInside(t *testing.T) {
	for _, a := range []Axis{{0, 1, 0, 1}, {-15, 15, 9, 3}, {25, 300, 0, 100}, {-0.3, 0.3, 0, 1}, {0, 1e4, 0, 1}} {
		ticks := a.Ticks(6)
		if len(ticks) < 3 || len(ticks) > 8 {
			t.Errorf("%+v has %d ticks", a, len(ticks))
		}
		for _, v := range ticks {
			if v < a.Lo-1e-9 || v > a.Hi+1e-9 {
				t.Errorf("%+v has a tick at %g", a, v)
			}
		}
	}
	if NiceStep(math.NaN()) != 1 || NiceStep(0) != 1 || NiceStep(3) != 5 || NiceStep(0.021) != 0.025 {
		t.Error("steps are not round")
	}
}
