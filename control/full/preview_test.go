package full_test

import (
	"strings"
	"testing"
	"time"

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
		Facts:   f, Tuning: full.DefaultTuning(), Body: 247, Board: 255, Window: window,
	}
	p, err := process.NewPlan(tinLeadFree(rate), 25)
	if err != nil {
		t.Fatal(err)
	}
	return full.Preview(c, p, 25), c
}

func TestASmallMachineRefusesAHeavyBoardBeforeAnyHeat(t *testing.T) {
	r, _ := preview(t, "kitchen-1k4", "server-24-layer", 0.5)
	if r.Err != nil {
		t.Fatal(r.Err)
	}
	t.Log(r.Forecast.Peak, r.Forecast.Slower, r.Forecast.Lag, r.Forecast.Binding)
	if r.Forecast.Go {
		t.Error("a 1.4 kW machine said it can reflow a backplane card")
	}
	found := false
	for _, why := range r.Forecast.Reasons {
		t.Log(why.Text, why.Remedy)
		found = found || (why.Stops && why.Code == forecast.PeakLow && why.Remedy != "" && strings.Contains(why.Text, "°C"))
	}
	if !found {
		t.Error("the refusal does not name the peak and a remedy")
	}
}

func TestAPlanKeepsToTheMainsBudgetAndStretchesForIt(t *testing.T) {
	r, c := preview(t, "kitchen-1k4", "handset-10-layer", 0.7)
	if r.Err != nil {
		t.Fatal(r.Err)
	}
	for i, w := range r.Schedule.Load {
		if w > 1.02*float64(c.Cascade.Budget) {
			t.Fatalf("the plan draws %.0f W after %d s; the budget is %v", w, i, c.Cascade.Budget)
		}
	}
	t.Log(r.Forecast.Peak, r.Forecast.Slower, r.Forecast.Lag, r.Forecast.Binding, r.Schedule.Pace)
	for _, why := range r.Forecast.Reasons {
		t.Log(why.Text, why.Remedy)
	}
	rich, _ := preview(t, "bench-5kw", "handset-10-layer", 0.7)
	if !(r.Forecast.Slower > rich.Forecast.Slower) {
		t.Errorf("with 1.4 kW the profile is stretched by %.0f s, with 5.2 kW by %.0f s; want more with less", r.Forecast.Slower, rich.Forecast.Slower)
	}
	_ = time.Second
}
