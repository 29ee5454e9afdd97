package model

import (
	"math"
	"math/rand/v2"
	"testing"

	"trivet/control"
)

// typical is a 16-layer board with a 50 mm lidded part, as a calliper would tell.
func typical() Facts {
	return Facts{
		BoardX: 0.2, BoardY: 0.25, Thickness: 2.4e-3, Copper: 0.3e-3, PartX: 0.05, PartY: 0.05, Build: Lidded,
		Load: control.Load{Board: 5600, Part: 11000}, Reach: control.Reach{TopH: 100, BottomH: 70, AreaView: 0.35},
		FanTop: 30, FanBottom: 25, SolderHeight: 5e-4, Solidus: 217, Liquidus: 220, Ambient: 25,
	}
}

func TestABoardAtRoomTemperatureStaysThere(t *testing.T) {
	f := typical()
	p := f.Guess()
	x, u := State{25, 25, 25}, Input{Top: 25, Bottom: 25, Area4: fourth(25)}
	for range 600 {
		p.Step(&x, &u, 1)
	}
	for i, v := range x {
		if math.Abs(v-25) > 1e-9 {
			t.Errorf("lump %d drifted to %.12f °C without any heat", i, v)
		}
	}
}

// One lump in a stream of air follows 1−exp(−t/τ), the closed form of a lumped capacity (any heat-transfer textbook).
func TestOneLumpFollowsTheClosedForm(t *testing.T) {
	p := Params{Ambient: 25, HeatTop: 100, HeatJoint: 1e9, HeatRing: 1e9, JetTop: 5, SealTop: 1, MeltWidth: 1}
	x, u := State{25, 25, 25}, Input{Top: 27, Bottom: 25, Area4: fourth(25)}
	for i := range 60 {
		p.Step(&x, &u, 1)
		tau := 100.0 / 5
		want := 25 + 2*(1-math.Exp(-float64(i+1)/tau))
		if math.Abs(x[0]-want) > 2e-3 { // the capacity grows by 0.1 % per kelvin, which the closed form leaves out
			t.Fatalf("after %d s at %.4f °C; the closed form says %.4f °C", i+1, x[0], want)
		}
	}
}

// What flows in must be found again: with nothing lost, the jet's heat equals the rise of capacity times temperature
// plus the latent heat.
func TestHeatIsNeitherMadeNorLost(t *testing.T) {
	p := Params{Ambient: 25, HeatTop: 20, HeatJoint: 60, HeatRing: 200, JetTop: 0.4, SealTop: 1, Across: 3, Along: 2, Latent: 150, Melt: 218, MeltWidth: 2}
	x := State{190, 190, 190}
	u := Input{Top: 400, Bottom: 25, Area4: 0}
	stored := func(x State) float64 {
		at := func(c, t float64) float64 { return c * (t + warmer/2*(t-25)*(t-25)) }
		melted := 1 / (1 + math.Exp(-2*(x[1]-p.Melt)/p.MeltWidth)) // integral of the bump
		return at(p.HeatTop, x[0]) + at(p.HeatJoint, x[1]) + at(p.HeatRing, x[2]) + p.Latent*melted
	}
	before, in := stored(x), 0.0
	const h = 0.1
	for range 6000 {
		mid := x
		p.Step(&mid, &u, h/2)
		in += p.JetTop * (u.Top - mid[0]) * h
		p.Step(&x, &u, h)
	}
	if x[1] < 230 {
		t.Fatalf("the joint only reached %.1f °C: the melting range was not crossed", x[1])
	}
	if got := stored(x) - before; math.Abs(got-in) > 2e-3*in {
		t.Errorf("%.1f J went in, %.1f J are stored", in, got)
	}
}

func TestMeltingTakesTheLatentHeatOnce(t *testing.T) {
	p := Params{Melt: 218.5, MeltWidth: 1.7}
	sum := 0.0
	for c := 150.0; c < 300; c += 0.01 {
		sum += p.melting(c) * 0.01
	}
	if math.Abs(sum-1) > 1e-3 {
		t.Errorf("the melting bump has an area of %.4f; want 1", sum)
	}
}

func TestLinearIsTheSlopeOfStep(t *testing.T) {
	f := typical()
	p := f.Guess()
	x0 := State{120, 110, 100}
	u := Input{Top: 250, Bottom: 230, Area4: fourth(350)}
	var a [9]float64
	x := x0
	p.Linear(&x, &u, 1, &a)
	for c := range 3 {
		up, down := x0, x0
		up[c] += 0.01
		down[c] -= 0.01
		p.Step(&up, &u, 1)
		p.Step(&down, &u, 1)
		for r := range 3 {
			if want := (up[r] - down[r]) / 0.02; math.Abs(a[3*r+c]-want) > 5e-3 { // the slope leaves out that capacities grow
				t.Errorf("entry %d,%d is %.5f; the step says %.5f", r, c, a[3*r+c], want)
			}
		}
	}
}

func TestThinPartsDoNotMakeTheStepUnstable(t *testing.T) {
	f := typical()
	p := f.Guess()
	p.HeatTop, p.Across = 0.2, 20 // settles within a hundredth of the step
	x, u := State{25, 25, 25}, Input{Top: 300, Bottom: 280, Area4: fourth(400)}
	for i := range 300 {
		p.Step(&x, &u, 2)
		if !(x[0] > 20 && x[0] < 320) {
			t.Fatalf("after %d s the top is at %g °C", 2*i, x[0])
		}
	}
}

func TestBallOfUndoesReading(t *testing.T) {
	f := typical()
	p := f.Guess()
	u := Input{Top: 310, Bottom: 300}
	for _, ball := range []float64{30, 150, 240} {
		if got := p.BallOf(p.Reading(ball, 0.7, &u), 0.7, &u); math.Abs(got-ball) > 1e-9 {
			t.Errorf("a ball at %g °C reads back as %g °C", ball, got)
		}
	}
}

// Fans at the share that Fan returns make the joint fall as fast as was wanted, top and joint taken together.
func TestFanCoolsAsFastAsAsked(t *testing.T) {
	f := typical()
	p := f.Guess()
	x, u := State{236, 234, 232}, Input{Top: 150, Bottom: 150, Area4: fourth(230)}
	ct, cb := p.HeatTop*(1+warmer*(x[0]-25)), p.HeatJoint*(1+warmer*(x[1]-25))
	both := func(dx State) float64 { return (dx[0]*ct + dx[1]*cb) / (ct + cb) }
	want := both(p.Rates(x, u)) - 0.4 // faster than by itself
	share, ok := p.Fan(x, u, want)
	if !ok || !(share > 0 && share < 1) {
		t.Fatalf("share %g, known %v; want something between none and all", share, ok)
	}
	u.Wind = math.Pow(share, 0.7)
	if got := both(p.Rates(x, u)); math.Abs(got-want) > 0.02 {
		t.Errorf("falls at %.3f K/s; want %.3f", got, want)
	}
	p.FanTop, p.FanBottom = 0, 0
	if _, ok := p.Fan(x, u, -1); ok {
		t.Error("claims to know fans that nobody described")
	}
}

func TestFactsThatAreNotNumbersAreRefused(t *testing.T) {
	for name, spoil := range map[string]func(*Facts){
		"no board": func(f *Facts) { f.BoardX = 0 }, "not a number": func(f *Facts) { f.Thickness = math.NaN() },
		"part larger than the board": func(f *Facts) { f.PartX = 0.5 }, "infinite load": func(f *Facts) { f.Load.Part = math.Inf(1) },
		"all copper and more": func(f *Facts) { f.Copper = 0.01 }, "frozen room": func(f *Facts) { f.Ambient = -100 },
	} {
		f := typical()
		if !f.Plausible() {
			t.Fatal("the typical board is not plausible")
		}
		if spoil(&f); f.Plausible() {
			t.Errorf("%s passes for a board", name)
		}
	}
}

// Every plausible board must give a model that heats up and stays finite.
func TestEveryGuessIsAModel(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	draw := func(lo, hi float64) float64 { return lo * math.Pow(hi/lo, rng.Float64()) }
	for range 300 {
		f := typical()
		f.BoardX, f.BoardY = draw(0.03, 0.5), draw(0.03, 0.5)
		f.PartX, f.PartY = draw(0.008, f.BoardX), draw(0.008, f.BoardY)
		f.Thickness = draw(8e-4, 4e-3)
		f.Copper = rng.Float64() * 0.4 * f.Thickness
		f.Build = Build(rng.IntN(3))
		if !f.Plausible() {
			continue
		}
		p := f.Guess()
		x, u := State{25, 25, 25}, Input{Top: 200, Bottom: 200, Area4: fourth(300)}
		for range 400 {
			p.Step(&x, &u, 1)
		}
		if !(x[1] > 40 && x[1] < 300 && x[0] > 40 && x[0] < 300 && x[2] > 26 && x[2] < 300) {
			t.Fatalf("after 400 s of heat %+v is at %.1f °C", f, x)
		}
	}
}

func TestStartNeedsOneUsableReading(t *testing.T) {
	tr := Track{Samples: []Sample{{Joint: 20, Body: 30, Has: HasBody}}}
	if x, ok := tr.Start(); !ok || x != (State{30, 30, 30}) {
		t.Errorf("starts at %v, %v; only the package top is usable, at 30 °C", x, ok)
	}
	tr.Samples[0].Has = HasHeat
	if _, ok := tr.Start(); ok {
		t.Error("starts from a track without any board reading")
	}
}

func BenchmarkStep(b *testing.B) {
	f := typical()
	p := f.Guess()
	x, u := State{120, 110, 100}, Input{Top: 250, Bottom: 230, Area4: fourth(350)}
	b.ReportAllocs()
	for b.Loop() {
		y := x
		p.Step(&y, &u, 1)
	}
}
