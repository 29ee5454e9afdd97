package bench

import (
	"context"
	"runtime"
	"sync"
	"testing"

	"trivet/control"
	"trivet/control/full"
	"trivet/process/unit"
	"trivet/sim/fault"
	"trivet/station"
)

// maker builds a law from what every law of the bench is given: zones, budget and what a calliper tells of the board.
type maker func(control.Config) (station.Law, error)

// ride is Run for a law that the catalogue does not have: the same station, guard, chips and plant.
func ride(ctx context.Context, p Parts, build maker) (*Result, error) {
	p.Scenario.Law = "cascade" // of which nothing is used: the law is replaced below
	b, err := Assemble(p, 1)
	if err != nil {
		return nil, err
	}
	ambient := unit.Celsius(p.Scenario.AmbientC)
	zones, known, err := Loops(p.Machine)
	if err == nil && !known {
		zones, err = Commission(p.Machine, p.Board, ambient)
	}
	if err != nil {
		return nil, err
	}
	law, err := build(control.Config{Zones: zones, Budget: unit.Watt(p.Machine.MainsBudgetW), Tuning: control.DefaultTuning(),
		Ambient: ambient, Reach: ReachOf(p.Machine, p.Board), Load: LoadOf(p.Board)})
	if err != nil {
		return nil, err
	}
	b.options.Law = law
	return b.ride(ctx, p)
}

// ride runs the scenario under the law in the bench's options.
func (b *Bench) ride(ctx context.Context, p Parts) (*Result, error) {
	knowing, _ := b.options.Law.(*full.Law)
	w := &walk{thinker: thinker{law: knowing}, b: b, p: p, res: &Result{Channel: station.ChannelsOf(b.Setup), Setup: b.Setup},
		faults: fault.NewTimeline(p.Scenario.Faults)}
	clerk := station.NewClerk(b.Setup, station.NoRecord{}, func(*station.RunOrder) station.RunHead { return station.RunHead{} }, nil)
	b.options.Publish = func(s *station.Snapshot) { w.seen(ctx, s, clerk) }
	var err error
	if b.Station, err = station.New(b.options); err != nil {
		return nil, err
	}
	w.thinker.station = b.Station
	if err := w.all(ctx, nil); err != nil {
		return nil, err
	}
	if v := clerk.Verdict(); v != nil {
		w.res.Verdict = *v
	}
	w.res.Summary = summarise(w, clerk)
	return w.res, nil
}

// spreadOut does n pieces of work on as many goroutines as there are processors, in any order.
func spreadOut(n int, one func(i int)) {
	next := make(chan int)
	var wg sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for i := range next {
				one(i)
			}
		})
	}
	for i := range n {
		next <- i
	}
	close(next)
	wg.Wait()
}

// TestARideIsARun holds the ride to Run: the same law under the same noise gives the same figures.
func TestARideIsARun(t *testing.T) {
	p := lawed(t, "cascade-pid")
	want := run(t, p).Summary
	got, err := ride(t.Context(), p, func(c control.Config) (station.Law, error) {
		tuning, err := p.sample().TuneBare()
		c.Tuning = tuning
		return control.NewBare(c), err
	})
	if err != nil {
		t.Fatal(err)
	}
	if g := got.Summary; value(g.RmsC) != value(want.RmsC) || value(g.PeakC) != value(want.PeakC) || g.Verdict != want.Verdict {
		t.Errorf("rms %v, peak %v, %s; by Run %v, %v, %s", value(g.RmsC), value(g.PeakC), g.Verdict, value(want.RmsC), value(want.PeakC), want.Verdict)
	}
}
