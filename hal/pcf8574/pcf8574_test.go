package pcf8574_test

import (
	"errors"
	"strings"
	"testing"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/devices/v3/pcf857x"

	"trivet/hal/expander"
	"trivet/hal/haltest"
	"trivet/hal/line"
	"trivet/hal/pcf8574"
	"trivet/sim/chip"
)

const addr = 0x38

func wired(tb testing.TB) (*chip.Pcf8574, *haltest.Tap) {
	tb.Helper()
	c, bus := chip.NewPcf8574("exp"), chip.NewI2CBus("i2c-sim")
	if err := bus.Add(addr, c); err != nil {
		tb.Fatal(err)
	}
	return c, &haltest.Tap{I2C: bus}
}

func TestItKeepsThePromisesOfLines(t *testing.T) {
	haltest.RunLines(t, haltest.LinesSpec{
		Chip: "pcf8574", Lines: 8, ActiveLow: true, Inputs: true, PulledUp: true, BytesPerPoll: 2,
		New: func(tb testing.TB) haltest.LinesBench {
			c, tap := wired(tb)
			return haltest.LinesBench{Wire: c.Line, Inject: c.Inject, Tap: tap, Open: func(gather bool) (*expander.Bank, error) {
				return pcf8574.New(tap, &pcf8574.Opts{Addr: addr, Gather: gather})
			}}
		},
	})
}

func open(t *testing.T, tap *haltest.Tap) *expander.Bank {
	t.Helper()
	b, err := pcf8574.New(tap, &pcf8574.Opts{Addr: addr})
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestAnOutputThatWouldBeOnAtPowerUpIsRefused(t *testing.T) {
	_, tap := wired(t)
	if _, err := open(t, tap).Out(0, false); err == nil || !strings.Contains(err.Error(), "wakes with all its lines high") {
		t.Error(err)
	}
}

func TestAContactMustPullItsLineDown(t *testing.T) {
	c, tap := wired(t)
	b := open(t, tap)
	p, err := b.In(3)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := line.NewIn(p, true); err == nil || !strings.Contains(err.Error(), "broken wire") {
		t.Errorf("active high: %v", err)
	}
	door, err := line.NewIn(p, false)
	if err != nil {
		t.Fatal(err)
	}
	for _, closed := range []bool{false, true, false} {
		c.Line(3).Set(gpio.Level(!closed)) // a broken wire is an open contact: the chip pulls up
		if b.Poll(0); door.Read() != closed {
			t.Errorf("closed %v reads %v", closed, door.Read())
		}
	}
}

// A relay that is on though it was told to be off: configuring the chip anew would not switch it off either.
func TestAnOutputThatIsHeldLowFromOutsideIsToldAndComesBackByItself(t *testing.T) {
	c, tap := wired(t)
	b := open(t, tap)
	p, err := b.Out(5, true)
	if err != nil {
		t.Fatal(err)
	}
	c.Line(5).Set(gpio.Low)
	if b.Poll(0); b.Err() == nil || errors.Is(b.Err(), expander.ErrLost) || !strings.Contains(b.Err().Error(), "held low") {
		t.Errorf("held low: %v", b.Err())
	}
	if p.Out(gpio.High) == nil {
		t.Error("it can be switched on")
	}
	c.Line(5).Set(gpio.High)
	b.Poll(0)
	if b.Poll(0); b.Err() != nil || p.Out(gpio.High) != nil || c.Line(5).Level() {
		t.Errorf("let go again: %v, wire %v", b.Err(), c.Line(5).Level())
	}
}

// All 2⁸ commands to eight outputs against all 2⁸ levels that could be read back.
func TestEveryCommandAgainstEveryReadBack(t *testing.T) {
	read := byte(0xFF)
	bus := &haltest.I2CPlayer{Answer: func(_ uint16, _, r []byte) error {
		if len(r) > 0 {
			r[0] = read
		}
		return nil
	}}
	for want := range 256 {
		for got := range 256 {
			b, err := pcf8574.New(bus, &pcf8574.DefaultOpts)
			if err != nil {
				t.Fatal(err)
			}
			for i := range 8 {
				p, err := b.Out(i, true)
				if err != nil {
					t.Fatal(err)
				}
				if want>>i&1 == 0 {
					if err := p.Out(gpio.High); err != nil {
						t.Fatal(err)
					}
				}
			}
			read = byte(got)
			b.Poll(0)
			offButOn := ^want & got & 0xFF
			if lost := errors.Is(b.Err(), expander.ErrLost); lost != (offButOn != 0) || (b.Err() == nil) != (want == got) {
				t.Fatalf("told %02x, reads %02x: %v", want, got, b.Err())
			}
		}
	}
}

func TestWhatCannotBeAChipIsRefused(t *testing.T) {
	for _, a := range []uint16{0x1f, 0x28, 0x37, 0x40} {
		if _, err := pcf8574.New(chip.NewI2CBus("x"), &pcf8574.Opts{Addr: a}); err == nil || !strings.Contains(err.Error(), "0x38 to 0x3f are allowed") {
			t.Errorf("%#x: %v", a, err)
		}
	}
	if _, err := pcf8574.New(chip.NewI2CBus("x"), &pcf8574.DefaultOpts); err == nil || !strings.HasPrefix(err.Error(), "pcf8574: ") {
		t.Errorf("an empty bus: %v", err)
	}
}

// Why periph's driver is not used. When this fails, periph has changed: look again.
func TestPeriphsDriverLeavesAnOutputHighAndPullsAnInputDown(t *testing.T) {
	c, tap := wired(t)
	d, err := pcf857x.New(tap, addr, pcf857x.PCF8574)
	if err != nil {
		t.Fatal(err)
	}
	tap.Traffic()
	if err := d.Pins[0].Out(gpio.Low); err != nil {
		t.Fatal(err)
	}
	if n, _ := tap.Traffic(); n != 0 || !c.Line(0).Level() {
		t.Errorf("a low is sent now: %d transactions, wire %v", n, c.Line(0).Level())
	}
	c.Line(1).Set(gpio.Low) // a closed contact
	d.Pins[1].Read()
	if err := d.Pins[2].Out(gpio.High); err != nil {
		t.Fatal(err)
	}
	_ = d.Pins[2].Out(gpio.Low)
	c.Line(1).Set(gpio.High) // opens again
	if c.Line(1).Level() {
		t.Error("the input follows its contact")
	}
}

func TestWithoutAnAddressItIsAtTheDefaultOne(t *testing.T) {
	c, bus := chip.NewPcf8574("x"), chip.NewI2CBus("i2c-sim")
	if err := bus.Add(0x20, c); err != nil {
		t.Fatal(err)
	}
	b, err := pcf8574.New(bus, &pcf8574.Opts{})
	if err != nil || b.String() != "PCF8574{i2c-sim(0x20)}" {
		t.Errorf("%v, %v", b, err)
	}
}
