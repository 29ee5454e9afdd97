package full_test

import (
	"strings"
	"testing"

	"trivet/control"
	"trivet/control/forecast"
	"trivet/control/full"
	"trivet/process"
	"trivet/process/unit"
	"trivet/sim/catalog"
)

// preview plans a shipped board on a shipped machine before any heat.
func preview(t *testing.T, machine, board string, rate float64) (full.Result, full.Config) {
	t.Helper()
	m, err := catalog.Machine(machine)
	if err != nil {
		t.Fatal(err)
	}
	b, err := catalog.Board(board)
	if err != nil {
		t.Fatal(err)
	}
	f := factsOf(m, b)
	c := full.Config{
		Cascade: control.Config{Zones: commission(m, b), Budget: unit.Watt(m.MainsBudgetW), Tuning: control.DefaultTuning(), Ambient: 25, Reach: f.Reach, Load: f.Load},
		Facts:   f, Tuning: full.DefaultTuning(), Body: 247, Board: 265,
	}
	p, err := process.NewPlan(tinLeadFree(rate), 25)
	if err != nil {
		t.Fatal(err)
	}
	return full.Preview(c, p, 25), c
}

func TestASmallMachineDoubtsAHeavyBoardBeforeAnyHeat(t *testing.T) {
	r, _ := preview(t, "kitchen-1k4", "server-24-layer", 0.5)
	if r.Err != nil {
		t.Fatal(r.Err)
	}
	found := false
	for _, why := range r.Forecast.Reasons {
		t.Log(why.Text, why.Remedy)
		switch why.Code {
		case forecast.PeakLow, forecast.PeakLowMaybe, forecast.HeatLong, forecast.BodyHot: // which of them depends on where the plan gives way
			found = found || (strings.Contains(why.Text, "°C") && why.Remedy != "")
		}
	}
	if !found {
		t.Errorf("a 1.4 kW machine sees no trouble with a backplane card: %+v", r.Forecast.Peak)
	}
}

func TestAPlanKeepsToTheMainsBudgetAndStretchesForIt(t *testing.T) {
	r, c := preview(t, "kitchen-1k4", "handset-10-layer", 0.7)
	if r.Err != nil {
		t.Fatal(r.Err)
	}
	// Only what is followed before the next plan counts: minutes ahead a first plan on a machine this weak still passes the
	// budget by some ten percent. The budget itself is kept by the sharing, in every tick.
	for i, w := range r.Schedule.Load[:120] {
		if w > 1.06*float64(c.Cascade.Budget) {
			t.Fatalf("the plan draws %.0f W after %d s; the budget is %v", w, i, c.Cascade.Budget)
		}
	}
	rich, _ := preview(t, "bench-5kw", "handset-10-layer", 0.7)
	if !(r.Forecast.Slower > rich.Forecast.Slower) {
		t.Errorf("with 1.4 kW the profile is stretched by %.0f s, with 5.2 kW by %.0f s; want more with less", r.Forecast.Slower, rich.Forecast.Slower)
	}
}
