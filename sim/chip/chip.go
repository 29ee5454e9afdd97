// Package chip emulates, register by register, the chips and lines that a machine is wired with, behind the same bus and
// pin interfaces that real ones have. The real drivers run on it unchanged. A chip knows only its terminals: the
// temperatures of both ends of its couple, the voltage at its input, the bytes on its bus. It keeps virtual time, is
// bit-for-bit repeatable, starts no goroutine and adds no noise: whoever moves the world does that.
package chip

import (
	"errors"
	"fmt"
	"time"

	"periph.io/x/conn/v3"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"trivet/hal/emf"
	"trivet/process/unit"
)

// Fault is something that is wrong at an amplifier or its couple.
type Fault uint8

// The faults an emulated amplifier can have. One at a time.
const (
	None        Fault = iota
	Open              // a wire of the couple is broken
	ShortGround       // the input touches ground
	ShortSupply       // the input touches the supply
	Dead              // the chip does not answer: its bus returns an error
	AllZeros          // the data line is stuck low
	AllOnes           // the data line is stuck high
	FrozenFrame       // the chip answers but its result no longer changes
	Reversed          // the two wires of the couple are swapped
	ResetChip         // the chip has browned out and woken with its reset configuration; nothing else is wrong
)

var faultWords = [...]string{
	"none", "open", "short_ground", "short_supply", "dead", "all_zeros", "all_ones", "frozen_frame", "reversed", "reset_chip",
}

// String returns the word for f.
func (f Fault) String() string {
	if int(f) < len(faultWords) {
		return faultWords[f]
	}
	return "unknown"
}

// errDead is what a bus reports when nobody answers.
var errDead = errors.New("no such device or address")

// couple is a thermocouple as the chip behind it meets it.
type couple struct {
	wire      emf.Type
	fault     Fault
	now       time.Duration
	hot, cold float64 // °C
}

// terminals returns the voltage in mV between the chip's input terminals.
func (c *couple) terminals() float64 {
	v := volts(c.wire, c.hot) - volts(c.wire, c.cold)
	if c.fault == Reversed {
		return -v
	}
	return v
}

// volts is the reference function held at the ends of its range, so that a world that runs away cannot break a chip.
func volts(t emf.Type, c float64) float64 {
	low, high, _ := t.Range()
	if !(c >= float64(low)) {
		c = float64(low)
	}
	mV, _ := t.Voltage(min(unit.Celsius(c), high))
	return mV
}

// celsius is the inverse reference function; inside is false where it is held at an end of the chip's range.
func celsius(t emf.Type, mV float64) (c float64, inside bool) {
	low, high := limits(t)
	if c, ok := t.Temperature(mV); ok && float64(c) >= low && float64(c) <= high {
		return float64(c), true
	}
	if mV > volts(t, (low+high)/2) {
		return high, false
	}
	return low, false
}

// limits are the temperatures in °C at which the chips give up (datasheet of the MAX31856, from memory).
func limits(t emf.Type) (low, high float64) {
	switch t {
	case emf.Type('B'):
		return 50, 1820
	case emf.Type('E'):
		return -200, 1000
	case emf.Type('J'):
		return -210, 1200
	case emf.Type('N'):
		return -200, 1300
	case emf.Type('R'), emf.Type('S'):
		return -50, 1768
	case emf.Type('T'):
		return -200, 400
	}
	return -200, 1372 // K
}

// spiChip answers one SPI transaction: everything between the two edges of chip select. w and r have the same length,
// or one of them is empty.
type spiChip interface {
	transact(w, r []byte) error
}

// port is the chip's end of an SPI bus: periph's port before Connect, its connection afterwards.
type port struct {
	name      string
	chip      spiChip
	modes     [2]spi.Mode // allowed
	connected bool
	tap       Tap
	fastest   physic.Frequency // clock; 0: fastestClock
}

// Tap stands in the wires between a bus and its chip: it gets what the master sends and where the answer goes, and calls tx, the chip, or does
// not. It must not keep the slices, and must not change w: a copy may be sent on.
type Tap func(w, r []byte, tx func(w, r []byte) error) error

// Tap puts t into the chip's wires in place of the one before; nil takes it out.
func (p *port) Tap(t Tap) { p.tap = t }

// Answer asks the chip directly, past every tap: a chip whose select line is low together with another's.
func (p *port) Answer(w, r []byte) error { return p.chip.transact(w, r) }

// Fastest clock of both SPI amplifiers (datasheets of MAX31855 and MAX31856).
const fastestClock = 5 * physic.MegaHertz

// String returns the name of the port.
func (p *port) String() string { return p.name }

// Connect refuses what the chip could not understand. As on a real port it works once.
func (p *port) Connect(f physic.Frequency, mode spi.Mode, bits int) (spi.Conn, error) {
	fastest := fastestClock
	if p.fastest != 0 {
		fastest = p.fastest
	}
	switch {
	case p.connected:
		return nil, fmt.Errorf("%s: already connected", p.name)
	case mode != p.modes[0] && mode != p.modes[1]:
		return nil, fmt.Errorf("%s: mode is %v; the chip understands %v and %v", p.name, mode, p.modes[0], p.modes[1])
	case bits != 8:
		return nil, fmt.Errorf("%s: %d bits per word; 8 is allowed", p.name, bits)
	case !(f > 0 && f <= fastest):
		return nil, fmt.Errorf("%s: clock is %v; above 0 up to %v is allowed", p.name, f, fastest)
	}
	p.connected = true
	return (*wire)(p), nil
}

// wire is a connected port.
type wire port

func (w *wire) String() string      { return w.name }
func (w *wire) Duplex() conn.Duplex { return conn.Full }

// Tx is one transaction.
func (w *wire) Tx(out, in []byte) error {
	if len(out) != 0 && len(in) != 0 && len(out) != len(in) {
		return fmt.Errorf("%s: %d bytes out and %d in; they must be as many, or one none", w.name, len(out), len(in))
	}
	if w.tap != nil {
		return w.tap(out, in, w.chip.transact)
	}
	return w.chip.transact(out, in)
}

// TxPackets is several transactions. Holding chip select over two packets is not emulated, as no driver of ours needs it.
func (w *wire) TxPackets(ps []spi.Packet) error {
	for _, p := range ps {
		if p.KeepCS || p.BitsPerWord != 0 && p.BitsPerWord != 8 {
			return fmt.Errorf("%s: packets that keep chip select or are not of 8 bits are not emulated", w.name)
		}
		if err := w.Tx(p.W, p.R); err != nil {
			return err
		}
	}
	return nil
}

// fill sets every byte of b.
func fill(b []byte, v byte) {
	for i := range b {
		b[i] = v
	}
}

// clampRound returns x/lsb rounded to the nearest integer and held to a two's-complement word of so many bits.
func clampRound(x, lsb float64, bits int) int32 {
	most := float64(int32(1)<<(bits-1) - 1)
	n := x / lsb
	if n >= 0 {
		n += 0.5
	} else {
		n -= 0.5
	}
	return int32(max(-most-1, min(n, most)))
}

var (
	_ spi.Port = (*port)(nil)
	_ spi.Conn = (*wire)(nil)
)
