package haltest

import (
	"errors"
	"testing"

	"periph.io/x/conn/v3/gpio"

	"trivet/hal/expander"
	"trivet/sim/chip"
)

var errGone = errors.New("the bus is gone")

func deadBus(t *testing.T, s LinesSpec) {
	d := outputs(t, s, false)
	d.set(t, 0, true)
	d.Tap.Before(func() error { return errGone })
	d.poll()
	if err := d.bank.Err(); !errors.Is(err, errGone) {
		t.Errorf("after a poll: %v", err)
	}
	for range 3 {
		if err := d.pins[1].Out(gpio.High); !errors.Is(err, errGone) {
			t.Errorf("switched on: %v", err)
		}
	}
	if err := d.pins[0].Out(gpio.Low); !errors.Is(err, errGone) {
		t.Errorf("switched off: %v", err)
	}
	d.Tap.Traffic()
	for range 50 {
		_ = d.pins[0].Out(gpio.Low)
	}
	if n, _ := d.Tap.Traffic(); n > 5 {
		t.Errorf("%d transactions were tried on a dead bus between two polls", n)
	}
	if err := d.bank.Flush(); !errors.Is(err, errGone) {
		t.Errorf("flushed: %v", err)
	}
	d.Tap.Before(nil)
	for range 3 {
		d.poll()
	}
	if err := d.bank.Err(); err != nil || d.lit() != 0 {
		t.Errorf("the bus is back: %v, %d lines on", err, d.lit())
	}
	d.set(t, 1, true)
	if !d.on(1) {
		t.Error("and nothing can be switched on")
	}
}

// The loop hangs in a transaction; the safety goroutine switches off.
func nobodyWaits(t *testing.T, s LinesSpec) {
	d := outputs(t, s, false)
	d.set(t, 0, true)
	d.set(t, 1, true)
	inside, goOn, done := make(chan struct{}), make(chan struct{}), make(chan struct{})
	first := true
	d.Tap.Before(func() error {
		if first {
			first = false
			close(inside)
			<-goOn
		}
		return nil
	})
	go func() {
		defer close(done)
		d.bank.Poll(d.now)
	}()
	<-inside
	if err := d.pins[0].Out(gpio.Low); err == nil {
		t.Error("it says that a line is off which cannot be yet")
	}
	d.bank.Poll(d.now) // returns at once as well
	close(goOn)
	<-done
	if d.on(0) || !d.on(1) {
		t.Errorf("the bus is free again: line 0 is %v, line 1 %v", d.on(0), d.on(1))
	}
}

func lost(t *testing.T, s LinesSpec) {
	d := outputs(t, s, false)
	for i := range d.pins {
		d.set(t, i, true)
	}
	d.Inject(chip.ResetChip)
	d.Inject(chip.None)
	d.poll()
	if err := d.bank.Err(); !errors.Is(err, expander.ErrLost) || d.lit() != 0 {
		t.Fatalf("after the next poll: %v, %d lines on", err, d.lit())
	}
	for range 5 {
		if err := d.pins[0].Out(gpio.High); !errors.Is(err, expander.ErrLost) {
			t.Fatalf("a line of a lost chip was switched on: %v", err)
		}
		if err := d.pins[0].Out(gpio.Low); err != nil {
			t.Fatalf("off: %v", err)
		}
		d.poll()
		if d.lit() != 0 {
			t.Fatalf("%d lines came back by themselves", d.lit())
		}
	}
	n := d.watch(s)
	d.Tap.Before(func() error { return errGone })
	if err := d.bank.Configure(); !errors.Is(err, errGone) || !errors.Is(d.bank.Err(), errGone) {
		t.Errorf("configured on a dead bus: %v", err)
	}
	d.Tap.Before(nil)
	if err := d.bank.Configure(); err != nil {
		t.Fatal(err)
	}
	d.poll()
	if d.bank.Err() != nil || d.lit() != 0 || *n != 0 {
		t.Errorf("configured: %v, %d on, came on %d times", d.bank.Err(), d.lit(), *n)
	}
	d.set(t, 3, true)
	if d.lit() != 1 || !d.on(3) {
		t.Errorf("then %d are on", d.lit())
	}
}

func short(t *testing.T, s LinesSpec) {
	d := outputs(t, s, false)
	on := false
	tick := func() {
		d.poll()
		on = !on
		_, _ = d.pins[0].Out(gpio.Level(on)), d.pins[1].Out(gpio.Level(!on))
	}
	for _, f := range []chip.Fault{chip.None, chip.Dead, chip.AllZeros, chip.AllOnes, chip.ResetChip} {
		d.Inject(f)
		tick()
		if n := testing.AllocsPerRun(100, tick); n != 0 {
			t.Errorf("%v: %v allocations per tick", f, n)
		}
		d.Inject(chip.None)
		if err := d.bank.Configure(); err != nil {
			t.Fatal(err)
		}
	}
	d.poll()
	d.Tap.Traffic()
	d.poll()
	if _, n := d.Tap.Traffic(); n > s.BytesPerPoll {
		t.Errorf("a poll has %d bytes on the bus; %d are promised", n, s.BytesPerPoll)
	}
}
