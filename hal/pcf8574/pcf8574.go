// Package pcf8574 puts the eight lines of a PCF8574 or PCF8574A behind periph's pin interfaces, over I²C. What a bank of lines
// promises is in package expander.
//
// The chip has no directions. A line is pulled to ground by a transistor, or up by some 100 µA, and the latter is how all wake. So
// an output must be active low: one that was active high would be on from power-up until the program begins, and again
// after every brown-out. And a contact must pull its line down: an open one reads high, which must not mean closed.
//
// periph has a driver, pcf857x, which is not used: it takes all outputs for low when it begins and does not send what it
// thinks is there already; and it takes the levels that it reads for what it has written, so that an input that is low is pulled
// down for good by the next write. The tests of this package show both.
//
// A read tells what the wires are at, not what the transistors do. After a brown-out every output is off; that is found by the
// outputs that were on. When all were off nothing has changed, and nothing is found.
//
// # Datasheet
//
// NXP PCF8574; PCF8574A, from memory.
package pcf8574

import (
	"errors"
	"fmt"

	"periph.io/x/conn/v3/i2c"

	"trivet/hal/expander"
)

// Opts is how a chip is used. What is left at 0 takes the value of DefaultOpts.
type Opts struct {
	Addr   uint16 // 0x20 to 0x27; of a PCF8574A 0x38 to 0x3f
	Gather bool   // what is switched on waits for Flush, see package expander
}

// DefaultOpts are for a PCF8574 with its three address pins at ground.
var DefaultOpts = Opts{Addr: 0x20}

// dev is the chip as a bank meets it.
type dev struct {
	i2c     i2c.Dev
	outputs uint8
	tx, rx  [1]byte
}

// New opens a chip: every line is let go of first. It fails if the chip does not answer.
func New(bus i2c.Bus, opts *Opts) (*expander.Bank, error) {
	o := *opts
	if o.Addr == 0 {
		o.Addr = DefaultOpts.Addr
	}
	if !(o.Addr >= 0x20 && o.Addr <= 0x27 || o.Addr >= 0x38 && o.Addr <= 0x3f) {
		return nil, fmt.Errorf("pcf8574: address is %#02x; 0x20 to 0x27 and 0x38 to 0x3f are allowed", o.Addr)
	}
	d := &dev{i2c: i2c.Dev{Bus: bus, Addr: o.Addr}}
	b, err := expander.New(fmt.Sprintf("PCF8574{%s(%#02x)}", bus, o.Addr), d, expander.Traits{
		Lines: 8, Inputs: true, PullsUp: true,
		ActiveLowOnly: "the chip wakes with all its lines high",
		NoPullDown:    "the chip pulls its inputs up, so that a broken wire reads as high; wire the contact to ground",
	}, o.Gather)
	if err != nil {
		return nil, fmt.Errorf("pcf8574: %w", err)
	}
	return b, nil
}

// Begin lets go of every line.
func (d *dev) Begin() error {
	d.outputs = 0
	return d.Write(&expander.Image{})
}

// Direct only remembers: the chip has no directions and its pull-ups are always there. Lines that are no outputs are let go of by
// every write.
func (d *dev) Direct(outputs, _ uint16) error {
	d.outputs = uint8(outputs)
	return nil
}

// Write sets the eight transistors: 2 bytes on the bus, 0.2 ms at 100 kHz. The level of a line that is about to become an
// output comes with Levels too, and is high.
func (d *dev) Write(image *expander.Image) error {
	d.tx[0] = uint8(image.Levels) | ^d.outputs
	return d.i2c.Tx(d.tx[:], nil)
}

// Made once: they may be told in every tick.
var (
	errHigh = fmt.Errorf("an output that is on reads as off: %w", expander.ErrLost)
	errLow  = errors.New("an output that is off is held low by something else")
)

// Check reads the eight wires: 2 bytes on the bus.
func (d *dev) Check(image *expander.Image) (lines uint16, err error) {
	if err := d.i2c.Tx(nil, d.rx[:]); err != nil {
		return 0, err
	}
	differ := (d.rx[0] ^ uint8(image.Levels)) & d.outputs
	switch {
	case differ&d.rx[0] != 0:
		return 0, errHigh
	case differ != 0: // a relay that is on and cannot be switched off: not mended by configuring the chip anew
		return 0, errLow
	}
	return uint16(d.rx[0]), nil
}

var _ expander.Chip = (*dev)(nil)
