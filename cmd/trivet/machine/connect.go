package machine

import (
	"errors"
	"fmt"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"trivet/hal/line"
	"trivet/station"
)

// Buses opens what a machine file names: the computer's own buses and lines, or emulated ones.
type Buses interface {
	SPI(name string) (spi.PortCloser, error)
	I2C(name string) (i2c.BusCloser, error)
	// Out requests a line that is low from its first moment on. It is never read back.
	Out(chip, line string) (gpio.PinOut, error)
	In(chip, line string) (gpio.PinIn, error)
}

// Connected is a machine whose chips answer and whose lines are claimed, everything off.
type Connected struct {
	Hardware station.Hardware
	Lines    station.Lines
	closers  []func() error
}

// Close gives buses and lines back; heat must be off.
func (c *Connected) Close() error {
	var errs []error
	for i := len(c.closers) - 1; i >= 0; i-- {
		errs = append(errs, c.closers[i]())
	}
	return errors.Join(errs...)
}

// Connect claims every line, all outputs first and off, and opens every chip. Its error names the part of the file that it is about.
func (f *File) Connect(b Buses) (*Connected, error) {
	c := &connector{f: f, b: b, out: &Connected{}, spis: map[string]spi.PortCloser{}, i2cs: map[string]i2c.BusCloser{}, converters: map[string]converter{}}
	if err := c.all(); err != nil {
		return nil, errors.Join(err, c.out.Close())
	}
	return c.out, nil
}

type connector struct {
	f          *File
	b          Buses
	out        *Connected
	spis       map[string]spi.PortCloser
	i2cs       map[string]i2c.BusCloser
	converters map[string]converter
	err        error
}

// all connects in the order in which a mistake does least: what heats is off before anything else is touched.
func (c *connector) all() error {
	w, hw, lines := &c.f.Wiring, &c.out.Hardware, &c.out.Lines
	lines.Enable = c.output("heat_enable", w.HeatEnable)
	lines.Heartbeat = c.output("heartbeat", w.Heartbeat)
	heaters, _ := c.f.ordered()
	for _, h := range heaters {
		r := c.output("heater "+h.Name, h.Output)
		hw.Relays, lines.Relays = append(hw.Relays, r), append(lines.Relays, r)
	}
	for _, d := range w.Blowers {
		hw.Blowers = append(hw.Blowers, c.output("blower "+d.Name, d.Output))
		hw.Air = append(hw.Air, c.contact("proof of blower "+d.Name, d.Proof))
	}
	for _, h := range heaters {
		hw.Sense = append(hw.Sense, c.contact("load sense of "+h.Name, h.Sense))
	}
	for _, i := range w.Interlocks {
		hw.Interlocks = append(hw.Interlocks, c.contact("interlock "+i.Name, i.Input))
	}
	hw.Mirror = c.contact("mirror", w.Mirror)
	hw.Fan = c.fan()
	for i := range w.Sensors {
		s := &w.Sensors[i]
		t, err := c.thermometer(s)
		if err != nil {
			c.fail("sensor "+s.Name, err)
			continue
		}
		hw.Sensors = append(hw.Sensors, calibrated(t, s.Calibration))
	}
	return c.err
}

// fail notes what could not be connected: a person mends all of it at once.
func (c *connector) fail(what string, err error) {
	c.err = errors.Join(c.err, fmt.Errorf("%s: %w", what, err))
}

func (c *connector) output(what, name string) station.Switch {
	chip, pin := place(name)
	p, err := c.b.Out(chip, pin)
	if err != nil {
		c.fail(what, err)
		return dead{}
	}
	o, err := line.NewOut(p)
	if err != nil {
		c.fail(what, err)
		return dead{}
	}
	c.out.closers = append(c.out.closers, func() error { return o.Set(false) })
	return o
}

// dead stands where a line could not be claimed; nothing is built from it.
type dead struct{}

func (dead) Set(bool) error { return errors.New("not connected") }

// contact claims an input; nil where none is fitted, which is not the same as an open one.
func (c *connector) contact(what, name string) station.Contact {
	if name == "" {
		return nil
	}
	chip, pin := place(name)
	p, err := c.b.In(chip, pin)
	if err != nil {
		c.fail(what, err)
		return nil
	}
	// Active-high, pulled down: a broken wire and a failed read are both an open contact.
	i, err := line.NewIn(p, true)
	if err != nil {
		c.fail(what, err)
		return nil
	}
	return i
}

func (c *connector) fan() station.Fan {
	f := c.f.Wiring.Fan
	if f == nil {
		return nil
	}
	if f.PWMHz == 0 {
		return &twoStep{c.output("fan", f.Output)}
	}
	chip, pin := place(f.Output)
	p, err := c.b.Out(chip, pin)
	if err != nil {
		c.fail("fan", err)
		return nil
	}
	fan, err := line.NewFan(p, physic.Frequency(f.PWMHz*float64(physic.Hertz)))
	if err != nil {
		c.fail("fan", err)
		return nil
	}
	return fan
}

// twoStep is a fan that is on or off. Cooling is steered by slow error feedback, so that half a duty is half the time, in spells a motor
// can follow.
type twoStep struct{ to station.Switch }

// SetDuty switches the fan on for any share of more than a quarter: less would be short pushes.
func (t *twoStep) SetDuty(share float64) error { return t.to.Set(share > 0.25) }

// spiPort opens a port once; each chip has its own.
func (c *connector) spiPort(name string) (spi.Port, error) {
	if p, ok := c.spis[name]; ok {
		return p, nil
	}
	p, err := c.b.SPI(name)
	if err != nil {
		return nil, err
	}
	c.spis[name] = p
	c.out.closers = append(c.out.closers, p.Close)
	return p, nil
}

// i2cBus opens a bus once for all chips on it.
func (c *connector) i2cBus(name string) (i2c.Bus, error) {
	if b, ok := c.i2cs[name]; ok {
		return b, nil
	}
	b, err := c.b.I2C(name)
	if err != nil {
		return nil, err
	}
	c.i2cs[name] = b
	c.out.closers = append(c.out.closers, b.Close)
	return b, nil
}
