package chip

import "periph.io/x/conn/v3/gpio"

// Pcf8574 is an emulated PCF8574: eight lines that are pulled up by some 100 µA, or to ground by a transistor. It has neither
// registers nor directions: what is written is the eight transistors, what is read the eight wires. It wakes with all wires high.
type Pcf8574 struct {
	latch byte
	lines [8]*Pin
	fault Fault
}

// NewPcf8574 returns a chip as it wakes, with lines called name/0 to name/7.
func NewPcf8574(name string) *Pcf8574 {
	c := &Pcf8574{latch: 0xFF}
	for i := range c.lines {
		c.lines[i] = numbered(name, i)
		c.lines[i].Set(gpio.High)
	}
	c.drive()
	return c
}

// Line returns the wire of line i, 0 to 7; a higher number wraps round.
func (c *Pcf8574) Line(i int) *Pin { return c.lines[i&7] }

// Inject puts a fault on: Dead, AllZeros, AllOnes, FrozenFrame (writes are lost) or ResetChip. None takes it off.
func (c *Pcf8574) Inject(f Fault) {
	c.fault = f
	if f == ResetChip {
		c.latch = 0xFF
		c.drive()
	}
}

func (c *Pcf8574) drive() {
	for i, p := range c.lines {
		if c.latch>>i&1 == 0 {
			_ = p.Out(gpio.Low)
		} else {
			release(p, gpio.PullUp) // so weakly that whoever pulls it down wins
		}
	}
}

func (c *Pcf8574) tx(w, r []byte) error {
	if done, err := c.fault.answer(r); done {
		return err
	}
	if len(w) > 0 && c.fault != FrozenFrame {
		c.latch = w[len(w)-1] // each byte is taken at once; the last stays
		c.drive()
	}
	for i := range r {
		r[i] = 0
		for k, p := range c.lines {
			if p.Level() {
				r[i] |= 1 << k
			}
		}
	}
	return nil
}

// addresses are those of the PCF8574; the PCF8574A has 0x38 to 0x3f and is the same otherwise.
func (c *Pcf8574) addresses() (kind string, low, high uint16) { return "a PCF8574", 0x20, 0x3f }

var _ i2cChip = (*Pcf8574)(nil)
