package chip

import (
	"math"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"
)

// Registers and bits of a PCA9685 (datasheet Rev. 4, tables 4 to 9, from memory).
const (
	regMode1, regMode2 = 0x00, 0x01
	regLED0            = 0x06 // four registers for each line: on low, on high, off low, off high
	regAllLED          = 0xFA // the same for all lines at once; reads as 0
	regPrescale        = 0xFE
	mode1Restart       = 0x80
	mode1Step          = 0x20 // the address counts up
	mode1Sleep         = 0x10
	mode2Invert        = 0x10
	ledFull            = 0x10 // in on high and off high: all of the time; off wins
	oscillator9685     = 25e6 // Hz, the chip's own
	steps9685          = 4096
	lastStepping9685   = 0x45 // counting up, the address returns to 0 after the last line's register
	leastPrescale9685  = 3
)

// Pca9685 is an emulated PCA9685: sixteen lines that switch by themselves, all at one frequency. It wakes asleep and with all
// lines fully off. Not emulated: sub-addresses, the output-enable pin, open-drain outputs, when within its period a line is on.
type Pca9685 struct {
	reg   [256]byte
	at    byte
	lines [16]*Pin
	fault Fault
}

// NewPca9685 returns a chip as it wakes, with lines called name/0 to name/15.
func NewPca9685(name string) *Pca9685 {
	c := &Pca9685{}
	for i := range c.lines {
		c.lines[i] = numbered(name, i)
	}
	c.wake()
	return c
}

func (c *Pca9685) wake() {
	c.reg, c.at = [256]byte{}, 0
	c.reg[regMode1], c.reg[regMode2], c.reg[regPrescale] = mode1Sleep|0x01, 0x04, 0x1E
	for i := range c.lines {
		c.reg[regLED0+4*i+3] = ledFull
	}
	c.drive()
}

// Line returns the wire of line i, 0 to 15; a higher number wraps round.
func (c *Pca9685) Line(i int) *Pin { return c.lines[i&15] }

// Inject puts a fault on: Dead, AllZeros, AllOnes, FrozenFrame (writes are lost) or ResetChip. None takes it off.
func (c *Pca9685) Inject(f Fault) {
	c.fault = f
	if f == ResetChip {
		c.wake()
	}
}

// Frequency returns how often a line switches: 25 MHz / (4096 · (prescale + 1)), datasheet equation 1.
func (c *Pca9685) Frequency() physic.Frequency {
	return physic.Frequency(oscillator9685 / steps9685 / (float64(c.reg[regPrescale]) + 1) * float64(physic.Hertz))
}

func (c *Pca9685) drive() {
	for i, p := range c.lines {
		r := c.reg[regLED0+4*i:]
		on, off := int(r[1]&0x0F)<<8|int(r[0]), int(r[3]&0x0F)<<8|int(r[2])
		switch {
		case r[3]&ledFull != 0:
			_ = p.Out(gpio.Low)
		case r[1]&ledFull != 0:
			_ = p.Out(gpio.High)
		case c.reg[regMode1]&mode1Sleep != 0: // the counter stands still
			_ = p.Out(gpio.Low)
		default:
			share := float64((off-on+steps9685)%steps9685) / steps9685
			_ = p.PWM(gpio.Duty(math.Round(share*float64(gpio.DutyMax))), c.Frequency())
		}
	}
}

func (c *Pca9685) tx(w, r []byte) error {
	if done, err := c.fault.answer(r); done {
		return err
	}
	if len(w) > 0 {
		c.at = w[0]
		for _, v := range w[1:] {
			c.write(v)
			c.step()
		}
		if len(w) > 1 {
			c.drive() // outputs change when the transaction ends (MODE2.OCH is 0)
		}
	}
	for i := range r {
		if c.at < regAllLED || c.at >= regPrescale {
			r[i] = c.reg[c.at]
		}
		c.step()
	}
	return nil
}

func (c *Pca9685) step() {
	if c.reg[regMode1]&mode1Step == 0 {
		return
	}
	if c.at == lastStepping9685 {
		c.at = 0
		return
	}
	c.at++
}

func (c *Pca9685) write(v byte) {
	switch {
	case c.fault == FrozenFrame:
	case c.at == regPrescale:
		if c.reg[regMode1]&mode1Sleep != 0 { // only then
			c.reg[regPrescale] = max(v, leastPrescale9685)
		}
	case c.at == regMode1:
		c.reg[regMode1] = v &^ mode1Restart // a request that clears itself
	case c.at >= regAllLED && c.at < regPrescale:
		for i := range c.lines {
			c.reg[regLED0+4*i+int(c.at-regAllLED)] = v & 0x1F
		}
	case c.at > lastStepping9685 && c.at < regAllLED: // reserved
	default:
		c.reg[c.at] = v
	}
}

func (c *Pca9685) addresses() (kind string, low, high uint16) { return "a PCA9685", 0x40, 0x7f }

var _ i2cChip = (*Pca9685)(nil)
