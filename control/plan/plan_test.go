package plan

import (
	"math"
	"testing"
	"time"

	"trivet/control"
	"trivet/control/model"
)

// problem is a 50 mm part on a 16-layer board under heaters of 1.2 + 1.0 + 3.0 kW, to be taken up a ramp and held.
func problem(rate, peak float64) *Problem {
	f := model.Facts{
		BoardX: 0.2, BoardY: 0.25, Thickness: 2.4e-3, Copper: 0.3e-3, PartX: 0.05, PartY: 0.05, Build: model.Lidded,
		Load: control.Load{Board: 5600, Part: 11000}, Reach: control.Reach{TopH: 100, BottomH: 70, AreaView: 0.35},
		SolderHeight: 5e-4, Solidus: 217, Liquidus: 220, Ambient: 25,
	}
	p := &Problem{
		Params: f.Guess(), State: model.State{25, 25, 25}, Now: [Groups]float64{25, 25, 25}, Fade: 60, Budget: 5200, Horizon: 300,
		Heaters: [Groups]Heater{
			{Rated: 1200, Ceiling: 400, Gain: 385, Inertia: 0.17},
			{Rated: 1000, Ceiling: 400, Gain: 348, Inertia: 0.16},
			{Rated: 3000, Ceiling: 520, Gain: 9e11, Inertia: 0.3},
		},
	}
	reach := (peak - 25) / rate
	for i := range 300 {
		t := float64(i)
		at := t - 15
		if t < 30 {
			at = t * t / 60
		}
		p.Target = append(p.Target, 25+rate*math.Min(reach, math.Max(0, at)))
	}
	return p
}

func solved(t testing.TB, p *Problem) *Schedule {
	t.Helper()
	s, err := Solve(p)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestAFeasibleRampIsFollowed(t *testing.T) {
	s := solved(t, problem(0.5, 150))
	if s.Miss > 0.8 || s.Worst > 2.5 {
		t.Errorf("misses by %.2f °C rms and lags by up to %.2f °C", s.Miss, s.Worst)
	}
}

// What a plan promises must be what the model does under it.
func TestThePlanPromisesWhatTheModelDoes(t *testing.T) {
	p := problem(0.5, 150)
	s := solved(t, p)
	x := p.State
	for i := range s.Len() - 1 {
		if d := math.Abs(s.Ball[i] - p.Params.Ball(&x)); d > 0.5 { // knots lie between seconds
			t.Fatalf("second %d: promised %.2f °C, the model is at %.2f °C", i, s.Ball[i], p.Params.Ball(&x))
		}
		var c [Groups]float64
		for g := range Groups {
			c[g] = s.Set[g][i] + p.lead(g, s.Set[g][i+1]-s.Set[g][i])
		}
		u := model.Input{Top: c[Top], Bottom: c[Bottom], Area4: fourth(c[Area])}
		p.Params.Step(&x, &u, 1)
	}
}

func TestAPlanKeepsWithinHeatersBudgetPartAndBoard(t *testing.T) {
	p := problem(0.9, 230)
	p.Budget, p.Body, p.Board = 4000, 240, 238
	s := solved(t, p)
	for i := range s.Len() {
		for g := range Groups {
			if !(s.Set[g][i] <= p.Heaters[g].Ceiling+0.01 && s.Set[g][i] >= 20) {
				t.Fatalf("second %d: group %d at %.1f °C; allowed up to %.0f °C", i, g, s.Set[g][i], p.Heaters[g].Ceiling)
			}
			if i > 0 {
				if d := p.duty(g, s.Set[g][i], s.Set[g][i]-s.Set[g][i-1]); d > 1.12 || d < -0.1 {
					t.Fatalf("second %d: group %d needs a duty of %.2f", i, g, d)
				}
			}
		}
		if s.Load[i] > 4000*1.02 {
			t.Fatalf("second %d: draws %.0f W of 4000 W", i, s.Load[i])
		}
		if s.Body[i] > 242 || s.Board[i] > 240 {
			t.Fatalf("second %d: package top %.1f °C of 240, board %.1f °C of 238", i, s.Body[i], s.Board[i])
		}
	}
}

func TestAProfileTheMachineCannotFollowIsStretchedByTheLeast(t *testing.T) {
	able, unable := problem(0.5, 180), problem(0.5, 180)
	able.Breaks, unable.Breaks = []float64{310}, []float64{310}
	for g := range Groups {
		unable.Heaters[g].Rated *= 0.45
		unable.Heaters[g].Gain *= 0.45
		unable.Heaters[g].Inertia /= 0.45
	}
	a, b := solved(t, able), solved(t, unable)
	if a.Pace[0] < 0.95 {
		t.Errorf("a machine that can follow is slowed to %.2f", a.Pace[0])
	}
	if b.Pace[0] > 0.9 || b.Pace[0] < leastPace {
		t.Errorf("a machine with less than half the power walks at %.2f; want slower, but not below %.1f", b.Pace[0], leastPace)
	}
	if b.Worst > 8 {
		t.Errorf("although stretched to %.2f the joint lags by %.1f °C", b.Pace[0], b.Worst)
	}
}

func TestAMachineWithoutAreaHeatersIsPlannedToo(t *testing.T) {
	p := problem(0.3, 120)
	p.Heaters[Area] = Heater{}
	s := solved(t, p)
	if top := s.Set[Area][s.Len()-1]; math.Abs(top-25) > 1 {
		t.Errorf("heaters that are not there are sent to %.0f °C", top)
	}
}

func TestWhatIsNotNumbersIsRefused(t *testing.T) {
	for name, spoil := range map[string]func(*Problem){
		"state": func(p *Problem) { p.State[1] = math.NaN() }, "now": func(p *Problem) { p.Now[Top] = math.NaN() },
		"gain": func(p *Problem) { p.Heaters[Bottom].Gain = 0 }, "short": func(p *Problem) { p.Horizon = 5 },
		"target": func(p *Problem) { p.Target[40] = math.NaN() }, "capacity": func(p *Problem) { p.Params.HeatJoint = math.Inf(1) },
		"ceiling": func(p *Problem) { p.Heaters[Area].Ceiling = math.NaN() },
	} {
		p := problem(0.5, 150)
		spoil(p)
		s, err := Solve(p)
		if err != nil {
			continue
		}
		for g := range Groups {
			for i, v := range s.Set[g] {
				if math.IsNaN(v) || math.IsInf(v, 0) {
					t.Fatalf("%s: second %d of group %d is %g", name, i, g, v)
				}
			}
		}
	}
}

func TestAScheduleIsReadBetweenItsSeconds(t *testing.T) {
	s := &Schedule{Begin: 10 * time.Second, Reading: []float64{100, 102}, Ball: []float64{100, 101}, Walk: []float64{1, 0.5}}
	for g := range Groups {
		s.Set[g] = []float64{200, 210}
	}
	for at, want := range map[float64]float64{0: 200, 10: 200, 10.5: 205, 11: 210, 99: 210} {
		set, rate, _ := s.At(time.Duration(at * float64(time.Second)))
		if math.Abs(set[Top]-want) > 1e-9 {
			t.Errorf("at %g s the top is to be at %.1f °C; want %.1f °C", at, set[Top], want)
		}
		if at >= 11 && rate[Top] != 0 {
			t.Errorf("after its end the schedule still moves at %.2f K/s", rate[Top])
		}
	}
	if n := testing.AllocsPerRun(20, func() { s.At(10500 * time.Millisecond) }); n != 0 {
		t.Errorf("%v allocations per look; the tick allows none", n)
	}
}

func BenchmarkSolveFromNowhere(b *testing.B) {
	p := problem(0.6, 180)
	for b.Loop() {
		solved(b, p)
	}
}

func BenchmarkSolveFromTheLastPlan(b *testing.B) {
	p := problem(0.6, 180)
	p.Warm = solved(b, p)
	for b.Loop() {
		solved(b, p)
	}
}
