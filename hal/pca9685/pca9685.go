// Package pca9685 puts the sixteen outputs of an NXP PCA9685 behind periph's pin interfaces, over I²C. What a bank of lines
// promises is in package expander. Its lines can switch by themselves, all at one frequency between 24 and 1526 Hz, which is
// for fans. A line that is only switched uses the chip's bits for fully on and fully off, so that it never
// depends on the counter.
//
// # Why not periph's driver
//
// periph has a driver of the same name. Of version 3.7.4 this one uses nothing, since
//   - its pre-scale lacks the −1 of the datasheet's equation, so that 50 Hz come out as 49.6 and 1000 Hz as 872;
//   - Out of its pins divides by zero, whatever the level, and Halt calls Out;
//   - it begins with equal counts for on and off in all lines, which the datasheet says must never be, and takes away the
//     bits for fully off that the chip woke with;
//   - it sleeps 100 ms in each change of frequency, and does not look at the chip again.
//
// The tests of this package show the first two.
//
// # Wiring
//
// The chip wakes asleep, all outputs fully off and driven low. What hangs on it must be active high. OE goes to ground.
//
// # Datasheet
//
// NXP PCA9685 Rev. 4: equation 1, tables 4 to 9, from memory.
package pca9685

import (
	"fmt"
	"math"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"

	"trivet/hal/expander"
)

// Opts is how a chip is used. What is left at 0 takes the value of DefaultOpts.
type Opts struct {
	Addr   uint16 // 0x40 to 0x7f without 0x70, where all chips answer
	Gather bool   // what is switched on waits for Flush, see package expander
}

// DefaultOpts are for a chip with its six address pins at ground.
var DefaultOpts = Opts{Addr: 0x40}

// Registers and bits.
const (
	mode1    = 0x00
	led0     = 0x06 // four for each line: on low, on high, off low, off high
	allLED   = 0xFA
	prescale = 0xFE
	lines    = 16
	quarter  = lines // bytes of the registers of a quarter of the lines
	turns    = 5

	stepping = 0x20 // MODE1: the address counts up
	sleeping = 0x10 // MODE1
	totem    = 0x04 // MODE2: outputs drive both ways; change at the end of a transaction
	full     = 0x10 // in on high and off high
)

// Slowest and Fastest are the ends of what the pre-scale, 3 to 255, can make.
const (
	Slowest = 24 * physic.Hertz
	Fastest = 1526 * physic.Hertz
)

// wakeUp is how long the oscillator takes after it was asleep (datasheet).
const wakeUp = 500 * time.Microsecond

// Prescale returns what goes into the register for a frequency: round(25 MHz / (4096 · f)) − 1, equation 1. It is held to what
// the register takes, 3 to 255.
func Prescale(f physic.Frequency) byte {
	const oscillator, steps = 25e6, 4096.0
	hz := float64(f) / float64(physic.Hertz)
	if !(hz > 0) {
		return 255
	}
	return byte(max(3, min(math.Round(oscillator/(steps*hz))-1, 255)))
}

// dev is the chip as a bank meets it.
type dev struct {
	i2c   i2c.Dev
	scale byte
	image [4 * lines]byte // of the lines' registers, as last written
	tx    [1 + 4*lines]byte
	rx    [quarter]byte
	turn  int // what the next check looks at: a quarter of the lines, or last the pre-scale
}

// New opens a chip: all outputs are fully off first. It takes a millisecond, and fails if the chip does not answer or does not keep
// what it is told.
func New(bus i2c.Bus, opts *Opts) (*expander.Bank, error) {
	o := *opts
	if o.Addr == 0 {
		o.Addr = DefaultOpts.Addr
	}
	if !(o.Addr >= 0x40 && o.Addr <= 0x7f && o.Addr != 0x70) {
		return nil, fmt.Errorf("pca9685: address is %#02x; 0x40 to 0x7f without 0x70 is allowed", o.Addr)
	}
	d := &dev{i2c: i2c.Dev{Bus: bus, Addr: o.Addr}, scale: Prescale(200 * physic.Hertz)} // as it wakes
	b, err := expander.New(fmt.Sprintf("PCA9685{%s(%#02x)}", bus, o.Addr), d, expander.Traits{
		Lines: lines, ActiveHighOnly: "the chip wakes with all its lines low",
		Slowest: Slowest, Fastest: Fastest, SetFrequency: d.setFrequency,
	}, o.Gather)
	if err != nil {
		return nil, fmt.Errorf("pca9685: %w", err)
	}
	return b, nil
}

// Begin turns all outputs fully off and starts the counter. The chip may not count addresses up yet: one register at a time.
func (d *dev) Begin() error {
	for _, w := range [][2]byte{
		{allLED + 3, full}, {mode1, stepping | sleeping}, {mode1 + 1, totem}, {prescale, d.scale}, {mode1, stepping},
	} {
		if err := d.i2c.Tx(w[:], nil); err != nil {
			return err
		}
	}
	time.Sleep(wakeUp)
	d.image = [4 * lines]byte{} // whatever was written to a chip that had lost itself is not there
	if err := d.Write(&expander.Image{}); err != nil {
		return err
	}
	for range turns {
		if _, err := d.Check(&expander.Image{}); err != nil {
			return err
		}
	}
	return nil
}

// setFrequency stops the counter for the moment that the pre-scale needs.
func (d *dev) setFrequency(f physic.Frequency) error {
	scale := Prescale(f)
	for _, w := range [][2]byte{{mode1, stepping | sleeping}, {prescale, scale}, {mode1, stepping}} {
		if err := d.i2c.Tx(w[:], nil); err != nil {
			return err
		}
	}
	d.scale = scale
	time.Sleep(wakeUp)
	return nil
}

// Direct has nothing to do: all lines are outputs, and those nobody has asked for stay off.
func (d *dev) Direct(uint16, uint16) error { return nil }

// compose is what the four registers of each line hold for an image.
func compose(image *expander.Image, to *[4 * lines]byte) {
	*to = [4 * lines]byte{}
	for i := range lines {
		r, bit, duty := to[4*i:4*i+4], uint16(1)<<i, image.Duty[i]
		on := image.Levels&bit != 0
		if image.Modulated&bit != 0 {
			if duty > 0 && duty < expander.FullDuty {
				r[2], r[3] = byte(duty), byte(duty>>8) // on from count 0 to this one
				continue
			}
			on = duty > 0
		}
		if on {
			r[1] = full
		} else {
			r[3] = full
		}
	}
}

// Write sends the registers from the first line that changes to the last, in one transaction: 6 bytes for one line, 66 for
// all, 6 ms at 100 kHz.
func (d *dev) Write(image *expander.Image) error {
	var next [4 * lines]byte
	compose(image, &next)
	first, last := 0, lines-1
	for first < last && [4]byte(next[4*first:]) == [4]byte(d.image[4*first:]) {
		first++
	}
	for last > first && [4]byte(next[4*last:]) == [4]byte(d.image[4*last:]) {
		last--
	}
	d.tx[0] = byte(led0 + 4*first)
	n := copy(d.tx[1:], next[4*first:4*last+4])
	if err := d.i2c.Tx(d.tx[:1+n], nil); err != nil {
		d.image = [4 * lines]byte{} // equal to no image: all of it is sent next time
		return err
	}
	d.image = next
	return nil
}

// errLost is made once: it may be told in every tick.
var errLost = fmt.Errorf("a register is not as it was written: %w", expander.ErrLost)

// Check reads the modes, which a chip that lost its supply no longer has, and in turn a quarter of the lines or the pre-scale: at
// most 24 bytes on the bus, 2.2 ms at 100 kHz. So every register is looked at in each fifth poll.
func (d *dev) Check(image *expander.Image) (uint16, error) {
	if err := d.read(mode1, 2); err != nil {
		return 0, err
	}
	lost := d.rx[0] != stepping || d.rx[1] != totem
	if turn := d.turn; turn < turns-1 {
		if err := d.read(byte(led0+quarter*turn), quarter); err != nil {
			return 0, err
		}
		var want [4 * lines]byte
		compose(image, &want)
		lost = lost || [quarter]byte(d.rx[:quarter]) != [quarter]byte(want[quarter*turn:])
	} else {
		if err := d.read(prescale, 1); err != nil {
			return 0, err
		}
		lost = lost || d.rx[0] != d.scale
	}
	d.turn = (d.turn + 1) % turns
	if lost {
		d.image = [4 * lines]byte{}
		return 0, errLost
	}
	return 0, nil
}

// read fetches n registers from at on.
func (d *dev) read(at byte, n int) error {
	d.tx[0] = at
	return d.i2c.Tx(d.tx[:1], d.rx[:n])
}

var _ expander.Chip = (*dev)(nil)
