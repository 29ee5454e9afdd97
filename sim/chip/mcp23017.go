package chip

import "periph.io/x/conn/v3/gpio"

// Registers of an MCP23017 whose two ports lie beside each other (IOCON.BANK is 0, as after reset; datasheet DS20001952, table 3-5,
// from memory): each is followed by that of port B.
const (
	regIODIR     = 0x00 // 1: input
	regIPOL      = 0x02
	regIOCON     = 0x0A // both addresses are the same register
	regGPPU      = 0x0C
	regINTF      = 0x0E
	regGPIO      = 0x12
	regOLAT      = 0x14
	registers017 = 0x16
	ioconBank    = 0x80
	ioconNoStep  = 0x20 // SEQOP: the address does not count up
)

// reset017 is what the registers hold after power-up: everything an input, nothing pulled.
var reset017 = [registers017]byte{0xFF, 0xFF}

// Mcp23017 is an emulated MCP23017: sixteen lines, A0 to A7 and B0 to B7. Not emulated: interrupts.
type Mcp23017 struct {
	reg   [registers017]byte
	at    byte
	lines [16]*Pin
	pulls [16]gpio.Pull // what is on the board outside
	fault Fault
}

// NewMcp23017 returns a chip in its reset state. Its lines are called name/0 to name/15. The board pulls each down, as it must
// where a relay hangs on it.
func NewMcp23017(name string) *Mcp23017 {
	c := &Mcp23017{reg: reset017}
	for i := range c.lines {
		c.lines[i] = numbered(name, i)
		c.pulls[i] = gpio.PullDown
	}
	c.drive()
	return c
}

// Line returns the wire of line i, 0 to 15; a higher number wraps round.
func (c *Mcp23017) Line(i int) *Pin { return c.lines[i&15] }

// Board sets what the board pulls line i to.
func (c *Mcp23017) Board(i int, pull gpio.Pull) {
	c.pulls[i&15] = pull
	c.drive()
}

// Inject puts a fault on: Dead, AllZeros, AllOnes, FrozenFrame (writes are lost) or ResetChip. None takes it off; what is lost
// stays lost.
func (c *Mcp23017) Inject(f Fault) {
	c.fault = f
	if f == ResetChip {
		c.reg, c.at = reset017, 0
		c.drive()
	}
}

// drive puts on the wires what the registers say.
func (c *Mcp23017) drive() {
	for i, p := range c.lines {
		port, bit := i/8, byte(1)<<(i%8)
		if c.reg[regIODIR+port]&bit == 0 {
			_ = p.Out(c.reg[regOLAT+port]&bit != 0)
			continue
		}
		pull := c.pulls[i]
		if c.reg[regGPPU+port]&bit != 0 && pull != gpio.PullDown { // its own 100 kΩ lose against what is on the board
			pull = gpio.PullUp
		}
		release(p, pull)
	}
}

func (c *Mcp23017) tx(w, r []byte) error {
	if done, err := c.fault.answer(r); done {
		return err
	}
	if len(w) > 0 {
		c.at = w[0]
		for _, v := range w[1:] {
			c.write(c.address(), v)
			c.step()
		}
	}
	for i := range r {
		r[i] = c.read(c.address())
		c.step()
	}
	return nil
}

// address is where the pointer points to, when the banks are apart too.
func (c *Mcp23017) address() byte {
	if c.reg[regIOCON]&ioconBank == 0 {
		return c.at
	}
	return c.at&0x0F<<1 | c.at>>4&1
}

func (c *Mcp23017) step() {
	if c.reg[regIOCON]&ioconNoStep != 0 {
		return
	}
	if c.at++; c.reg[regIOCON]&ioconBank == 0 {
		c.at %= registers017
	}
}

func (c *Mcp23017) read(at byte) byte {
	if at >= registers017 {
		return 0
	}
	if at != regGPIO && at != regGPIO+1 {
		return c.reg[at]
	}
	var v byte
	for i := range 8 {
		if c.lines[int(at-regGPIO)*8+i].Level() {
			v |= 1 << i
		}
	}
	// Inverted polarity is for inputs only.
	return v ^ c.reg[regIPOL+at-regGPIO]&c.reg[regIODIR+at-regGPIO]
}

func (c *Mcp23017) write(at, v byte) {
	if at >= registers017 || c.fault == FrozenFrame || at >= regINTF && at < regGPIO {
		return
	}
	switch at {
	case regGPIO, regGPIO + 1: // writing the port writes its latch
		at += regOLAT - regGPIO
	case regIOCON, regIOCON + 1:
		c.reg[regIOCON], c.reg[regIOCON+1] = v&0xFE, v&0xFE
		return
	}
	c.reg[at] = v
	c.drive()
}

func (c *Mcp23017) addresses() (kind string, low, high uint16) { return "an MCP23017", 0x20, 0x27 }

var _ i2cChip = (*Mcp23017)(nil)
