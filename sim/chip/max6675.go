package chip

import (
	"encoding/binary"
	"time"

	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"trivet/hal/emf"
)

// MAX6675 (datasheet 19-2235, from memory).
const (
	convert6675 = 220 * time.Millisecond // longest; 170 ms typical
	slope6675   = 0.041                  // mV/°C of its straight line
	most6675    = 4095                   // steps of 0.25 °C
)

// Max6675 is an emulated MAX6675 with a type K couple. A transaction ends the conversion under way, and a new one begins
// afterwards: whoever asks more often than it converts gets the same answer for ever.
type Max6675 struct {
	port
	couple
	frame   uint16
	due     time.Duration
	powered bool
}

// NewMax6675 returns a chip that gets power at its first Advance. Until its first conversion is done its answer is all zeros
// (the datasheet does not say; judgement, the worst that could be).
func NewMax6675(name string) *Max6675 {
	c := &Max6675{couple: couple{wire: emf.Type('K')}}
	c.port = port{name: name, chip: c, modes: [2]spi.Mode{spi.Mode0, spi.Mode0}, fastest: 4300 * physic.KiloHertz}
	return c
}

// Inject puts a fault on, in place of the one before. None takes it off. ShortGround is a couple whose two wires touch at the
// chip, for its negative one is at ground; ShortSupply drives the input to its end. The chip tells neither by a bit.
func (c *Max6675) Inject(f Fault) {
	c.fault = f
	if f == ResetChip {
		c.powered, c.frame = false, 0
	}
}

// Advance tells what the world is like now: the junction and the chip itself, in °C.
func (c *Max6675) Advance(now time.Duration, hotC, coldC float64) {
	c.now, c.hot, c.cold = now, hotC, coldC
	if !c.powered {
		c.powered, c.due = true, now+convert6675
	}
	if now < c.due {
		return
	}
	c.due += ((now-c.due)/convert6675 + 1) * convert6675
	if c.fault != FrozenFrame {
		c.frame = c.convert()
	}
}

// convert composes the frame. The chip adds its own temperature to its straight line and does not tell it; it has no
// numbers below 0 °C.
func (c *Max6675) convert() uint16 {
	mV := c.terminals()
	switch c.fault {
	case ShortGround:
		mV = 0
	case ShortSupply:
		mV = 1000
	}
	code := max(0, min(clampRound(c.cold+mV/slope6675, 0.25, 16), most6675))
	frame := uint16(code) << 3
	if c.fault == Open {
		frame |= 1 << 2
	}
	return frame
}

func (c *Max6675) transact(_, r []byte) error {
	if done, err := c.fault.answer(r); done {
		return err
	}
	var frame [2]byte
	binary.BigEndian.PutUint16(frame[:], c.frame)
	copy(r, frame[:])
	c.due = c.now + convert6675 // select going high begins a conversion
	return nil
}

var _ spi.Port = (*Max6675)(nil)
