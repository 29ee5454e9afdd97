package chip

import (
	"fmt"
	"math"
	"time"

	"periph.io/x/conn/v3"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"trivet/hal/emf"
	"trivet/process/unit"
)

// Registers of the MAX31856 (data sheet 19-7534, table 6).
const (
	r56CR0  = 0x00
	r56CR1  = 0x01
	r56MASK = 0x02
	r56CJHF = 0x03
	r56CJTO = 0x09
	r56CJTH = 0x0A
	r56LTC  = 0x0C
	r56SR   = 0x0F
)

// reset56 holds the reset values: no conversions, no test for an open couple, every fault masked.
var reset56 = [16]byte{0x00, 0x03, 0xFF, 0x7F, 0xC0, 0x7F, 0xFF, 0x80, 0x00, 0x00, 0, 0, 0, 0, 0, 0}

// Max31856 emulates a MAX31856 with a type K couple.
type Max31856 struct {
	name      string
	fault     Fault
	reg       [16]byte
	next      time.Duration
	first     bool // the next conversion is the first after automatic conversion was switched on
	count     int  // conversions, for the test of an open couple once in sixteen
	connected bool
	auto      bool
}

var (
	_ spi.Port = (*Max31856)(nil)
	_ spi.Conn = (*Max31856)(nil)
)

// NewMax31856 returns a chip that has just been powered.
func NewMax31856(name string) *Max31856 { return &Max31856{name: name, reg: reset56} }

// period returns how long a conversion takes: 82 ms at 60 Hz, 98 ms at 50 Hz, longer for the first and with averaging (data sheet, by
// way of public drivers).
func (c *Max31856) period() time.Duration {
	fifty := c.reg[r56CR0]&1 != 0
	avg := [8]int{1, 2, 4, 8, 16, 16, 16, 16}[c.reg[r56CR1]>>4&7]
	ms := 82.0 + 16.67*float64(avg-1)
	if fifty {
		ms = 98 + 20*float64(avg-1)
	}
	if c.first {
		ms = 143 + 33.33*float64(avg-1)
		if fifty {
			ms = 169 + 40*float64(avg-1)
		}
	}
	return time.Duration(ms * float64(time.Millisecond))
}

// Advance lets time pass until now, with the couple's two ends at the given temperatures.
func (c *Max31856) Advance(now time.Duration, hotC, coldC float64) {
	if auto := c.reg[r56CR0]&0x80 != 0; auto != c.auto {
		c.auto, c.first = auto, true
		c.next = now + c.period()
	}
	if !c.auto || now < c.next {
		return
	}
	// Conversions follow each other without a gap. Each sees the world as it is when time is advanced: the step is a tick.
	c.first = false
	for p := c.period(); c.next <= now; {
		c.next += p
		c.count++
	}
	if c.fault == FrozenFrame {
		return
	}
	c.convert(hotC, coldC)
}

// open counts as found only when the test is enabled and its turn has come: once in sixteen conversions.
func (c *Max31856) convert(hotC, coldC float64) {
	sr := c.reg[r56SR] &^ 0x01
	switch c.fault {
	case ShortGround, ShortSupply:
		// Over- or under-voltage suspends conversions: the old temperature stays in the register.
		c.reg[r56SR] = sr | 0x02
		return
	case Open:
		if c.reg[r56CR0]>>4&3 != 0 && (c.count%16 == 0 || c.reg[r56SR]&1 != 0) {
			sr |= 0x01
		}
		// Until the test has run the input floats: it drifts away slowly from what it was.
		c.drift()
	default:
		c.store(hotC, coldC)
	}
	c.reg[r56SR] = sr &^ 0x02
}

// drift moves the last code by a few hundredths of a degree: a floating input that looks alive.
func (c *Max31856) drift() {
	v := int32(c.reg[r56LTC])<<24 | int32(c.reg[r56LTC+1])<<16 | int32(c.reg[r56LTC+2])<<8
	v += 3 << 13
	c.reg[r56LTC], c.reg[r56LTC+1], c.reg[r56LTC+2] = byte(v>>24), byte(v>>16), byte(v>>8)&0xE0
}

func (c *Max31856) store(hotC, coldC float64) {
	cj := clamp(coldC, -64, 127.98) + float64(int8(c.reg[r56CJTO]))*0.0625
	cjCode := int32(math.Round(cj / 0.015625))
	mV := couple(hotC, coldC, c.fault == Reversed)
	// The chip linearises by itself.
	base, _ := emf.Type('K').Voltage(unit.Celsius(clamp(cj, -64, 127)))
	t, ok := emf.Type('K').Temperature(mV + base)
	sr := c.reg[r56SR] &^ 0x40
	if !ok {
		t, sr = -210, sr|0x40 // TC range
	}
	code := int32(math.Round(float64(t)/0.0078125)) << 5
	c.reg[r56LTC], c.reg[r56LTC+1], c.reg[r56LTC+2] = byte(code>>16), byte(code>>8), byte(code)
	c.reg[r56CJTH], c.reg[r56CJTH+1] = byte(cjCode>>6), byte(cjCode<<2)
	c.reg[r56SR] = sr
}

// Inject puts a fault on the chip, or takes it off with None.
func (c *Max31856) Inject(f Fault) {
	if f == ResetChip {
		c.reg, c.auto, f = reset56, false, None
	}
	if f == None {
		c.reg[r56SR] = 0
	}
	c.fault = f
}

// Connect implements spi.Port.
func (c *Max31856) Connect(f physic.Frequency, mode spi.Mode, bits int) (spi.Conn, error) {
	switch {
	case c.connected:
		return nil, fmt.Errorf("chip: %s is connected twice", c.name)
	case f > 5*physic.MegaHertz:
		return nil, fmt.Errorf("chip: MAX31856 takes at most 5 MHz, not %s", f)
	case mode&3 != spi.Mode1 && mode&3 != spi.Mode3:
		return nil, fmt.Errorf("chip: MAX31856 speaks SPI modes 1 and 3, not %v", mode)
	}
	c.connected = true
	return c, nil
}

// Tx reads or writes registers from the address in the first byte on; bit 7 of the address means write.
func (c *Max31856) Tx(w, r []byte) error {
	switch {
	case c.fault == Dead:
		return errDead
	case len(w) == 0:
		return fmt.Errorf("chip: MAX31856 needs an address")
	case c.fault == AllZeros || c.fault == AllOnes:
		for i := range r {
			r[i] = 0
			if c.fault == AllOnes {
				r[i] = 0xFF
			}
		}
		return nil // the stuck line carries answers; what is written does arrive, but nobody can tell
	}
	a := int(w[0] & 0x0F)
	if w[0]&0x80 != 0 {
		for _, b := range w[1:] {
			if a <= r56CJTH+1 { // the temperature and status registers cannot be written
				c.reg[a] = b
			}
			a = (a + 1) & 0x0F
		}
		return nil
	}
	for i := 1; i < len(r); i++ {
		r[i] = c.reg[a]
		a = (a + 1) & 0x0F
	}
	return nil
}

// TxPackets does each packet in turn.
func (c *Max31856) TxPackets(p []spi.Packet) error { return packets(c, p) }

// Duplex implements conn.Conn.
func (c *Max31856) Duplex() conn.Duplex { return conn.Full }

func (c *Max31856) String() string { return c.name }
