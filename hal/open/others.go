package open

import (
	"fmt"

	"trivet/hal/ads1115"
	"trivet/hal/display"
	"trivet/hal/loadcurrent"
)

// LoadSense opens a circuit that senses the current behind a relay, on an input of an ADS1115 (Spec.Chip "ads1115"). Up to four share
// a converter, which no amplifier may be on. Its poller is among Pollers afterwards. o.Channel and o.SpanVolts are those of
// the spec, the latter unless it is 0.
func (c *Chips) LoadSense(s Spec, o loadcurrent.Opts) (*loadcurrent.Input, error) {
	in, err := c.loadSense(s, o)
	if err != nil {
		return nil, fmt.Errorf("chip %q: %w", s.Chip, err)
	}
	return in, nil
}

func (c *Chips) loadSense(s Spec, o loadcurrent.Opts) (*loadcurrent.Input, error) {
	if err := s.check(LoadSenses); err != nil {
		return nil, err
	}
	at := s.at()
	if c.converters[at] != nil {
		return nil, fmt.Errorf("the converter at %#02x has amplifiers on it; load currents need another one", at.addr)
	}
	conv := c.bursts[at]
	if conv == nil {
		b, err := ads1115.NewBurst(s.I2C, at.addr)
		if err != nil {
			return nil, err
		}
		conv, c.bursts[at] = b, b
		c.pollers = append(c.pollers, b)
	}
	o.Channel = s.Input
	set(&o.SpanVolts, s.SpanVolts)
	return loadcurrent.On(conv, o)
}

// Display prepares a small screen. It is not among Pollers: polling it allocates memory, so it belongs to a goroutine other than
// the control loop's, which polls it every 0.1 to 0.5 s. A screen that does not answer is no error here.
func (c *Chips) Display(s Spec) (*display.Screen, error) {
	d, err := screen(s)
	if err != nil {
		return nil, fmt.Errorf("chip %q: %w", s.Chip, err)
	}
	return d, nil
}

func screen(s Spec) (*display.Screen, error) {
	if err := s.check(Displays); err != nil {
		return nil, err
	}
	o := display.DefaultOpts
	if s.Addr != 0 {
		o.Addr = s.Addr
	}
	set(&o.Height, s.Height)
	o.Rotated = s.Rotated
	return display.New(s.I2C, &o)
}
