package bench

import (
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"trivet/control"
	"trivet/control/steptest"
	"trivet/process/unit"
	"trivet/sim/catalog"
	"trivet/sim/fault"
	"trivet/sim/plant"
	"trivet/station"
)

// commissioner runs one commissioning on a simulated machine with the real station, on virtual time.
type commissioner struct {
	b    *Bench
	now  time.Duration
	snap station.Snapshot
	text map[string]bool // sentences' meanings that were seen
	hot  unit.Celsius    // hottest true temperature of the board
}

func newCommissioner(t *testing.T, machine string, rewire func(h *station.Hardware), faults ...fault.Fault) *commissioner {
	t.Helper()
	s, err := catalog.ScenarioNamed("removal-50mm-full")
	if err != nil {
		t.Fatal(err)
	}
	p := Parts{Scenario: s}
	if p.Machine, err = catalog.Machine(machine); err != nil {
		t.Fatal(err)
	}
	if p.Board, err = catalog.Board("switch-16-layer"); err != nil { // a scrap board
		t.Fatal(err)
	}
	if p.Profile, err = catalog.Profile(s.Profile); err != nil {
		t.Fatal(err)
	}
	return commissionerOn(t, p, rewire, faults...)
}

// commissionerOn is newCommissioner for given parts.
func commissionerOn(t *testing.T, p Parts, rewire func(h *station.Hardware), faults ...fault.Fault) *commissioner {
	t.Helper()
	b, err := Assemble(p, 1)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range faults {
		if err := b.Rig.Apply(f, true); err != nil {
			t.Fatal(err)
		}
	}
	if rewire != nil {
		rewire(&b.options.Hardware)
	}
	c := &commissioner{b: b, text: map[string]bool{}}
	b.options.Publish = func(s *station.Snapshot) { c.snap = *s }
	if b.Station, err = station.New(b.options); err != nil {
		t.Fatal(err)
	}
	c.run(warmUp, nil)
	return c
}

// run lets time pass; after every tick act may do something.
func (c *commissioner) run(d time.Duration, act func()) {
	for end := c.now + d; c.now < end; {
		c.now += station.Period
		c.b.Rig.Advance(c.now)
		c.b.Station.Tick(c.now, 0)
		_, meaning := station.Sentence(&c.snap, c.b.Setup)
		c.text[meaning] = true
		truth := c.b.Rig.Plant.Truth()
		c.hot = max(c.hot, unit.Celsius(c.b.Rig.Plant.Sensed(plant.BoardNear)), unit.Celsius(truth.ColdestJoint))
		if act != nil {
			act()
		}
	}
}

// start begins the run and returns the refusal, if any.
func (c *commissioner) start(t *testing.T) error {
	t.Helper()
	var refused error
	if err := c.b.Station.Post(station.Command{Event: station.Start, Order: station.CommissionOrder("tester"), By: "tester"}, func(err error) { refused = err }); err != nil {
		t.Fatal(err)
	}
	c.run(station.Period, nil)
	return refused
}

// whole runs a commissioning to its end and returns how long it took.
func (c *commissioner) whole(t *testing.T, act func()) time.Duration {
	t.Helper()
	if err := c.start(t); err != nil {
		t.Fatal(err)
	}
	from := c.now
	for c.snap.State.Live() {
		if c.now-from > 2*time.Hour {
			t.Fatal("it does not end")
		}
		c.run(station.Period, act)
	}
	return c.now - from
}

// What the step test may differ by from the stored loops of the shipped machines (sim/bench/loops), which were read off the plant
// itself without noise. A head has settled when either test ends. An area heater has in neither: the stored gain is what the reading after 400 s
// comes to, the step test's what its balance would settle at, and so it is compared with where the plant does settle.
const (
	gainAgrees    = 0.04
	inertiaAgrees = 0.06
	settledAgrees = 0.12
	longestTest   = 30 * time.Minute
)

func TestAHealthyMachineIsCommissioned(t *testing.T) {
	for _, name := range catalog.Machines() {
		c := newCommissioner(t, name, nil)
		took := c.whole(t, nil)
		m := c.snap.Commission.Measured
		if c.snap.State != station.Complete || c.snap.Ended.Code != "commissioned" || m == nil || !m.Whole || !m.Layers {
			t.Fatalf("%s: ended %+v after %v, measured: %v", name, c.snap.Ended, took, m != nil)
		}
		got := station.Conclude(c.b.Setup, m)
		for _, f := range got.Findings {
			t.Errorf("%s: %s %s", name, f.Text, f.Do)
		}
		zones, ok := got.Zones(c.b.Setup)
		if !ok {
			t.Fatalf("%s: loops are missing: %+v", name, got.Loops)
		}
		if took > longestTest {
			t.Errorf("%s: it took %v; at most %v", name, took, longestTest)
		}
		t.Logf("%s: %v of machine time, the board at most %v", name, took.Round(time.Second), c.hot)
		compareLoops(t, c, zones, got.Loops)
		for _, n := range got.Noise {
			if !n.Known || !(n.KRMS >= 0.05 && n.KRMS <= 0.4) { // the rig makes 0.1 to 0.2 K, and a multiplexed input quantises
				t.Errorf("%s: noise of %s is %.3f K from %d samples", name, n.Sensor, n.KRMS, n.Samples)
			}
		}
		for _, b := range got.Blowers {
			if !b.Proven || !(b.CameS > 0 && b.CameS < 3 && b.WentS > 0 && b.WentS < 3) {
				t.Errorf("%s: %+v", name, b)
			}
		}
		if !got.Layers.Tested || !got.Layers.Mirror || len(got.Layers.Senses) != len(zones) {
			t.Errorf("%s: layers %+v", name, got.Layers)
		}
	}
}

// compareLoops holds every loop against the stored one, and area heaters against the settled plant.
func compareLoops(t *testing.T, c *commissioner, zones []control.Zone, loops []station.LoopMeasured) {
	t.Helper()
	want, _, err := Loops(c.b.Rig.Machine)
	if err != nil {
		t.Fatal(err)
	}
	off := func(x, y float64) float64 { return x/y - 1 }
	for i, z := range zones {
		l, gain, agrees := loops[i], want[i].Gain, gainAgrees
		if z.Kind == control.Area {
			gain, agrees = settledGain(t, c, i), settledAgrees
		}
		t.Logf("  %-7s gain %+.1f %%, inertia %+.1f %%, kp %+.1f %%; fit %.2f K rms over %.0f K; slope %.2f K/s, needs %.1f of %.0f K; band %.0f K",
			l.Heater, 100*off(z.Gain, gain), 100*off(z.Inertia, want[i].Inertia), 100*off(z.Kp, want[i].Kp), l.FitRMSK, l.RiseK, l.SlopeKPerS, l.NeedsK, l.MarginK, l.BandK)
		if math.Abs(off(z.Gain, gain)) > agrees || math.Abs(off(z.Inertia, want[i].Inertia)) > inertiaAgrees || math.Abs(off(z.Kp, want[i].Kp)) > inertiaAgrees || z.Ti != want[i].Ti {
			t.Errorf("%s: %+v; want gain %.4g, and %+v", l.Heater, z, gain, want[i])
		}
		if !(l.NeedsK < l.MarginK) {
			t.Errorf("%s: %+v has no margin", l.Heater, l)
		}
	}
}

// settledGain is what the plant's emitter i comes to when nobody ends the step: its gain by the definition of control.Zone.
func settledGain(t *testing.T, c *commissioner, i int) float64 {
	t.Helper()
	p, err := plant.New(c.b.Rig.Machine, c.b.Rig.Board, 22)
	if err != nil {
		t.Fatal(err)
	}
	const duty = 0.4
	d := plant.Drive{Mains: 1, Blower: [2]float64{1, 1}}
	d.Heater[i] = duty
	for range 20 * 600 {
		p.Step(100*time.Millisecond, d)
	}
	hot, room := p.Sensed(plant.Bank0+plant.Spot(i-2))+unit.ZeroCelsiusInKelvin, 22+unit.ZeroCelsiusInKelvin
	return (math.Pow(hot, 4) - math.Pow(room, 4)) / duty
}

func TestCommissioningFindsWhatIsWrong(t *testing.T) {
	swapAir := func(h *station.Hardware) { h.Air[0], h.Air[1] = h.Air[1], h.Air[0] }
	swapBlowers := func(h *station.Hardware) { h.Blowers[0], h.Blowers[1] = h.Blowers[1], h.Blowers[0] }
	for _, x := range []struct {
		name, machine string
		rewire        func(h *station.Hardware)
		fault         fault.Fault
		code          string
		says          []string // in the sentence that ends the run
		finds         int
	}{
		{"swapped area relays", "bench-5kw", nil, fault.Fault{Kind: "relay_swapped", Target: "left", With: "right"}, "commission:crossed", []string{"Area left", "Area right"}, 2},
		{"swapped heads", "bench-5kw", nil, fault.Fault{Kind: "relay_swapped", Target: "top", With: "bottom"}, "commission:crossed", []string{"Top air", "Bottom air"}, 2},
		{"head and area swapped", "kitchen-1k4", nil, fault.Fault{Kind: "relay_swapped", Target: "top", With: "left"}, "commission:crossed", []string{"Top air", "Area left"}, 1},
		{"swapped area relays on the small machine", "kitchen-1k4", nil, fault.Fault{Kind: "relay_swapped", Target: "right", With: "left"}, "commission:crossed", []string{"Area left", "Area right"}, 2},
		{"swapped couples", "kitchen-1k4", nil, fault.Fault{Kind: "sensor_swapped", Target: "nozzle-top", With: "nozzle-bottom"}, "commission:crossed", []string{"Top air", "Bottom air"}, 2},
		{"dead blower", "bench-5kw", nil, fault.Fault{Kind: "blower_dead", Target: "bottom"}, "commission:blower_dead", []string{"Bottom blower"}, 1},
		{"swapped blower proofs", "bench-5kw", swapAir, fault.Fault{}, "commission:air_crossed", []string{"Top blower", "bottom blower"}, 2},
		{"swapped blowers", "kitchen-1k4", swapBlowers, fault.Fault{}, "commission:air_crossed", []string{"Top blower", "bottom blower"}, 2},
		{"air contact stuck", "kitchen-1k4", nil, fault.Fault{Kind: "blower_dead_unseen", Target: "top"}, "commission:air_always", []string{"Top blower"}, 1},
		{"noisy", "bench-5kw", nil, fault.Fault{Kind: "sensor_noise", Target: "nozzle-top", Value: 2}, "commission:noisy", []string{"Top air"}, 1},
		{"no answer of its own", "bench-5kw", nil, fault.Fault{Kind: "sensor_gain", Target: "area-left", Value: 0.02}, "commission:deaf", []string{"Area left"}, 1},
		{"no answer of a head", "kitchen-1k4", nil, fault.Fault{Kind: "sensor_gain", Target: "nozzle-top", Value: 0.02}, "commission:deaf", []string{"Top air"}, 1},
		{"an open element behind a load sense", "kitchen-1k4", nil, fault.Fault{Kind: "relay_stuck_off", Target: "left"}, "trip:start_relay_dead", []string{"Area left"}, 0},
		{"a relay that is stuck on", "kitchen-1k4", nil, fault.Fault{Kind: "relay_stuck_on", Target: "left"}, "trip:start_relay_stuck", []string{"Area left"}, 0},
	} {
		var faults []fault.Fault
		if x.fault.Kind != "" {
			faults = append(faults, x.fault)
		}
		c := newCommissioner(t, x.machine, x.rewire, faults...)
		took := c.whole(t, nil)
		e, m := c.snap.Ended, c.snap.Commission.Measured
		t.Logf("%s: %v, %s: %s", x.name, took.Round(time.Second), e.Code, e.Reason)
		if e.Code != x.code || m == nil || len(m.Result.Findings) != x.finds {
			t.Errorf("%s: %+v, %+v; want %s and %d findings", x.name, e, m, x.code, x.finds)
			continue
		}
		for _, word := range x.says {
			if !strings.Contains(e.Reason, word) {
				t.Errorf("%s: %q does not name %s", x.name, e.Reason, word)
			}
		}
		if got := station.Conclude(c.b.Setup, m); len(got.Loops) != 0 || len(got.Findings) != x.finds {
			t.Errorf("%s: concluded %+v", x.name, got)
		}
		if took > 4*time.Minute {
			t.Errorf("%s: it took %v to be found", x.name, took)
		}
	}
}

// inStep lets a commissioning come to the step test of a heater at real heat, and calls act there once.
func inStep(t *testing.T, c *commissioner, heater int, act func()) {
	t.Helper()
	if err := c.start(t); err != nil {
		t.Fatal(err)
	}
	for !(c.snap.Commission.Step == steptest.Stepping && c.snap.Commission.Heater == heater && c.snap.Heaters[heater].Duty > 0) {
		if c.run(station.Period, nil); !c.snap.State.Live() {
			t.Fatalf("it has ended: %+v", c.snap.Ended)
		}
	}
	c.run(30*time.Second, nil)
	act()
}

func TestStopInMidStepEndsTheHeatAndKeepsNothing(t *testing.T) {
	c := newCommissioner(t, "kitchen-1k4", nil)
	inStep(t, c, 1, func() { c.b.Station.Stop("somebody") })
	c.run(station.Period, nil)
	for i, r := range c.b.Rig.Relays {
		if bool(r.Level()) {
			t.Errorf("relay %d is on after Stop", i)
		}
	}
	c.run(10*time.Second, nil)
	m := c.snap.Commission.Measured
	if c.snap.State != station.Stopped || m == nil || m.Whole || !c.snap.Blowers[1].On {
		t.Errorf("%s, measured %+v, blower on: %v", c.snap.State, m, c.snap.Blowers[1].On)
	}
	if got := station.Conclude(c.b.Setup, m); len(got.Loops) != 0 {
		t.Errorf("a stopped run has measured %+v", got.Loops)
	}
	c.run(10*time.Minute, nil) // the heads cool, then the air stops
	if c.snap.Blowers[1].On {
		t.Error("the blower still runs")
	}
	if c.whole(t, nil); c.snap.State != station.Complete {
		t.Errorf("it does not begin again: %+v", c.snap.Ended)
	}
}

func TestATripInMidStepEndsTheHeatAndKeepsNothing(t *testing.T) {
	c := newCommissioner(t, "bench-5kw", nil)
	inStep(t, c, 2, func() {
		if err := c.b.Rig.Apply(fault.Fault{Kind: "interlock_open", Target: "door"}, true); err != nil {
			t.Fatal(err)
		}
	})
	c.run(2*station.Period, nil)
	for i, r := range c.b.Rig.Relays {
		if bool(r.Level()) {
			t.Errorf("relay %d is on with the door open", i)
		}
	}
	c.run(10*time.Second, nil)
	if m := c.snap.Commission.Measured; c.snap.State != station.Aborted || c.snap.Ended.Code != "trip:door" || m == nil || m.Whole {
		t.Errorf("%s: %+v, %+v", c.snap.State, c.snap.Ended, m)
	}
}

func TestAnExtractionThatFailsForAMomentRepeatsTheStep(t *testing.T) {
	c := newCommissioner(t, "kitchen-1k4", nil)
	open := fault.Fault{Kind: "interlock_open", Target: "extraction"}
	inStep(t, c, 3, func() {
		_ = c.b.Rig.Apply(open, true)
		c.run(5*time.Second, nil)
		_ = c.b.Rig.Apply(open, false)
	})
	for c.snap.State.Live() {
		c.run(station.Period, nil)
	}
	if c.snap.State != station.Complete {
		t.Fatalf("%+v", c.snap.Ended)
	}
	got := station.Conclude(c.b.Setup, c.snap.Commission.Measured)
	if len(got.Findings) != 0 || len(got.Loops) != 4 {
		t.Errorf("%+v", got)
	}
}

func TestNoCommissioningStartsOnAMachineThatIsNotReady(t *testing.T) {
	c := newCommissioner(t, "kitchen-1k4", nil, fault.Fault{Kind: "interlock_open", Target: "door"})
	if err := c.start(t); err == nil || !strings.Contains(err.Error(), "Guard door is open") {
		t.Errorf("%v", err)
	}
	if c.snap.Commission.Startable {
		t.Error("it is said to be startable")
	}
	// Joint and package top may be bare: an empty deck has neither.
	c = newCommissioner(t, "kitchen-1k4", nil, fault.Fault{Kind: "sensor_open", Target: "joint-corner"}, fault.Fault{Kind: "sensor_open", Target: "package-top"})
	if !c.snap.Commission.Startable {
		t.Error("an empty deck cannot be commissioned")
	}
	if err := c.start(t); err != nil {
		t.Error(err)
	}
}

// TestNoDrawnMachineIsRefused commissions machines on drawn days, with drawn scrap boards and the noise of the control goals' upper end. TRIVET_COMMISSIONINGS=N
// draws N of each machine.
func TestNoDrawnMachineIsRefused(t *testing.T) {
	n := 2
	if v, err := strconv.Atoi(os.Getenv("TRIVET_COMMISSIONINGS")); err == nil && v > 0 {
		n = v
	}
	for _, name := range catalog.Machines() {
		worst, longest := map[control.Kind]float64{}, time.Duration(0)
		for i := range n {
			s, err := catalog.ScenarioNamed("removal-50mm-full")
			if err != nil {
				t.Fatal(err)
			}
			s.Seed = int64(i + 1)
			p := Parts{Scenario: s, Noise: 0.25}
			if p.Machine, err = catalog.Machine(name); err != nil {
				t.Fatal(err)
			}
			p = Draw(p, 4711, i)
			c := commissionerOn(t, p, nil)
			longest = max(longest, c.whole(t, nil))
			m := c.snap.Commission.Measured
			if c.snap.State != station.Complete {
				t.Errorf("%s, draw %d: %+v", name, i, c.snap.Ended)
				continue
			}
			got := station.Conclude(c.b.Setup, m)
			for _, f := range got.Findings {
				t.Errorf("%s, draw %d: %s %s", name, i, f.Code, f.Text)
			}
			want, _, err := Loops(p.Machine)
			if err != nil {
				t.Fatal(err)
			}
			zones, _ := got.Zones(c.b.Setup)
			for k, z := range zones {
				worst[z.Kind] = math.Max(worst[z.Kind], math.Abs(z.Inertia/want[k].Inertia-1))
				if got.Loops[k].BandK > 2*60 {
					t.Errorf("%s, draw %d: %+v", name, i, got.Loops[k])
				}
			}
		}
		t.Logf("%s: %d draws, %v at most, inertia off by %.1f %% (top), %.1f %% (bottom), %.1f %% (area) at most", name, n, longest.Round(time.Second), 100*worst[control.TopAir], 100*worst[control.BottomAir], 100*worst[control.Area])
	}
}

func TestEverySwappedPairOfRelaysIsFound(t *testing.T) {
	found := 0
	for _, name := range catalog.Machines() {
		s, err := catalog.ScenarioNamed("removal-50mm-full")
		if err != nil {
			t.Fatal(err)
		}
		p := Parts{Scenario: s}
		if p.Machine, err = catalog.Machine(name); err != nil {
			t.Fatal(err)
		}
		names := p.Machine.HeaterNames()
		for a := range names {
			for b := range a {
				drawn := Draw(p, 815, found)
				c := commissionerOn(t, drawn, nil, fault.Fault{Kind: "relay_swapped", Target: names[a], With: names[b]})
				took := c.whole(t, nil)
				e := c.snap.Ended
				if e.Code != "commission:crossed" || !strings.Contains(e.Reason, heaterLabel(names[a])) || !strings.Contains(e.Reason, heaterLabel(names[b])) || took > 4*time.Minute {
					t.Errorf("%s, %s and %s: %+v after %v", name, names[a], names[b], e, took)
					continue
				}
				found++
			}
		}
	}
	t.Logf("%d pairs, each on a drawn machine", found)
}
