package machine

import (
	"errors"
	"fmt"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"trivet/hal/line"
	"trivet/hal/open"
	"trivet/process/unit"
	"trivet/station"
)

// Buses opens what a machine file names: the computer's own buses and lines, or emulated ones.
type Buses interface {
	SPI(name string) (spi.PortCloser, error)
	I2C(name string) (i2c.BusCloser, error)
	// Out requests a line, "CHIP/LINE", that is low from its first moment on. It is never read back.
	Out(line string) (gpio.PinOut, error)
	// In requests a contact, high while closed, pulled so that a broken wire is an open contact.
	In(line string) (station.Contact, error)
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

// Connect claims every line, all outputs first and off, and opens every chip. What cannot be had is stood in for by something that never
// reads and never switches on, so that the page can come up and say so; the error names each such part, and no heat may be given then.
func (f *File) Connect(b Buses) (*Connected, error) {
	c := &connector{f: f, b: b, out: &Connected{}, spis: map[string]spi.PortCloser{}, i2cs: map[string]i2c.BusCloser{}, chips: open.New(station.Period)}
	c.all()
	return c.out, c.err
}

type connector struct {
	f     *File
	b     Buses
	out   *Connected
	spis  map[string]spi.PortCloser
	i2cs  map[string]i2c.BusCloser
	chips *open.Chips
	err   error
}

// all connects in the order in which a mistake does least: what heats is off before anything else is touched.
func (c *connector) all() {
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
			t = absent{}
		}
		hw.Sensors = append(hw.Sensors, calibrated(t, s.Calibration))
	}
	for _, p := range c.chips.Pollers() {
		hw.Pollers = append(hw.Pollers, p)
	}
}

// fail notes what could not be connected: a person mends all of it at once.
func (c *connector) fail(what string, err error) {
	c.err = errors.Join(c.err, fmt.Errorf("%s: %w", what, err))
}

func (c *connector) output(what, name string) station.Switch {
	p, err := c.b.Out(name)
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

// dead stands where an output could not be claimed. It is never on; whoever wants it on is told.
type dead struct{}

func (dead) Set(on bool) error {
	if on {
		return errors.New("not connected")
	}
	return nil
}

// gaping stands where an input could not be claimed: an open contact.
type gaping struct{}

func (gaping) Read() bool { return false }

// absent stands where a sensor could not be opened.
type absent struct{}

func (absent) Read(now time.Duration) unit.Reading { return unit.Unusable(now, unit.NoAnswer) }

// contact claims an input; nil where none is fitted, which is not the same as an open one.
func (c *connector) contact(what, name string) station.Contact {
	if name == "" {
		return nil
	}
	i, err := c.b.In(name)
	if err != nil {
		c.fail(what, err)
		return gaping{}
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
	p, err := c.b.Out(f.Output)
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
