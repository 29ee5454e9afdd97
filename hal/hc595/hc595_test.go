package hc595_test

import (
	"errors"
	"strings"
	"testing"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"

	"trivet/hal/expander"
	"trivet/hal/haltest"
	"trivet/hal/hc595"
	"trivet/sim/chip"
)

func opts(c *chip.HC595, registers int) hc595.Opts {
	o := hc595.DefaultOpts
	o.Registers, o.Enable = registers, c.Enable()
	return o
}

func spec(name string, registers int, blind bool) haltest.LinesSpec {
	return haltest.LinesSpec{
		Chip: name, Lines: 8 * registers, BytesPerPoll: registers, Blind: blind,
		New: func(testing.TB) haltest.LinesBench {
			c := chip.NewHC595("chain", registers)
			if blind {
				c.Blind()
			}
			tap := &haltest.Tap{SPI: c}
			return haltest.LinesBench{Wire: c.Line, Inject: c.Inject, Tap: tap, Open: func(gather bool) (*expander.Bank, error) {
				o := opts(c, registers)
				o.Gather, o.ReadBack = gather, !blind
				return hc595.New(tap, &o)
			}}
		},
	}
}

func TestItKeepsThePromisesOfLines(t *testing.T) {
	for name, s := range map[string]haltest.LinesSpec{"one": spec("one", 1, false), "two": spec("two", 2, false), "blind": spec("blind", 1, true)} {
		t.Run(name, func(t *testing.T) { haltest.RunLines(t, s) })
	}
}

func TestWithoutAnEnableLineSomebodyMustSayThatTheContactorIsOpen(t *testing.T) {
	c := chip.NewHC595("chain", 1)
	o := hc595.DefaultOpts
	if _, err := hc595.New(c, &o); err == nil || !strings.Contains(err.Error(), "contactor must be open") {
		t.Errorf("%v", err)
	}
	_ = c.Enable().Out(gpio.Low) // tied to ground
	lit := 0
	for i := range 8 {
		if c.Line(i).Level() {
			lit++
		}
	}
	if lit == 0 {
		t.Fatal("a register without enable is off by itself; then this test means nothing")
	}
	o.AlwaysEnabled = true
	if _, err := hc595.New(c, &o); err != nil {
		t.Fatal(err)
	}
	for i := range 8 {
		if c.Line(i).Level() {
			t.Errorf("line %d is on", i)
		}
	}
}

// What woke with anything in it must not reach an output on the way to zeros.
func TestNothingDrivesUntilTheChainHoldsZeros(t *testing.T) {
	c := chip.NewHC595("chain", 2)
	o := opts(c, 2)
	tap := &haltest.Tap{SPI: c}
	tap.Before(func() error {
		if !c.Enable().Level() {
			t.Error("outputs drive during the first transactions")
		}
		return nil
	})
	b, err := hc595.New(tap, &o)
	tap.Before(nil)
	if err != nil || c.Enable().Level() {
		t.Fatalf("%v, enable is %v", err, c.Enable().Level())
	}
	if b.String() != "74HC595{chain}" {
		t.Errorf("called %v", b)
	}
}

// Between two polls a register that lost its supply may drive anything. The next poll of a chain that is blind mends it; one
// that reads back finds it out.
func TestARegisterThatWokeAnewIsMendedByTheNextPollAtLeast(t *testing.T) {
	for _, blind := range []bool{false, true} {
		c := chip.NewHC595("chain", 1)
		if blind {
			c.Blind()
		}
		o := opts(c, 1)
		o.ReadBack = !blind
		b, err := hc595.New(c, &o)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := b.Out(0, false); err != nil {
			t.Fatal(err)
		}
		c.Inject(chip.ResetChip)
		c.Inject(chip.None)
		if !c.Line(0).Level() {
			t.Fatal("it woke with zeros; then this test means nothing")
		}
		b.Poll(0)
		if c.Line(0).Level() || errors.Is(b.Err(), expander.ErrLost) == blind {
			t.Errorf("blind %v: line is %v, %v", blind, c.Line(0).Level(), b.Err())
		}
	}
}

func TestABrokenChainIsFoundWhenItBegins(t *testing.T) {
	for _, f := range []chip.Fault{chip.AllOnes, chip.Dead} {
		c := chip.NewHC595("chain", 1)
		c.Inject(f)
		o := opts(c, 1)
		if _, err := hc595.New(c, &o); err == nil || !strings.HasPrefix(err.Error(), "hc595: ") {
			t.Errorf("%v: %v", f, err)
		}
		if !c.Enable().Level() {
			t.Errorf("%v: outputs drive", f)
		}
	}
}

func TestOptionsThatMakeNoSenseAreRefused(t *testing.T) {
	c := chip.NewHC595("chain", 1)
	for words, change := range map[string]func(*hc595.Opts){
		"1 and 2 are": func(o *hc595.Opts) { o.Registers = 3 }, "0 registers": func(o *hc595.Opts) { o.Registers = 0 },
		"20MHz": func(o *hc595.Opts) { o.Clock = 30 * physic.MegaHertz }, "above 0": func(o *hc595.Opts) { o.Clock = 0 },
		"pin is gone": func(o *hc595.Opts) { o.Enable = gone{c.Enable()} }, "active low": nil,
	} {
		o := opts(c, 1)
		if change == nil { // an output that was on when low would be on while the register does not drive
			b, err := hc595.New(chip.NewHC595("y", 1), &o)
			if err != nil {
				t.Fatal(err)
			}
			if _, err := b.Out(0, true); err == nil || !strings.Contains(err.Error(), words) {
				t.Errorf("%s: %v", words, err)
			}
			continue
		}
		change(&o)
		if _, err := hc595.New(chip.NewHC595("z", 1), &o); err == nil || !strings.Contains(err.Error(), words) {
			t.Errorf("%s: %v", words, err)
		}
	}
	o := opts(c, 1)
	if _, err := hc595.New(c, &o); err != nil {
		t.Fatal(err)
	}
	if _, err := hc595.New(c, &o); err == nil {
		t.Error("two drivers on one chain")
	}
}

type gone struct{ gpio.PinOut }

func (gone) Out(gpio.Level) error { return errors.New("pin is gone") }
