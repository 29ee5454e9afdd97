package rig

import (
	"testing"
	"time"

	"periph.io/x/conn/v3/gpio"

	"trivet/process/unit"
	"trivet/safety"
	"trivet/sim/catalog"
	"trivet/sim/fault"
	"trivet/sim/plant"
)

// analog is a machine with two inputs on one converter, and one chip on SPI.
func analog(t *testing.T) *Rig {
	t.Helper()
	m, err := catalog.Machine("bench-5kw")
	if err != nil {
		t.Fatal(err)
	}
	b, err := catalog.Board("switch-16-layer")
	if err != nil {
		t.Fatal(err)
	}
	r, err := New(m, b, unit.Celsius(25), 1, []Probe{
		{Name: "left", Role: safety.RoleArea, Spot: plant.Bank0, Chip: "ad8495"},
		{Name: "right", Role: safety.RoleArea, Spot: plant.Bank0 + 1, Chip: "ad8495"},
		{Name: "joint", Role: safety.RoleJoint, Spot: plant.Corner, Chip: "max31855"},
		{Name: "top", Role: safety.RolePackageTop, Spot: plant.PackageTop, Chip: "max31856"},
	})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestEachTapDoesToABusWhatItsNameSays(t *testing.T) {
	chip := func(_, r []byte) error {
		copy(r, []byte{0x12, 0x34, 0x56, 0x78})
		return nil
	}
	got := make([]byte, 4)
	if err := shifting(nil, got, chip); err != nil || [4]byte(got) != [4]byte{0x09, 0x1A, 0x2B, 0x3C} {
		t.Errorf("shifted: % x, %v", got, err)
	}
	if err := swapping(nil, got, chip); err != nil || [4]byte(got) != [4]byte{0x34, 0x12, 0x78, 0x56} {
		t.Errorf("swapped: % x, %v", got, err)
	}
	r := analog(t)
	sent := []byte{0x0A, 0}
	flips, calls := 0, 0
	tap := flipping(r.rng, 0.1)
	for range 1000 {
		if err := tap(sent, got, func(w, r []byte) error { calls++; clear(r); return nil }); err != nil {
			t.Fatal(err)
		}
		for _, b := range got {
			for ; b != 0; b &= b - 1 {
				flips++
			}
		}
	}
	if sent[0] != 0x0A || calls != 1000 || flips < 2900 || flips > 3500 {
		t.Errorf("%d flips in 32000 bits at 0.1; sent % x", flips, sent)
	}
	refused := 0
	no := refusing(r.rng, 0.3)
	for range 1000 {
		if no(sent, got, chip) != nil {
			refused++
		}
	}
	if refused < 240 || refused > 360 {
		t.Errorf("%d of 1000 refused at 0.3", refused)
	}
}

func TestABusFaultThatCannotBeIsRefused(t *testing.T) {
	r := analog(t)
	for _, f := range []fault.Fault{
		{Kind: "bus_bit_errors", Target: "joint", Value: 2},
		{Kind: "bus_bit_errors", Target: "joint"},
		{Kind: "bus_late", Target: "joint", Value: -1},
		{Kind: "bus_late", Target: "joint", Value: 20000},
		{Kind: "bus_blocks", Target: "joint", Value: 100}, // nobody watches
		{Kind: "bus_two_answer", Target: "joint", With: "left"},
		{Kind: "converter_channel", Target: "joint", With: "left"},
		{Kind: "converter_channel", Target: "left", With: "joint"},
		{Kind: "contactor_slow", Value: -1},
		{Kind: "nozzle_off", Value: 1000},
		{Kind: "nozzle_gap", Target: "top", Value: 9},
		{Kind: "nozzle_gap", Target: "side", Value: 1},
		{Kind: "board_other", With: "thin-4-layer"},
	} {
		if err := r.Apply(f, true); err == nil {
			t.Errorf("%+v was accepted", f)
		}
	}
}

// TestARelayThatWorksWronglyPassesWhatItsNameSays, with the contactor closed.
func TestARelayThatWorksWronglyPassesWhatItsNameSays(t *testing.T) {
	for _, c := range []struct {
		kind    fault.Kind
		off, on float64 // share of full power while told to be off and on
	}{
		{"relay_half", 0, 0.5}, {"relay_half_stuck", 0.5, 1}, {"relay_inverted", 1, 0},
	} {
		for _, told := range []gpio.Level{gpio.Low, gpio.High} {
			r := analog(t)
			r.closed = true
			if err := r.Apply(fault.Fault{Kind: c.kind, Target: "top"}, true); err != nil {
				t.Fatal(err)
			}
			r.Relays[0].Set(told)
			got, want := 0.0, c.off
			if told {
				want = c.on
			}
			if r.powered(0) {
				got = r.half(0)
			}
			if got != want {
				t.Errorf("%s, told %v: %g of full power, want %g", c.kind, told, got, want)
			}
		}
	}
}

func TestASlowContactorIsSlowBothWays(t *testing.T) {
	r := analog(t)
	if err := r.Apply(fault.Fault{Kind: "contactor_slow", Value: 1}, true); err != nil {
		t.Fatal(err)
	}
	r.holds = true
	var changed [2]time.Duration
	for i, want := range []bool{true, false} {
		r.Enable.Set(gpio.Level(want))
		from := r.now
		for r.closed != want && r.now-from < 3*time.Second {
			r.Advance(r.now + tick)
		}
		changed[i] = r.now - from
	}
	for _, d := range changed {
		if d < 900*time.Millisecond || d > 1200*time.Millisecond {
			t.Errorf("moved after %v and %v; want 1 s", changed[0], changed[1])
			break
		}
	}
}

func TestARigThatHangsGoesOnWithoutItsProgram(t *testing.T) {
	r := analog(t)
	calls := 0
	r.OnHang = func() { calls++ }
	if r.Hang(time.Second); r.Now() != time.Second || calls != 20 {
		t.Errorf("now %v after %d steps", r.Now(), calls)
	}
}
