// Package line puts single lines behind the few words the station needs: an output that can only be driven, an input that can
// only be read, a fan.
//
// Outputs are never read back. On Linux GPIO through periph a read of an output line turns it into an input with a pull-up,
// which un-drives a heater output or even switches it on.
package line

import (
	"fmt"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"
)

// Out is an output, active high.
type Out struct {
	pin gpio.PinOut
	on  bool
	set bool
}

// NewOut takes a line and drives it low before it returns.
func NewOut(pin gpio.PinOut) (*Out, error) {
	o := &Out{pin: pin}
	return o, o.Set(false)
}

// Set drives the line. A line that already has the level is driven again only when the last attempt failed.
func (o *Out) Set(on bool) error {
	if o.set && o.on == on {
		return nil
	}
	o.set = false
	if err := o.pin.Out(gpio.Level(on)); err != nil {
		return fmt.Errorf("line %s: %w", o.pin.Name(), err)
	}
	o.on, o.set = on, true
	return nil
}

// Commanded returns what the line was last told, which says nothing about what it does.
func (o *Out) Commanded() bool { return o.on }

func (o *Out) String() string { return o.pin.Name() }

// In is an input.
type In struct {
	pin    gpio.PinIn
	active gpio.Level
}

// NewIn claims a line as an input without edges. With activeHigh false, Read is true while the line is low. The pull is to the
// side that means "not", so that a broken wire reads as not.
func NewIn(pin gpio.PinIn, activeHigh bool) (*In, error) {
	pull := gpio.PullDown
	if !activeHigh {
		pull = gpio.PullUp
	}
	if err := pin.In(pull, gpio.NoEdge); err != nil {
		return nil, fmt.Errorf("line %s: %w", pin.Name(), err)
	}
	return &In{pin: pin, active: gpio.Level(activeHigh)}, nil
}

// Read returns whether the input is active.
func (i *In) Read() bool { return i.pin.Read() == i.active }

func (i *In) String() string { return i.pin.Name() }

// Fan is a fan driven by pulse width.
type Fan struct {
	pin  gpio.PinOut
	freq physic.Frequency
	duty gpio.Duty
	set  bool
}

// NewFan takes a line that can do PWM at freq and stops the fan.
func NewFan(pin gpio.PinOut, freq physic.Frequency) (*Fan, error) {
	f := &Fan{pin: pin, freq: freq}
	return f, f.SetDuty(0)
}

// SetDuty runs the fan at a share of full speed, 0 to 1. Anything else is refused, NaN included.
func (f *Fan) SetDuty(share float64) error {
	if !(share >= 0 && share <= 1) {
		return fmt.Errorf("fan %s: share is %g; it must be between 0 and 1", f.pin.Name(), share)
	}
	d := gpio.Duty(share * float64(gpio.DutyMax))
	if f.set && d == f.duty {
		return nil
	}
	f.set = false
	if err := f.pin.PWM(d, f.freq); err != nil {
		return fmt.Errorf("fan %s: %w", f.pin.Name(), err)
	}
	f.duty, f.set = d, true
	return nil
}
