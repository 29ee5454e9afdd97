package observe

import (
	"math"
	"math/rand/v2"
	"testing"

	"trivet/control"
	"trivet/control/model"
)

func board() model.Params {
	f := model.Facts{
		BoardX: 0.2, BoardY: 0.25, Thickness: 2.4e-3, Copper: 0.3e-3, PartX: 0.05, PartY: 0.05, Build: model.Lidded,
		Load: control.Load{Board: 5600, Part: 11000}, Reach: control.Reach{TopH: 100, BottomH: 70, AreaView: 0.35},
		SolderHeight: 5e-4, Solidus: 217, Liquidus: 220, Ambient: 25,
	}
	return f.Guess()
}

// warmed is a track of a board that is m with an unexplained rate push on its joint, and the true balls second by second.
func warmed(m model.Params, push float64, seconds int, has model.Has, rng *rand.Rand) (*model.Track, []float64) {
	tr, truth := &model.Track{}, []float64{}
	x := model.State{25, 25, 25}
	for k := range seconds {
		t := float64(k)
		area := 25 + math.Min(350, 2*t) + 273.15
		u := model.Input{Top: 25 + math.Min(250, t), Bottom: 25 + math.Min(250, t), Area4: area * area * area * area}
		pushed := u
		pushed.Push = push
		before := x
		m.Step(&x, &pushed, 1)
		mid := model.State{(before[0] + x[0]) / 2, (before[1] + x[1]) / 2, (before[2] + x[2]) / 2}
		noise := func() float64 { return 0.1 * rng.NormFloat64() }
		tr.Samples = append(tr.Samples, model.Sample{Input: u, Has: has | model.HasHeat,
			Joint: m.Reading(m.Ball(&mid), m.Ball(&x)-m.Ball(&before), &u) + noise(), Body: m.Body(&mid, &u) + noise(), Board: m.Board(&mid) + noise()})
		truth = append(truth, m.Ball(&x))
	}
	return tr, truth
}

func rms(tr *model.Track, truth []float64, f Filter, m *model.Params) float64 {
	sum, n := 0.0, 0.0
	for k := range tr.Samples {
		f.Step(m, &tr.Samples[k])
		if k >= 30 {
			e := f.Ball(m) - truth[k]
			sum, n = sum+e*e, n+1
		}
	}
	return math.Sqrt(sum / n)
}

func TestTheFilterFollowsABoardThatTheModelGetsWrong(t *testing.T) {
	m := board()
	tr, truth := warmed(m, 0.5, 240, model.HasJoint|model.HasBody|model.HasBoard, rand.New(rand.NewPCG(1, 1)))
	if e := rms(tr, truth, New(model.State{25, 25, 25}, DefaultNoise()), &m); e > 0.6 {
		t.Errorf("with the joint thermocouple the balls are known to %.2f °C rms; want 0.6 °C", e)
	}
	free := New(model.State{25, 25, 25}, DefaultNoise())
	for k := range tr.Samples {
		free.Predict(&m, tr.Samples[k].Input)
	}
	if e := math.Abs(free.Ball(&m) - truth[len(truth)-1]); e < 3 {
		t.Errorf("without any reading the model is off by only %.1f °C: the test asks too little", e)
	}
}

func TestPackageTopAndBoardPullTheEstimateTowardsTheTruth(t *testing.T) {
	m := board()
	tr, truth := warmed(m, 0.5, 240, model.HasBody|model.HasBoard, rand.New(rand.NewPCG(2, 1)))
	blind := &model.Track{Samples: append([]model.Sample(nil), tr.Samples...)}
	for k := range blind.Samples {
		blind.Samples[k].Has = model.HasHeat
	}
	with := rms(tr, truth, New(model.State{25, 25, 25}, WithoutJoint()), &m)
	without := rms(blind, truth, New(model.State{25, 25, 25}, WithoutJoint()), &m)
	if !(with < 0.75*without) {
		t.Errorf("package top and board bring the error from %.2f to %.2f °C rms; want less than three quarters", without, with)
	}
}

func TestTheFilterIsLessSureWithoutTheJoint(t *testing.T) {
	m := board()
	f, g := New(model.State{25, 25, 25}, DefaultNoise()), New(model.State{25, 25, 25}, WithoutJoint())
	tr, _ := warmed(m, 0, 120, model.HasJoint|model.HasBody|model.HasBoard, rand.New(rand.NewPCG(3, 1)))
	for k := range tr.Samples {
		s := tr.Samples[k]
		f.Step(&m, &s)
		s.Has &^= model.HasJoint
		g.Step(&m, &s)
	}
	if a, b := f.Deviation(&m), g.Deviation(&m); !(a > 0 && b > a) {
		t.Errorf("deviation %.2f °C with and %.2f °C without the joint thermocouple", a, b)
	}
	if Blind(230, 25, true) >= Blind(230, 25, false) || Stem(100) < 0.5 || Stem(100) > 1.5 {
		t.Error("a lesson must make the estimate surer; 100 °C of excess air over 0…3 % of stem is about 0.9 °C")
	}
}

func TestTheFilterStepAllocatesNothing(t *testing.T) {
	m := board()
	tr, _ := warmed(m, 0, 10, model.HasJoint|model.HasBody|model.HasBoard, rand.New(rand.NewPCG(4, 1)))
	f := New(model.State{25, 25, 25}, DefaultNoise())
	if n := testing.AllocsPerRun(50, func() { f.Step(&m, &tr.Samples[3]) }); n != 0 {
		t.Errorf("%v allocations per step; the tick allows none", n)
	}
}

func TestKinIsToldByStrainAndMisfitOnceThereIsHeat(t *testing.T) {
	m := board()
	tr, _ := warmed(m, 0, 200, model.HasBody|model.HasBoard, rand.New(rand.NewPCG(5, 1)))
	if k := Kin(1.6, 0.4, tr); !k.Kin || k.Distance < 0.8 || k.Distance > 1.2 {
		t.Errorf("a board like half of its kin is at distance %.2f, kin %v", k.Distance, k.Kin)
	}
	if k := KinBlind(8, 0.6, tr); k.Kin || !k.Enough {
		t.Errorf("a board far off is taken for kin at %.2f", k.Distance)
	}
	if k := Kin(4.5, 0.6, tr); !k.Kin {
		t.Errorf("with a joint to look at, %.2f should still do", k.Distance)
	}
	if k := Kin(1, 0.3, &model.Track{Samples: tr.Samples[:20]}); k.Enough || k.Kin {
		t.Error("twenty seconds of hardly any heat are taken for proof")
	}
	if k := Kin(math.NaN(), 0.3, tr); k.Kin {
		t.Error("what is not a number is taken for kin")
	}
}

func BenchmarkFilterStep(b *testing.B) {
	m := board()
	tr, _ := warmed(m, 0, 10, model.HasJoint|model.HasBody|model.HasBoard, rand.New(rand.NewPCG(4, 1)))
	f := New(model.State{25, 25, 25}, DefaultNoise())
	for b.Loop() {
		f.Step(&m, &tr.Samples[3])
	}
}
