// Package mcp23017 puts the sixteen lines of a Microchip MCP23017 behind periph's pin interfaces, over I²C. What a bank of lines
// promises is in package expander; a line here is A0 to A7 as 0 to 7, B0 to B7 as 8 to 15.
//
// periph has a driver, mcp23xxx, which is not used for outputs that heat: its Out sets the direction before the latch, so that a
// line may be on for a moment with what an earlier program left there; it keeps the registers in a cache and so never sees
// that the chip was reset; it reports a failed read as a level; and it writes each line by itself. The tests of this package
// show the first two.
//
// # Wiring
//
// After power-up, and after a brown-out, every line is an input and floats. What hangs on it must be pulled to off by a resistor
// on the board; the chip's own pull-ups of some 100 kΩ are off then, and pull the wrong way. The INT and RESET pins are not
// used: tie RESET to the supply.
//
// # Datasheet
//
// Microchip MCP23017/MCP23S17, DS20001952, table 3-5 (register map) from memory, checked against periph's driver.
package mcp23017

import (
	"fmt"

	"periph.io/x/conn/v3/i2c"

	"trivet/hal/expander"
)

// Opts is how a chip is used. What is left at 0 takes the value of DefaultOpts.
type Opts struct {
	Addr   uint16 // 0x20 to 0x27
	Gather bool   // what is switched on waits for Flush, see package expander
}

// DefaultOpts are for a chip with its three address pins at ground.
var DefaultOpts = Opts{Addr: 0x20}

// Registers, ports side by side. Every pair is written A then B with the address counting up by itself.
const (
	iodirA    = 0x00 // 1: input
	iconBankB = 0x05 // IOCON, if an earlier program has put the banks apart; GPINTENB otherwise
	iocon     = 0x0A
	gppuA     = 0x0C
	configEnd = 0x0E // what follows up to 11h are interrupt flags and captures: the chip's own
	gpioA     = 0x12
	olatA     = 0x14
	registers = 0x16
)

// dev is the chip as a bank meets it.
type dev struct {
	i2c           i2c.Dev
	outputs, pull uint16
	tx            [1 + configEnd]byte
	rx            [registers]byte
}

// New opens a chip: every line is released first. It fails if the chip does not answer or does not keep what it is told.
func New(bus i2c.Bus, opts *Opts) (*expander.Bank, error) {
	o := *opts
	if o.Addr == 0 {
		o.Addr = DefaultOpts.Addr
	}
	if !(o.Addr >= 0x20 && o.Addr <= 0x27) {
		return nil, fmt.Errorf("mcp23017: address is %#02x; 0x20 to 0x27 is allowed", o.Addr)
	}
	d := &dev{i2c: i2c.Dev{Bus: bus, Addr: o.Addr}}
	b, err := expander.New(fmt.Sprintf("MCP23017{%s(%#02x)}", bus, o.Addr), d, expander.Traits{Lines: 16, Inputs: true, PullsUp: true}, o.Gather)
	if err != nil {
		return nil, fmt.Errorf("mcp23017: %w", err)
	}
	return b, nil
}

// Begin releases all lines and forgets whatever an earlier program has set.
func (d *dev) Begin() error {
	// With the banks apart, address 05h is IOCON and 0 puts them together again. With the banks together it is an
	// interrupt mask, and 0 is what it is to be.
	if err := d.put(iconBankB, 0); err != nil {
		return err
	}
	if err := d.put(iocon, 0); err != nil {
		return err
	}
	if err := d.Direct(0, 0); err != nil {
		return err
	}
	if err := d.Write(&expander.Image{}); err != nil {
		return err
	}
	_, err := d.Check(&expander.Image{})
	return err
}

// put writes values to the registers from at on.
func (d *dev) put(at byte, values ...byte) error {
	d.tx[0] = at
	n := copy(d.tx[1:], values)
	return d.i2c.Tx(d.tx[:1+n], nil)
}

// config is what registers 00h to 0Dh must hold: all but directions and pull-ups is 0, among it the polarity of inputs,
// without which an open contact would read as closed.
func (d *dev) config(outputs, pulls uint16) (c [configEnd]byte) {
	c[iodirA], c[iodirA+1] = ^byte(outputs), ^byte(outputs>>8)
	c[gppuA], c[gppuA+1] = byte(pulls), byte(pulls>>8)
	return c
}

// Direct writes registers 00h to 0Dh in one go.
func (d *dev) Direct(outputs, pulls uint16) error {
	c := d.config(outputs, pulls)
	d.tx[0] = iodirA
	n := copy(d.tx[1:], c[:])
	if err := d.i2c.Tx(d.tx[:1+n], nil); err != nil {
		return err
	}
	d.outputs, d.pull = outputs, pulls
	return nil
}

// Write sets both latches: 4 bytes on the bus, 0.4 ms at 100 kHz.
func (d *dev) Write(image *expander.Image) error {
	d.tx[0], d.tx[1], d.tx[2] = olatA, byte(image.Levels), byte(image.Levels>>8)
	return d.i2c.Tx(d.tx[:3], nil)
}

// errLost is made once: it may be told in every tick.
var errLost = fmt.Errorf("a register is not as it was written: %w", expander.ErrLost)

// Check reads all 22 registers at once, 25 bytes on the bus: 2.3 ms at 100 kHz, 0.6 ms at 400 kHz. So the whole configuration is
// looked at in every tick, not the directions only.
func (d *dev) Check(image *expander.Image) (lines uint16, err error) {
	d.tx[0] = iodirA
	if err := d.i2c.Tx(d.tx[:1], d.rx[:]); err != nil {
		return 0, err
	}
	if [configEnd]byte(d.rx[:configEnd]) != d.config(d.outputs, d.pull) || word(d.rx[olatA:]) != image.Levels {
		return 0, errLost
	}
	return word(d.rx[gpioA:]), nil
}

func word(b []byte) uint16 { return uint16(b[0]) | uint16(b[1])<<8 }

var _ expander.Chip = (*dev)(nil)
