package chip

import (
	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"
)

// HC595 is an emulated chain of 74HC595 shift registers on SPI, latch clock on the select line, so that what was shifted appears
// when a transaction ends. The serial output of the last is on the data line in: a transaction returns what was shifted in
// before. A register has no reset at power-up: it wakes with anything in it.
type HC595 struct {
	port
	shift, latch []byte // [0] is the register nearest to the computer
	lines        []*Pin
	enable       *Pin // low: outputs drive
	blind        bool // nothing is wired to the data line in
	fault        Fault
}

// anything is what a register wakes with.
const anything = 0xA5

// NewHC595 returns a chain of registers, 1 to 4, that have just woken. Its lines are called name/0 on, those of the register
// nearest to the computer first; the board pulls each down. Its enable line is pulled up: outputs do not drive until it is low.
func NewHC595(name string, registers int) *HC595 {
	c := &HC595{enable: NewPin(name + "/oe")}
	c.port = port{name: name, chip: c, modes: [2]spi.Mode{spi.Mode0, spi.Mode0}, fastest: 20 * physic.MegaHertz}
	for i := range max(1, min(registers, 4)) * 8 {
		c.lines = append(c.lines, numbered(name, i))
	}
	c.shift, c.latch = make([]byte, len(c.lines)/8), make([]byte, len(c.lines)/8)
	c.enable.Set(gpio.High)
	c.enable.OnChange = func(gpio.Level) { c.drive() }
	c.wake()
	return c
}

// Line returns the wire of line i; a higher number wraps round.
func (c *HC595) Line(i int) *Pin { return c.lines[i%len(c.lines)] }

// Enable returns the wire of the output-enable line, active low.
func (c *HC595) Enable() *Pin { return c.enable }

// Blind takes the wire off the serial output, and returns the chain.
func (c *HC595) Blind() *HC595 {
	c.blind = true
	return c
}

func (c *HC595) wake() {
	fill(c.shift, anything)
	fill(c.latch, anything)
	c.drive()
}

// Inject puts a fault on: Dead, AllZeros, AllOnes, FrozenFrame (nothing is latched) or ResetChip. None takes it off.
func (c *HC595) Inject(f Fault) {
	c.fault = f
	if f == ResetChip {
		c.wake()
	}
}

func (c *HC595) drive() {
	for i, p := range c.lines {
		if c.enable.Level() {
			release(p, gpio.PullDown)
		} else {
			_ = p.Out(c.latch[i/8]>>(i%8)&1 != 0)
		}
	}
}

func (c *HC595) transact(w, r []byte) error {
	if c.fault == Dead {
		return errDead
	}
	n := len(c.shift)
	for i := range max(len(w), len(r)) { // a byte out of the far end for each that comes in
		out, in := c.shift[n-1], byte(0)
		if i < len(w) {
			in = w[i]
		}
		copy(c.shift[1:], c.shift[:n-1])
		c.shift[0] = in
		if i < len(r) {
			r[i] = out
		}
	}
	switch {
	case c.fault == AllOnes:
		fill(r, 0xFF)
	case c.fault == AllZeros || c.blind:
		fill(r, 0)
	case c.fault == FrozenFrame:
		return nil
	}
	copy(c.latch, c.shift)
	c.drive()
	return nil
}

var _ spi.Port = (*HC595)(nil)
