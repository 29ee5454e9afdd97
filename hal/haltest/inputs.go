package haltest

import (
	"testing"

	"periph.io/x/conn/v3/gpio"

	"trivet/sim/chip"
)

// runInputs runs the promises of lines that are inputs.
func runInputs(t *testing.T, s LinesSpec, c *Card) {
	c.promise(t, "an input reads what the wire was at in the last poll", func(t *testing.T) { readsWire(t, s) })
	c.promise(t, "without a good poll an input reads as an open contact", func(t *testing.T) { openUnlessSeen(t, s) })
	c.promise(t, "a contact that would read closed on a broken wire is refused", func(t *testing.T) { brokenWire(t, s) })
	c.promise(t, "inputs are not disturbed by outputs beside them", func(t *testing.T) { besideOutputs(t, s) })
}

// contact opens line i as an input that is active where the chip allows it, and says which level that is.
func contact(t *testing.T, d *deck, i int) (p gpio.PinIn, active gpio.Level) {
	t.Helper()
	p, err := d.bank.In(i)
	if err != nil {
		t.Fatal(err)
	}
	pull := gpio.PullDown
	if active = gpio.High; d.spec.PulledUp {
		pull, active = gpio.PullUp, gpio.Low
	}
	if err := p.In(pull, gpio.NoEdge); err != nil {
		t.Fatal(err)
	}
	if p.Pull() != pull || p.DefaultPull() != gpio.PullNoChange || p.WaitForEdge(0) || p.Halt() != nil {
		t.Errorf("pull %v", p.Pull())
	}
	return p, active
}

func bare(t *testing.T, s LinesSpec) *deck {
	t.Helper()
	d := &deck{LinesBench: s.New(t), spec: s}
	b, err := d.Open(false)
	if err != nil {
		t.Fatal(err)
	}
	d.bank = b
	return d
}

func readsWire(t *testing.T, s LinesSpec) {
	d := bare(t, s)
	for i := range s.Lines {
		p, active := contact(t, d, i)
		for _, l := range []gpio.Level{active, !active, active, !active} {
			d.Wire(i).Set(l)
			was := p.Read()
			d.poll()
			if p.Read() != l {
				t.Fatalf("line %d: wire at %v, reads %v", i, l, p.Read())
			}
			d.Wire(i).Set(!l)
			if p.Read() != l {
				t.Fatalf("line %d changed without a poll, before it was %v", i, was)
			}
		}
	}
}

func openUnlessSeen(t *testing.T, s LinesSpec) {
	d := bare(t, s)
	p, active := contact(t, d, 2)
	d.Wire(2).Set(active)
	if p.Read() == active {
		t.Error("closed before anybody has looked")
	}
	d.poll()
	if p.Read() != active {
		t.Fatal("open after a poll of a closed contact")
	}
	d.Inject(chip.Dead)
	d.poll()
	if p.Read() == active {
		t.Error("closed, and nobody answers")
	}
	d.Inject(chip.None)
	for range 2 {
		d.poll()
	}
	if p.Read() != active || d.bank.Err() != nil {
		t.Errorf("the chip is back: %v, %v", p.Read(), d.bank.Err())
	}
}

func brokenWire(t *testing.T, s LinesSpec) {
	d := bare(t, s)
	p, err := d.bank.In(0)
	if err != nil {
		t.Fatal(err)
	}
	if err := p.In(gpio.PullDown, gpio.NoEdge); (err != nil) != s.PulledUp {
		t.Errorf("pulled down: %v", err)
	}
	if err := p.In(gpio.PullUp, gpio.BothEdges); err == nil {
		t.Error("it says that edges can be waited for")
	}
}

func besideOutputs(t *testing.T, s LinesSpec) {
	d := bare(t, s)
	out, err := d.bank.Out(0, s.ActiveLow)
	if err != nil {
		t.Fatal(err)
	}
	p, active := contact(t, d, 1)
	for k := range 8 {
		l := gpio.Level(k%2 == 0) == active
		d.Wire(1).Set(gpio.Level(l))
		if err := out.Out(k/2%2 == 0); err != nil {
			t.Fatal(err)
		}
		d.poll()
		if d.Wire(1).Level() != gpio.Level(l) || p.Read() != gpio.Level(l) || d.on(0) != (k/2%2 == 0) {
			t.Fatalf("step %d: wire %v, reads %v, output %v", k, d.Wire(1).Level(), p.Read(), d.on(0))
		}
	}
}
