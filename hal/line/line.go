// Package line switches outputs, reads contacts and sets fans on GPIO lines. It decides nothing, filters nothing and
// keeps no time.
//
// Outputs are wired active-high with an external pull to off: the Linux driver behind periph drives a fresh line low
// before its first high, which on an active-low relay board is a pulse of heat.
package line

import (
	"errors"
	"fmt"
	"math"
	"sync/atomic"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"
)

// Out is an output line, high when on. It has no way to read the line back: on Linux periph's Read, and Function too,
// turn an output into an input with pull-up, which switches a relay on.
type Out struct {
	pin  gpio.PinOut
	last atomic.Bool // control and safety goroutine both switch a heater off
}

// NewOut takes a line and drives it off before it returns: until then nobody knows what it does.
func NewOut(pin gpio.PinOut) (*Out, error) {
	o := &Out{pin: pin}
	if err := o.Set(false); err != nil {
		return nil, err
	}
	return o, nil
}

// Set drives the line. It is written every time, changed or not, so that a line disturbed from outside does not stay wrong.
// After an error the level is not known.
func (o *Out) Set(on bool) error {
	o.last.Store(on)
	if err := o.pin.Out(gpio.Level(on)); err != nil {
		return fmt.Errorf("line %s: set %v: %w", o.pin.Name(), gpio.Level(on), err)
	}
	return nil
}

// Commanded returns what Set was last asked for. It is not a measurement.
func (o *Out) Commanded() bool { return o.last.Load() }

// String returns the name of the line.
func (o *Out) String() string { return o.pin.Name() }

// In is an input line.
type In struct {
	pin    gpio.PinIn
	active gpio.Level
}

// NewIn configures pin as an input, once, pulled to its inactive level: a broken wire then reads as inactive, an open
// contact.
//
// Prefer activeHigh for whatever permits heat: periph reports a failed read as low, which must not mean "closed".
func NewIn(pin gpio.PinIn, activeHigh bool) (*In, error) {
	pull := gpio.PullUp
	if activeHigh {
		pull = gpio.PullDown
	}
	if err := pin.In(pull, gpio.NoEdge); err != nil {
		return nil, fmt.Errorf("line %s: make it an input: %w", pin.Name(), err)
	}
	return &In{pin: pin, active: gpio.Level(activeHigh)}, nil
}

// Read reports whether the line is active.
func (i *In) Read() bool { return i.pin.Read() == i.active }

// String returns the name of the line.
func (i *In) String() string { return i.pin.Name() }

// Frequencies a Fan may be switched at: from what an expander can make up to what four-wire fans expect (24 Hz for a
// PCA9685, 25 kHz for computer fans; both from memory), with some room.
const (
	slowestFan = 20 * physic.Hertz
	fastestFan = 100 * physic.KiloHertz
)

// Fan is a fan on a line that can do pulse-width modulation.
type Fan struct {
	pin  gpio.PinOut
	freq physic.Frequency
	duty float64
}

// NewFan takes a line that can switch by itself at freq, 20 Hz to 100 kHz, and stops the fan.
func NewFan(pin gpio.PinOut, freq physic.Frequency) (*Fan, error) {
	if !(freq >= slowestFan && freq <= fastestFan) {
		return nil, fmt.Errorf("line %s: fan frequency is %v; %v to %v is allowed", pin.Name(), freq, slowestFan, fastestFan)
	}
	f := &Fan{pin: pin, freq: freq}
	if err := f.SetDuty(0); err != nil {
		return nil, err
	}
	return f, nil
}

var errNoDuty = errors.New("duty is not a number")

// SetDuty sets the share of full speed. Below 0 means 0 and above 1 means 1. NaN is refused and leaves the fan as it is.
func (f *Fan) SetDuty(share float64) error {
	if math.IsNaN(share) {
		return fmt.Errorf("line %s: %w", f.pin.Name(), errNoDuty)
	}
	share = max(0, min(share, 1))
	if err := f.pin.PWM(gpio.Duty(math.Round(share*float64(gpio.DutyMax))), f.freq); err != nil {
		return fmt.Errorf("line %s: set duty %.2f: %w", f.pin.Name(), share, err)
	}
	f.duty = share
	return nil
}

// Commanded returns the duty that was last accepted.
func (f *Fan) Commanded() float64 { return f.duty }

// String returns the name of the line.
func (f *Fan) String() string { return f.pin.Name() }
