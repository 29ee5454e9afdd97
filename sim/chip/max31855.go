package chip

import (
	"fmt"
	"math"
	"time"

	"periph.io/x/conn/v3"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"
)

// Max31855 emulates a MAX31855K: a 32-bit frame, read only, new every 100 ms (data sheet 19-5793, pages 8–10).
type Max31855 struct {
	name      string
	fault     Fault
	frame     uint32
	next      time.Duration // when the next conversion is ready
	connected bool
}

var (
	_ spi.Port = (*Max31855)(nil)
	_ spi.Conn = (*Max31855)(nil)
)

// convert31855 is the longest conversion time.
const convert31855 = 100 * time.Millisecond

// NewMax31855 returns a chip that has just been powered: its first conversion is ready after 200 ms.
func NewMax31855(name string) *Max31855 {
	return &Max31855{name: name, next: 2 * convert31855}
}

// Advance lets time pass until now, with the couple's two ends at the given temperatures.
func (c *Max31855) Advance(now time.Duration, hotC, coldC float64) {
	if now < c.next {
		return
	}
	c.next = now + convert31855
	if c.fault == FrozenFrame {
		return
	}
	// The chip measures its own cold end, and the couple by a straight line: 41.276 µV/K (data sheet, page 8).
	cj := math.Round(clamp(coldC, -55, 125) / 0.0625)
	tc := math.Round(clamp(couple(hotC, coldC, c.fault == Reversed)/0.041276+cj*0.0625, -270, 1800) / 0.25)
	f := uint32(int32(tc)&0x3FFF)<<18 | uint32(int32(cj)&0xFFF)<<4
	switch c.fault {
	case Open:
		f |= 1<<16 | 1
	case ShortGround:
		f |= 1<<16 | 2
	case ShortSupply:
		f |= 1<<16 | 4
	}
	c.frame = f
}

// Inject puts a fault on the chip, or takes it off with None.
func (c *Max31855) Inject(f Fault) {
	if f == ResetChip {
		c.frame, f = 0, None
	}
	c.fault = f
}

// Connect implements spi.Port.
func (c *Max31855) Connect(f physic.Frequency, mode spi.Mode, bits int) (spi.Conn, error) {
	switch {
	case c.connected:
		return nil, fmt.Errorf("chip: %s is connected twice", c.name)
	case f > 5*physic.MegaHertz:
		return nil, fmt.Errorf("chip: MAX31855 takes at most 5 MHz, not %s", f)
	case mode&3 != spi.Mode0:
		return nil, fmt.Errorf("chip: MAX31855 speaks SPI mode 0, not %v", mode)
	}
	c.connected = true
	return c, nil
}

// Tx shifts the frame out, most significant byte first.
func (c *Max31855) Tx(_, r []byte) error {
	f := c.frame
	switch c.fault {
	case Dead:
		return errDead
	case AllZeros:
		f = 0
	case AllOnes:
		f = 0xFFFFFFFF
	}
	for i := range r {
		r[i] = 0
		if i < 4 {
			r[i] = byte(f >> (24 - 8*i))
		}
	}
	return nil
}

// TxPackets does each packet in turn.
func (c *Max31855) TxPackets(p []spi.Packet) error { return packets(c, p) }

// Duplex implements conn.Conn.
func (c *Max31855) Duplex() conn.Duplex { return conn.Full }

func (c *Max31855) String() string { return c.name }

func packets(c conn.Conn, p []spi.Packet) error {
	for i := range p {
		if err := c.Tx(p[i].W, p[i].R); err != nil {
			return err
		}
	}
	return nil
}
