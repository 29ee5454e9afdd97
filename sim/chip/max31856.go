package chip

import (
	"time"

	"periph.io/x/conn/v3/spi"

	"trivet/hal/emf"
)

// Registers of the MAX31856 (datasheet 19-7534, by way of public copies of its table 6).
const (
	regCR0, regCR1   = 0x00, 0x01
	regCJHF, regCJLF = 0x03, 0x04
	regLTHF, regLTLF = 0x05, 0x07
	regCJTO, regCJT  = 0x09, 0x0A
	regLTCB, regSR   = 0x0C, 0x0F
	registers31856   = 0x10
)

// Bits of CR0 and SR.
const (
	cr0Auto, cr0OneShot, cr0OpenTest, cr0NoCold, cr0Interrupt, cr0ClearFault, cr050Hz = 0x80, 0x40, 0x30, 0x08, 0x04, 0x02, 0x01
	srColdRange, srHotRange, srColdHigh, srColdLow, srHotHigh, srHotLow, srVolts      = 0x80, 0x40, 0x20, 0x10, 0x08, 0x04, 0x02
	srOpen                                                                            = 0x01
)

// reset31856 is what the registers hold after power-up: no conversions, open test off, everything masked.
var reset31856 = [registers31856]byte{0x00, 0x03, 0xFF, 0x7F, 0xC0, 0x7F, 0xFF, 0x80, 0x00, 0x00}

// Max31856 is an emulated MAX31856 with its couple. Not emulated: the FAULT and DRDY pins, the voltage modes, and what a
// change of mains filter or averaging amid running conversions would spoil (the datasheet forbids it).
type Max31856 struct {
	port
	couple
	reg         [registers31856]byte
	due         time.Duration
	running     bool // a conversion is under way
	powered     bool
	conversions uint32 // since conversions were started; the open test is due at every 16th
}

// NewMax31856 returns a chip in its reset state with a type K couple. It gets power at its first Advance.
func NewMax31856(name string) *Max31856 {
	c := &Max31856{couple: couple{wire: emf.Type('K')}, reg: reset31856}
	c.port = port{name: name, chip: c, modes: [2]spi.Mode{spi.Mode1, spi.Mode3}}
	return c
}

// Couple puts a couple of type t on and returns the chip. The type that it converts by is in its registers.
func (c *Max31856) Couple(t emf.Type) *Max31856 {
	c.wire = t
	return c
}

// Inject puts a fault on, in place of the one before. None takes it off; a lost configuration stays lost.
func (c *Max31856) Inject(f Fault) {
	c.fault = f
	if f == ResetChip {
		c.reg, c.running = reset31856, false
	}
}

// Advance tells what the world is like now: the junction and the chip itself, in °C.
func (c *Max31856) Advance(now time.Duration, hotC, coldC float64) {
	c.now, c.hot, c.cold = now, hotC, coldC
	if !c.powered {
		c.powered = true
		if c.running {
			c.due = now + c.length(true)
		}
	}
	// Over- or undervoltage at the input suspends conversions, and the search for other faults, until it is gone.
	if c.fault == ShortGround || c.fault == ShortSupply {
		c.reg[regSR] |= srVolts
		c.due = max(c.due, now+c.length(true)) // it starts over when the fault is gone
		return
	}
	if c.reg[regCR0]&cr0Interrupt == 0 {
		c.reg[regSR] &^= srVolts
	}
	for c.running && c.due <= now {
		c.convert()
		c.due += c.length(false)
		if c.reg[regCR0]&cr0Auto == 0 {
			c.running = false
			c.reg[regCR0] &^= cr0OneShot
		}
	}
}

// length is how long a conversion takes (typical values; datasheet by way of public drivers, the open test from memory).
func (c *Max31856) length(first bool) time.Duration {
	cr0 := c.reg[regCR0]
	samples := time.Duration(1) << min(c.reg[regCR1]>>4&7, 4)
	// base is for one sample, more for each further one that is averaged; 60 Hz first.
	base, more := 82*time.Millisecond, 16670*time.Microsecond
	if cr0&cr050Hz != 0 {
		base, more = 98*time.Millisecond, 20*time.Millisecond
	}
	if first {
		base, more = 143*time.Millisecond, 33330*time.Microsecond
		if cr0&cr050Hz != 0 {
			base, more = 169*time.Millisecond, 40*time.Millisecond
		}
	}
	d := base + (samples-1)*more
	if cr0&cr0NoCold != 0 {
		d -= 25 * time.Millisecond
	}
	if c.conversions%16 == 0 {
		d += [4]time.Duration{0, 13300 * time.Microsecond, 33400 * time.Microsecond, 113400 * time.Microsecond}[cr0&cr0OpenTest>>4]
	}
	return d
}

func (c *Max31856) convert() {
	// Once in 16 conversions: an open couple may go unseen for 16 × 98 ms and the test itself, some 1.6 s at 50 Hz.
	test := c.conversions%16 == 0
	c.conversions++
	if c.fault == FrozenFrame {
		return
	}
	cr0 := c.reg[regCR0]
	if cr0&cr0NoCold == 0 {
		// 14 bits, left-justified in two registers, 1/64 °C; the offset register adds up to ±8 °C.
		code := clampRound(c.cold+float64(int8(c.reg[regCJTO]))*0.0625, 0.015625, 14)
		c.reg[regCJT], c.reg[regCJT+1] = byte(code>>6), byte(code<<2)
	}
	cold := float64(int16(c.reg[regCJT])<<8|int16(c.reg[regCJT+1])) / 256
	t, ok := couple31856(c.reg[regCR1] & 0x0F)
	if !ok {
		return // a voltage mode
	}
	mV := c.terminals()
	if c.fault == Open {
		mV = 0 // the bias resistors hold the two open inputs together: it reads like the cold junction
	}
	// The chip adds its own end by the type in its register, which need not be that of the wire.
	hot, inside := celsius(t, mV+volts(t, cold))
	// 19 bits, left-justified in three registers, 1/128 °C.
	code := clampRound(hot, 0.0078125, 19) << 5
	c.reg[regLTCB], c.reg[regLTCB+1], c.reg[regLTCB+2] = byte(code>>16), byte(code>>8), byte(code)
	c.status(hot, cold, inside, test)
}

// couple31856 is the type field of CR1.
func couple31856(code byte) (emf.Type, bool) {
	const types = "BEJKNRST"
	if int(code) >= len(types) {
		return 0, false
	}
	return emf.Type(types[code]), true
}

// status composes SR. In comparator mode its bits go when their cause goes, in interrupt mode only when told.
func (c *Max31856) status(hot, cold float64, inside, test bool) {
	was, sr := c.reg[regSR], byte(0)
	set := func(bit byte, on bool) {
		if on {
			sr |= bit
		}
	}
	threshold := func(at int) float64 { return float64(int16(c.reg[at])<<8|int16(c.reg[at+1])) * 0.0625 }
	set(srColdRange, !(cold >= -55 && cold <= 125))
	set(srHotRange, !inside)
	set(srColdHigh, cold > float64(int8(c.reg[regCJHF])))
	set(srColdLow, cold < float64(int8(c.reg[regCJLF])))
	set(srHotHigh, hot > threshold(regLTHF))
	set(srHotLow, hot < threshold(regLTLF))
	switch {
	case c.reg[regCR0]&cr0OpenTest == 0: // off: an open couple is never seen
	case test:
		set(srOpen, c.fault == Open)
	default:
		sr |= was & srOpen // as found by the last test
	}
	if c.reg[regCR0]&cr0Interrupt != 0 {
		sr |= was
	}
	c.reg[regSR] = sr
}

// transact is one access: an address, then data with the address counting up. Bit 7 of the address means write.
func (c *Max31856) transact(w, r []byte) error {
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
	if len(w) == 0 {
		return nil
	}
	at, write := w[0]&0x7F, w[0]&0x80 != 0
	for i := 1; i < len(w); i++ {
		a := (int(at) + i - 1) % registers31856
		if write {
			c.write(a, w[i])
		} else if i < len(r) {
			r[i] = c.reg[a]
		}
	}
	return nil
}

func (c *Max31856) write(at int, v byte) {
	if at > regCJT+1 {
		return // the result and the status are read-only
	}
	if at != regCR0 {
		c.reg[at] = v
		return
	}
	was := c.reg[regCR0]
	if v&cr0ClearFault != 0 {
		c.reg[regSR] = 0
		v &^= cr0ClearFault
	}
	c.reg[regCR0] = v
	// Only a change of the mode, or a request for one conversion, starts the converter anew.
	if auto := v&cr0Auto != 0; auto == (was&cr0Auto != 0) && v&cr0OneShot == 0 {
		return
	}
	c.running = v&(cr0Auto|cr0OneShot) != 0
	c.conversions = 0
	c.due = c.now + c.length(true)
}

var _ spi.Port = (*Max31856)(nil)
