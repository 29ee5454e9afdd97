package chip

import (
	"encoding/binary"
	"time"

	"periph.io/x/conn/v3/spi"

	"trivet/hal/emf"
)

// Times of the MAX31855 (datasheet 19-5793): power-up, and the longest conversion.
const (
	powerUp31855    = 200 * time.Millisecond
	convert31855    = 100 * time.Millisecond
	hotLSB31855     = 0.25   // °C
	coldLSB31855    = 0.0625 // °C
	faultBit31855   = 1 << 16
	openBit31855    = 1 << 0
	groundBit31855  = 1 << 1
	supplyBits31855 = 1 << 2
)

// Max31855 is an emulated MAX31855 with its couple. It answers every read with the frame of its last conversion; before
// the first one is done that frame is all zeros (the datasheet does not say; judgement, the worst that could be).
type Max31855 struct {
	port
	couple
	frame   uint32
	due     time.Duration // when the running conversion is done
	powered bool
}

// NewMax31855 returns a MAX31855K with a type K couple. It gets power at its first Advance.
func NewMax31855(name string) *Max31855 {
	c := &Max31855{couple: couple{wire: emf.Type('K')}}
	c.port = port{name: name, chip: c, modes: [2]spi.Mode{spi.Mode0, spi.Mode0}}
	return c
}

// Suffix makes it the chip for couples of type t, with such a couple, and returns it. There is none for type B; it behaves
// as K then.
func (c *Max31855) Suffix(t emf.Type) *Max31855 {
	c.wire = t
	return c
}

// Inject puts a fault on, in place of the one before. None takes it off.
func (c *Max31855) Inject(f Fault) {
	c.fault = f
	if f == ResetChip {
		c.powered, c.frame = false, 0
	}
}

// Advance tells what the world is like now: the junction and the chip itself, in °C.
func (c *Max31855) Advance(now time.Duration, hotC, coldC float64) {
	c.now, c.hot, c.cold = now, hotC, coldC
	if !c.powered {
		c.powered, c.due = true, now+powerUp31855
	}
	if now < c.due {
		return
	}
	c.due += ((now-c.due)/convert31855 + 1) * convert31855
	if c.fault != FrozenFrame {
		c.frame = c.convert()
	}
}

// perKelvin31855 is the slope in mV/K of the straight line by which each suffix converts: K looked up in datasheet 19-5793,
// the others from memory, confirmed by E(1000 °C)/1000 of the reference functions (T: E(400)/400).
func perKelvin31855(t emf.Type) float64 {
	switch t {
	case emf.Type('J'):
		return 0.057953
	case emf.Type('N'):
		return 0.036256
	case emf.Type('T'):
		return 0.05218
	case emf.Type('E'):
		return 0.076373
	case emf.Type('R'):
		return 0.010506
	case emf.Type('S'):
		return 0.009587
	}
	return 0.041276
}

// convert composes the frame by the chip's own linear law.
func (c *Max31855) convert() uint32 {
	// The chip adds its own temperature to the straight line as it is, not by the reference function.
	hot := clampRound(c.cold+c.terminals()/perKelvin31855(c.wire), hotLSB31855, 14)
	cold := clampRound(c.cold, coldLSB31855, 12)
	frame := uint32(hot)&0x3FFF<<18 | uint32(cold)&0xFFF<<4
	// Under a fault the temperature field means nothing; zero is as good as any.
	switch c.fault {
	case Open:
		return frame&0xFFFF | faultBit31855 | openBit31855
	case ShortGround:
		return frame&0xFFFF | faultBit31855 | groundBit31855
	case ShortSupply:
		return frame&0xFFFF | faultBit31855 | supplyBits31855
	}
	return frame
}

// transact shifts the frame out, most significant byte first; whatever follows reads as zero. The chip has no input.
func (c *Max31855) transact(_, r []byte) error {
	fill(r, 0)
	switch c.fault {
	case Dead:
		return errDead
	case AllZeros:
		return nil
	case AllOnes:
		fill(r, 0xFF)
		return nil
	}
	var frame [4]byte
	binary.BigEndian.PutUint32(frame[:], c.frame)
	copy(r, frame[:])
	return nil
}

var _ spi.Port = (*Max31855)(nil)
