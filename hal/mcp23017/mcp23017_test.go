package mcp23017_test

import (
	"errors"
	"strings"
	"testing"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/devices/v3/mcp23xxx"

	"trivet/hal/expander"
	"trivet/hal/haltest"
	"trivet/hal/line"
	"trivet/hal/mcp23017"
	"trivet/sim/chip"
)

const addr = 0x21

func wired(tb testing.TB) (*chip.Mcp23017, *haltest.Tap) {
	tb.Helper()
	c, bus := chip.NewMcp23017("exp"), chip.NewI2CBus("i2c-sim")
	if err := bus.Add(addr, c); err != nil {
		tb.Fatal(err)
	}
	return c, &haltest.Tap{I2C: bus}
}

func open(tb testing.TB, bus i2c.Bus) *expander.Bank {
	tb.Helper()
	b, err := mcp23017.New(bus, &mcp23017.Opts{Addr: addr})
	if err != nil {
		tb.Fatal(err)
	}
	return b
}

func TestItKeepsThePromisesOfLines(t *testing.T) {
	haltest.RunLines(t, haltest.LinesSpec{
		Chip: "mcp23017", Lines: 16, Inputs: true, BytesPerPoll: 25,
		New: func(tb testing.TB) haltest.LinesBench {
			c, tap := wired(tb)
			return haltest.LinesBench{Wire: c.Line, Inject: c.Inject, Tap: tap, Open: func(gather bool) (*expander.Bank, error) {
				return mcp23017.New(tap, &mcp23017.Opts{Addr: addr, Gather: gather})
			}}
		},
	})
}

// Board with a relay that is on when its line is low: pulled up outside.
func TestALineThatIsOnWhenLowIsHighFromTheFirstMoment(t *testing.T) {
	c, tap := wired(t)
	c.Board(4, gpio.PullUp)
	lows := 0
	c.Line(4).OnChange = func(l gpio.Level) {
		if !l {
			lows++
		}
	}
	b := open(t, tap)
	p, err := b.Out(4, true)
	if err != nil {
		t.Fatal(err)
	}
	o, err := line.NewOut(p)
	if err != nil || lows != 0 || !c.Line(4).Level() {
		t.Fatalf("%v, low %d times, now %v", err, lows, c.Line(4).Level())
	}
	if err := o.Set(true); err != nil || c.Line(4).Level() {
		t.Errorf("on: %v, %v", err, c.Line(4).Level())
	}
	if err := b.Halt(); err != nil || !c.Line(4).Level() {
		t.Errorf("halted: %v, %v", err, c.Line(4).Level())
	}
}

func TestThePullUpsAreForContactsAndOnlyWhereAskedFor(t *testing.T) {
	c, tap := wired(t)
	for i := range 16 {
		c.Board(i, gpio.Float)
	}
	b := open(t, tap)
	p, err := b.In(9)
	if err != nil {
		t.Fatal(err)
	}
	in, err := line.NewIn(p, false) // a switch to ground
	if err != nil {
		t.Fatal(err)
	}
	b.Poll(0)
	c.Line(9).Set(gpio.Low)
	if got := reg(t, tap, 0x0C, 2); got[0] != 0 || got[1] != 0x02 {
		t.Errorf("pull-ups % x", got)
	}
	b.Poll(0)
	if !in.Read() {
		t.Error("a closed switch reads as open")
	}
	if err := p.In(gpio.Float, gpio.NoEdge); err != nil || reg(t, tap, 0x0D, 1)[0] != 0 {
		t.Errorf("taken off again: %v", err)
	}
}

func reg(t *testing.T, bus i2c.Bus, at byte, n int) []byte {
	t.Helper()
	r := make([]byte, n)
	if err := bus.Tx(addr, []byte{at}, r); err != nil {
		t.Fatal(err)
	}
	return r
}

// The reset values of the register map (datasheet, table 3-5, from memory), and what is left after the driver has begun, also
// where an earlier program had the banks apart, pull-ups on, polarities turned, interrupts on.
func TestItBeginsFromAnyState(t *testing.T) {
	for name, before := range map[string][][]byte{
		"reset": nil, "banks apart": {{0x0A, 0x80}}, "no counting": {{0x0A, 0x20}}, "both": {{0x0A, 0xA0}},
		"used": {{0x00, 0x00, 0x00, 0xFF, 0xFF, 0xFF, 0xFF}, {0x0C, 0xFF, 0xFF}, {0x14, 0xFF, 0xFF}},
	} {
		_, tap := wired(t)
		if got := reg(t, tap, 0, 4); got[0] != 0xFF || got[1] != 0xFF || got[2] != 0 || got[3] != 0 {
			t.Fatalf("it wakes with % x", got)
		}
		for _, w := range before {
			if err := tap.Tx(addr, w, nil); err != nil {
				t.Fatal(err)
			}
		}
		open(t, tap)
		got := reg(t, tap, 0, 0x16)
		for at, v := range got {
			want := byte(0)
			if at < 2 {
				want = 0xFF
			}
			if v != want {
				t.Errorf("%s: register %02x is %02x, want %02x", name, at, v, want)
			}
		}
	}
}

// Whichever register of the configuration or latch changes, in whichever bit: an inverted polarity would make an open contact read
// as closed.
func TestEveryFlippedBitOfItsRegistersIsFound(t *testing.T) {
	_, tap := wired(t)
	b := open(t, tap)
	for i := range 4 {
		if _, err := b.Out(i*4, false); err != nil {
			t.Fatal(err)
		}
	}
	flipped := 0
	for at := range byte(0x16) {
		if at >= 0x0E && at < 0x14 { // interrupt flags, captured values, the wires themselves
			continue
		}
		for bit := range 8 {
			if at == 0x0A && bit != 0 || at == 0x0B && bit != 0 { // moves or stops the pointer: the whole map looks different
				tap.Tx(addr, []byte{at, 1 << bit}, nil)
			} else {
				tap.Tx(addr, []byte{at, reg(t, tap, at, 1)[0] ^ 1<<bit}, nil)
			}
			b.Poll(0)
			if unused := (at == 0x0A || at == 0x0B) && bit == 0; unused {
				if b.Err() != nil {
					t.Errorf("bit 0 of IOCON is not there, and %v", b.Err())
				}
				continue
			}
			if !errors.Is(b.Err(), expander.ErrLost) {
				t.Fatalf("register %02x, bit %d: %v", at, bit, b.Err())
			}
			flipped++
			if err := b.Configure(); err != nil {
				t.Fatal(err)
			}
			if b.Poll(0); b.Err() != nil {
				t.Fatal(b.Err())
			}
		}
	}
	t.Logf("%d flipped bits found", flipped)
}

func TestWhatCannotBeAChipIsRefused(t *testing.T) {
	for _, a := range []uint16{0x1f, 0x28, 0xffff} {
		if _, err := mcp23017.New(chip.NewI2CBus("x"), &mcp23017.Opts{Addr: a}); err == nil || !strings.Contains(err.Error(), "0x20 to 0x27") {
			t.Errorf("%#x: %v", a, err)
		}
	}
	if _, err := mcp23017.New(chip.NewI2CBus("x"), &mcp23017.DefaultOpts); err == nil || !strings.HasPrefix(err.Error(), "mcp23017: ") {
		t.Errorf("an empty bus: %v", err)
	}
	c, tap := wired(t)
	c.Inject(chip.FrozenFrame) // answers, and keeps nothing
	tap.Tx(addr, nil, nil)
	if _, err := mcp23017.New(tap, &mcp23017.Opts{Addr: addr}); err != nil {
		t.Errorf("a chip in its reset state is as it must be: %v", err)
	}
	c.Inject(chip.AllOnes)
	if _, err := mcp23017.New(tap, &mcp23017.Opts{Addr: addr}); !errors.Is(err, expander.ErrLost) {
		t.Errorf("a stuck line: %v", err)
	}
	for fails := range 5 {
		_, tap := wired(t)
		n := 0
		tap.Before(func() error {
			if n++; n-1 == fails {
				return errBus
			}
			return nil
		})
		if _, err := mcp23017.New(tap, &mcp23017.Opts{Addr: addr}); !errors.Is(err, errBus) {
			t.Errorf("transaction %d failed: %v", fails, err)
		}
	}
}

var errBus = errors.New("the bus is gone")

// Why periph's driver is not used. When this fails, periph has changed: look again.
func TestPeriphsDriverDrivesALineBeforeItSetsItsLevelAndNeverLooksAgain(t *testing.T) {
	c, tap := wired(t)
	if err := tap.Tx(addr, []byte{0x14, 0xFF, 0xFF}, nil); err != nil { // an earlier program's relays
		t.Fatal(err)
	}
	d, err := mcp23xxx.NewI2C(tap, mcp23xxx.MCP23017, addr)
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	on := 0
	c.Line(0).OnChange = func(l gpio.Level) {
		if l {
			on++
		}
	}
	if err := d.Pins[0][0].Out(gpio.Low); err != nil {
		t.Fatal(err)
	}
	if on == 0 {
		t.Error("the line is not on for a moment any more")
	}
	c.Inject(chip.ResetChip)
	c.Inject(chip.None)
	if err := d.Pins[0][0].Out(gpio.High); err != nil || c.Line(0).Level() {
		t.Errorf("%v, %v: a reset chip is found, or driven again", err, c.Line(0).Level())
	}
}

func TestWithoutAnAddressItIsAtTheDefaultOne(t *testing.T) {
	c, bus := chip.NewMcp23017("x"), chip.NewI2CBus("i2c-sim")
	if err := bus.Add(0x20, c); err != nil {
		t.Fatal(err)
	}
	b, err := mcp23017.New(bus, &mcp23017.Opts{})
	if err != nil || b.String() != "MCP23017{i2c-sim(0x20)}" {
		t.Errorf("%v, %v", b, err)
	}
}
