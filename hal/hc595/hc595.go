// Package hc595 puts the outputs of 74HC595 shift registers, one or two in a chain, behind periph's pin interfaces, over SPI. What
// a bank of lines promises is in package expander. Line 0 is QA of the register nearest to the computer.
//
// A register has no reset at power-up: it wakes with anything in it, and drives that. Therefore its output-enable line, active
// low, is part of the driver: with a pull-up on the board it keeps all outputs off until the first image has been shifted in. The
// line must be high from its first moment on; on Linux periph's own lines are low for a moment before their first high, so
// use one of package gpiochip. Without such a line nothing but an open contactor stands between power-up and whatever woke, and
// New wants that said.
//
// The serial output of the last register may be wired to the data line in. Each transaction then brings back what was shifted in
// before, which finds a register that has lost its supply or a broken chain. Without that wire nothing is ever found: the
// image is written anew in every tick, which mends what can be mended. Between a brown-out and the next tick the outputs may be
// anything. What heats should not hang on a chain that is blind.
//
// periph's driver, nxp74hc595, sends nothing that it thinks is there already and cannot read back.
//
// # Datasheet
//
// Nexperia 74HC595, from memory.
package hc595

import (
	"errors"
	"fmt"

	"periph.io/x/conn/v3"
	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"trivet/hal/expander"
)

// Opts is how a chain is used.
type Opts struct {
	Registers int // 1 or 2
	// Enable is the output-enable line, active low, pulled up on the board.
	Enable gpio.PinOut
	// AlwaysEnabled says that there is no such line, and that the contactor is open until New has returned.
	AlwaysEnabled bool
	// ReadBack says that the serial output of the last register is wired to the data line in.
	ReadBack bool
	Clock    physic.Frequency // of the bus, above 0 up to 20 MHz
	Gather   bool             // what is switched on waits for Flush, see package expander
}

// DefaultOpts are for one register on short wires that reads back. Enable must be added.
var DefaultOpts = Opts{Registers: 1, ReadBack: true, Clock: physic.MegaHertz}

const fastestClock = 20 * physic.MegaHertz // at 4.5 V (from memory); a register at 3.3 V takes less

// dev is the chain as a bank meets it.
type dev struct {
	conn    conn.Conn
	opts    Opts
	shifted [2]byte // what the registers hold, the farthest first
	tx, rx  [2]byte
}

// New opens a chain: outputs do not drive until it holds zeros.
func New(p spi.Port, opts *Opts) (*expander.Bank, error) {
	o := *opts
	switch {
	case o.Registers < 1 || o.Registers > 2:
		return nil, fmt.Errorf("hc595: %d registers; 1 and 2 are allowed", o.Registers)
	case o.Enable == nil && !o.AlwaysEnabled:
		return nil, errors.New("hc595: there is no output-enable line; without one the registers drive anything from power-up on, and the contactor must be open until they are opened")
	case !(o.Clock > 0 && o.Clock <= fastestClock):
		return nil, fmt.Errorf("hc595: clock is %v; above 0 up to %v is allowed", o.Clock, fastestClock)
	}
	c, err := p.Connect(o.Clock, spi.Mode0, 8)
	if err != nil {
		return nil, fmt.Errorf("hc595: %w", err)
	}
	b, err := expander.New("74HC595{"+p.String()+"}", &dev{conn: c, opts: o}, expander.Traits{
		Lines: 8 * o.Registers, ActiveHighOnly: "a register that does not drive is pulled down",
	}, o.Gather)
	if err != nil {
		return nil, fmt.Errorf("hc595: %w", err)
	}
	return b, nil
}

// Begin keeps the outputs from driving, shifts zeros through, and lets them drive. Zeros are shifted twice: the second time
// the first come back.
func (d *dev) Begin() error {
	if d.opts.Enable != nil {
		if err := d.opts.Enable.Out(gpio.High); err != nil {
			return err
		}
	}
	if err := d.Write(&expander.Image{}); err != nil {
		return err
	}
	if _, err := d.Check(&expander.Image{}); err != nil {
		return err
	}
	if d.opts.Enable != nil {
		return d.opts.Enable.Out(gpio.Low)
	}
	return nil
}

// Direct has nothing to do: all lines are outputs, and those nobody has asked for stay low.
func (d *dev) Direct(uint16, uint16) error { return nil }

// Write shifts the image in, the farthest register first; the registers take it over together when the transaction ends.
func (d *dev) Write(image *expander.Image) error {
	n := d.opts.Registers
	d.tx = [2]byte{byte(image.Levels >> 8), byte(image.Levels)}
	if n == 1 {
		d.tx[0] = d.tx[1]
	}
	err := d.conn.Tx(d.tx[:n], d.rx[:n])
	if err == nil {
		d.shifted = d.tx
	}
	return err
}

// errLost is made once: it may be told in every tick.
var errLost = fmt.Errorf("what comes out of the chain is not what was shifted in: %w", expander.ErrLost)

// Check shifts the same image in again. What comes out is what was there before, if somebody looks.
func (d *dev) Check(image *expander.Image) (lines uint16, err error) {
	was := d.shifted
	if err := d.Write(image); err != nil {
		return 0, err
	}
	if n := d.opts.Registers; d.opts.ReadBack && [2]byte(d.rx) != was && (n == 2 || d.rx[0] != was[0]) {
		return 0, errLost
	}
	return 0, nil
}

var _ expander.Chip = (*dev)(nil)
