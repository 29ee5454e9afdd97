package boardid

import (
	"math"
	"math/rand/v2"
	"testing"

	"trivet/control"
	"trivet/control/model"
)

func guess() model.Params {
	f := model.Facts{
		BoardX: 0.2, BoardY: 0.25, Thickness: 2.4e-3, Copper: 0.3e-3, PartX: 0.05, PartY: 0.05, Build: model.Lidded,
		Load: control.Load{Board: 5600, Part: 11000}, Reach: control.Reach{TopH: 100, BottomH: 70, AreaView: 0.35},
		SolderHeight: 5e-4, Solidus: 217, Liquidus: 220, Ambient: 25,
	}
	return f.Guess()
}

// heated returns a track of a board that really is p, warmed by heaters that ramp one after the other, with noise.
func heated(p model.Params, seconds int, noise float64, rng *rand.Rand) *model.Track {
	tr := &model.Track{}
	x := model.State{25, 25, 25}
	for k := range seconds {
		t := float64(k)
		area := 25 + math.Min(400, 2.2*t) + 273.15
		u := model.Input{Top: 25 + math.Min(280, 0.9*math.Max(0, t-20)), Bottom: 25 + math.Min(280, 1.1*math.Max(0, t-45)), Area4: area * area * area * area}
		before := x
		p.Step(&x, &u, 1)
		mid := model.State{(before[0] + x[0]) / 2, (before[1] + x[1]) / 2, (before[2] + x[2]) / 2}
		tr.Samples = append(tr.Samples, model.Sample{
			Input: u, Joint: p.Reading(p.Ball(&mid), p.Ball(&x)-p.Ball(&before), &u) + noise*rng.NormFloat64(),
			Body: p.Body(&mid, &u) + noise*rng.NormFloat64(), Board: p.Board(&mid) + noise*rng.NormFloat64(),
			Has: model.HasJoint | model.HasBody | model.HasBoard | model.HasHeat,
		})
	}
	return tr
}

// A fit to the first three minutes must foretell the next one.
func TestAFitForetellsTheNextMinute(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	worst, without := 0.0, 0.0
	for range 20 {
		var th Theta
		for i := range th {
			th[i] = rng.NormFloat64()
		}
		th[stem], th[jointLag] = 0, 0 // what no thermocouple shows is not asked for
		truth := Apply(guess(), &th)
		tr := heated(truth, 240, 0.1, rng)
		f, err := Fit(guess(), &model.Track{Samples: tr.Samples[:180]}, Theta{}, DefaultWeights())
		if err != nil {
			t.Fatal(err)
		}
		last := func(p model.Params) float64 {
			x, _ := tr.Start()
			for k := range tr.Samples {
				p.Step(&x, &tr.Samples[k].Input, 1)
			}
			return p.Ball(&x)
		}
		worst = math.Max(worst, math.Abs(last(f.Params)-last(truth)))
		without = math.Max(without, math.Abs(last(guess())-last(truth)))
	}
	if worst > 2.5 {
		t.Errorf("a minute ahead the joint is off by up to %.1f °C; want at most 2.5 °C (by the guess alone %.1f °C)", worst, without)
	}
	if without < 10 {
		t.Errorf("the guess alone is off by only %.1f °C: the test asks too little", without)
	}
}

func TestARunThatShowsNothingTeachesNothing(t *testing.T) {
	tr := heated(guess(), 1, 0, rand.New(rand.NewPCG(1, 1)))
	flat := tr.Samples[0]
	flat.Input = model.Input{Top: 25, Bottom: 25, Area4: math.Pow(298.15, 4)}
	flat.Joint, flat.Body, flat.Board = 25, 25, 25
	tr.Samples = nil
	for range 30 {
		tr.Samples = append(tr.Samples, flat)
	}
	f, err := Fit(guess(), tr, Theta{}, DefaultWeights())
	if err != nil {
		t.Fatal(err)
	}
	for i := range f.Theta {
		if math.Abs(f.Theta[i]) > 0.02 || math.Abs(f.Cov[i*Count+i]-1) > 0.05 {
			t.Errorf("quantity %d moved to %.2f with variance %.2f; nothing was heated, so 0 and 1 must stay", i, f.Theta[i], f.Cov[i*Count+i])
		}
	}
}

func TestHeatingNarrowsWhatIsKnown(t *testing.T) {
	f, err := Fit(guess(), heated(guess(), 200, 0.1, rand.New(rand.NewPCG(2, 1))), Theta{}, DefaultWeights())
	if err != nil {
		t.Fatal(err)
	}
	for _, i := range []int{heatJoint, jetTop, viewJoint} {
		if v := f.Cov[i*Count+i]; !(v > 0 && v < 0.95) {
			t.Errorf("variance of quantity %d is %.2f after 200 s of heat; want less than the prior's 1", i, v)
		}
	}
	if f.Left > 0.3 {
		t.Errorf("the fit leaves %.2f °C over on a board that is exactly the model", f.Left)
	}
}

func TestWhatCannotBeFittedIsRefusedInWords(t *testing.T) {
	good := heated(guess(), 60, 0.1, rand.New(rand.NewPCG(4, 1)))
	bad := &model.Track{Samples: append([]model.Sample(nil), good.Samples...)}
	bad.Samples[10].Top = math.NaN()
	blind := &model.Track{Samples: append([]model.Sample(nil), good.Samples...)}
	for i := range blind.Samples {
		blind.Samples[i].Has = model.HasHeat
	}
	for name, tr := range map[string]*model.Track{
		"too short": {Samples: good.Samples[:3]}, "not a number": bad, "no thermocouple": blind, "empty": {},
	} {
		if f, err := Fit(guess(), tr, Theta{}, DefaultWeights()); err == nil {
			t.Errorf("%s: fitted to %v", name, f.Theta)
		} else if len(err.Error()) < 20 {
			t.Errorf("%s: %q explains nothing", name, err)
		}
	}
}

func TestInvertUndoesItself(t *testing.T) {
	a := []float64{4, 1, 0.5, 1, 3, 0.2, 0.5, 0.2, 2}
	inv := make([]float64, 9)
	if !Invert(append([]float64(nil), a...), inv, 3) {
		t.Fatal("a positive definite matrix was refused")
	}
	for r := range 3 {
		for c := range 3 {
			sum, want := 0.0, 0.0
			if r == c {
				want = 1
			}
			for k := range 3 {
				sum += a[3*r+k] * inv[3*k+c]
			}
			if math.Abs(sum-want) > 1e-12 {
				t.Errorf("entry %d,%d of the product is %g", r, c, sum)
			}
		}
	}
	if Invert([]float64{1, 2, 2, 1}, make([]float64, 4), 2) {
		t.Error("an indefinite matrix was inverted")
	}
}

func BenchmarkFit(b *testing.B) {
	var th Theta
	th[heatJoint], th[viewJoint] = 1, -1
	tr := heated(Apply(guess(), &th), 300, 0.1, rand.New(rand.NewPCG(5, 1)))
	for b.Loop() {
		if _, err := Fit(guess(), tr, Theta{}, DefaultWeights()); err != nil {
			b.Fatal(err)
		}
	}
}
