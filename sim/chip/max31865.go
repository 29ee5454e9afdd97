package chip

import (
	"math"
	"time"

	"periph.io/x/conn/v3/spi"
)

// Bits of the MAX31865's configuration and status registers (datasheet 19-6478, tables 2 and 7, from memory).
const (
	cfgBias, cfgAuto, cfgOneShot, cfgClear, cfg50Hz   = 0x80, 0x40, 0x20, 0x02, 0x01
	cfgSearch, cfgSearchAuto                          = 0x0C, 0x04
	rtdAbove, rtdBelow, rtdRefHigh, rtdSense, rtdVolt = 0x80, 0x40, 0x20, 0x08, 0x04
	registers31865                                    = 8
)

// reset31865 is what the registers hold after power-up: no bias, no conversions, thresholds at the ends.
var reset31865 = [registers31865]byte{0, 0, 0, 0xFF, 0xFF, 0, 0, 0}

// Max31865 is an emulated MAX31865 with a platinum element on its leads. Not emulated: the DRDY pin, the search with delays of
// the master, what three wires without the bit for them, or four with it, would spoil.
type Max31865 struct {
	port
	r0, ref, leads float64 // Ω
	now            time.Duration
	hot            float64 // °C
	fault          Fault
	reg            [registers31865]byte
	due            time.Duration
	running        bool
	powered        bool
}

// NewMax31865 returns a chip in its reset state with a Pt100 and a reference of 430 Ω.
func NewMax31865(name string) *Max31865 {
	c := &Max31865{r0: 100, ref: 430, reg: reset31865}
	c.port = port{name: name, chip: c, modes: [2]spi.Mode{spi.Mode1, spi.Mode3}}
	return c
}

// Wire sets the element's resistance at 0 °C, the reference, and what the leads add, in Ω, and returns the chip.
func (c *Max31865) Wire(r0, ref, leads float64) *Max31865 {
	c.r0, c.ref, c.leads = r0, ref, leads
	return c
}

// Inject puts a fault on, in place of the one before: Open is a broken element, ShortGround one whose wires touch. None takes it
// off; a lost configuration stays lost.
func (c *Max31865) Inject(f Fault) {
	c.fault = f
	if f == ResetChip {
		c.reg, c.running = reset31865, false
	}
}

// Advance tells what the world is like now: the element, in °C. Where the chip itself is does not matter.
func (c *Max31865) Advance(now time.Duration, hotC, _ float64) {
	c.now, c.hot = now, hotC
	if !c.powered {
		c.powered = true
		c.due = now + c.length(true)
	}
	if c.fault == ShortSupply { // conversions are suspended until it is gone
		c.reg[7] |= rtdVolt
		c.flag()
		c.due = max(c.due, now+c.length(true))
	}
	for c.running && c.due <= now {
		if c.reg[0]&cfgSearch != 0 {
			c.search()
			continue
		}
		c.convert()
		c.due += c.length(false)
		if c.reg[0]&cfgAuto == 0 {
			c.running = false
			c.reg[0] &^= cfgOneShot
		}
	}
}

// length is how long a conversion takes (typical; datasheet, from memory).
func (c *Max31865) length(first bool) time.Duration {
	switch hz50 := c.reg[0]&cfg50Hz != 0; {
	case c.reg[0]&cfgSearch != 0:
		return 600 * time.Microsecond
	case first && hz50:
		return 62500 * time.Microsecond
	case first:
		return 52 * time.Millisecond
	case hz50:
		return 20 * time.Millisecond
	}
	return 16700 * time.Microsecond
}

// ohms is what the chip has between its terminals. The equation is that of IEC 60751 with its terms written out, since the
// driver's is to be tested.
func (c *Max31865) ohms() float64 {
	t := c.hot
	if !(t >= -200) {
		t = -200
	}
	t = math.Min(t, 850)
	r := c.r0 + c.r0*3.9083e-3*t - c.r0*5.775e-7*t*t
	if t < 0 {
		r -= c.r0 * 4.183e-12 * (t*t*t*t - 100*t*t*t)
	}
	switch c.fault {
	case Open:
		return math.Inf(1)
	case ShortGround:
		return c.leads
	}
	return r + c.leads
}

func (c *Max31865) convert() {
	if c.fault == FrozenFrame {
		return
	}
	code := uint16(math.Min(math.Floor(c.ohms()/c.ref*32768+0.5), 32767)) // 15 bits
	if c.reg[0]&cfgBias == 0 {
		code = 0 // no current
	}
	c.reg[1], c.reg[2] = byte(code>>7), byte(code<<1)
	word := func(at int) uint16 { return uint16(c.reg[at])<<8 | uint16(c.reg[at+1]) }
	if code > word(3)>>1 {
		c.reg[7] |= rtdAbove
	}
	if code < word(5)>>1 {
		c.reg[7] |= rtdBelow
	}
	c.flag()
}

// search is the chip's own search for broken wires.
func (c *Max31865) search() {
	if c.fault == Open {
		c.reg[7] |= rtdRefHigh | rtdSense
	}
	c.flag()
	c.reg[0] &^= cfgSearch
	c.running = c.reg[0]&cfgAuto != 0
	c.due += c.length(true)
}

func (c *Max31865) flag() {
	c.reg[2] &^= 1
	if c.reg[7] != 0 {
		c.reg[2] |= 1
	}
}

// transact is one access: an address, then data with the address counting up. Bit 7 of the address means write.
func (c *Max31865) transact(w, r []byte) error {
	if done, err := c.fault.answer(r); done || len(w) == 0 {
		return err
	}
	for i := 1; i < len(w); i++ {
		at := (int(w[0]&0x7F) + i - 1) % registers31865
		switch {
		case w[0]&0x80 == 0:
			if i < len(r) {
				r[i] = c.reg[at]
			}
		case at == 0:
			c.configure(w[i])
		case at >= 3 && at <= 6:
			c.reg[at] = w[i]
		}
	}
	return nil
}

func (c *Max31865) configure(v byte) {
	if v&cfgClear != 0 && v&(cfgOneShot|cfgSearch) == 0 {
		c.reg[7] = 0
		c.flag()
	}
	was := c.reg[0]
	c.reg[0] = v &^ cfgClear
	if v&(cfgOneShot|cfgSearch) == 0 && v&cfgAuto == was&cfgAuto {
		return
	}
	c.running = v&(cfgAuto|cfgOneShot|cfgSearch) != 0
	c.due = c.now + c.length(true)
}

var _ spi.Port = (*Max31865)(nil)
