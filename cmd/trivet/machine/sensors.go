package machine

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"trivet/hal/display"
	"trivet/hal/lane"
	"trivet/hal/line"
	"trivet/hal/loadcurrent"
	"trivet/hal/open"
	"trivet/station"
)

// spec is where a chip is, with its bus opened.
func (c *connector) spec(chip, bus string, address int, onI2C bool) (open.Spec, error) {
	s := open.Spec{Chip: chip}
	var err error
	if onI2C {
		s.Addr = uint16(address)
		s.I2C, err = c.i2cBus(bus)
	} else {
		s.SPI, err = c.spiPort(bus)
	}
	return s, err
}

// thermometer opens one sensor's chip and puts it on the lane of its bus. Chips that several inputs share are opened once, by package open.
func (c *connector) thermometer(s *Sensor) (station.Thermometer, error) {
	known, ok := chips[s.Chip]
	if !ok {
		return nil, fmt.Errorf("no driver for %s", s.Chip)
	}
	spec, err := c.spec(s.Chip, s.Bus, s.Address, known.i2c)
	if err != nil {
		return nil, err
	}
	spec.Type, spec.Input, spec.Wires, spec.RefOhms = s.Type, s.Input, s.Wires, s.RefOhms
	if known.mainsFilter {
		spec.MainsHz = c.f.Wiring.MainsHz
	}
	before := len(c.chips.Pollers())
	t, err := c.chips.Thermometer(spec)
	if err != nil {
		return nil, err
	}
	l, err := c.serve(s.Bus, before)
	if err != nil {
		return nil, err
	}
	if l == nil {
		return t, nil
	}
	return l.Add(t), nil
}

// serve puts the pollers that have come since before on the lane of a bus, or, where there are none, into the tick.
func (c *connector) serve(bus string, before int) (*lane.Lane, error) {
	l, err := c.laneOf(bus)
	if err != nil {
		return nil, err
	}
	for _, p := range c.chips.Pollers()[before:] {
		if l == nil {
			c.out.Hardware.Pollers = append(c.out.Hardware.Pollers, p)
		} else {
			l.AddPoller(p)
		}
	}
	return l, nil
}

// laneOf returns the lane of a bus; nil on counted time. Ports of one SPI controller, "SPI0.0" and "SPI0.1", are one bus.
func (c *connector) laneOf(bus string) (*lane.Lane, error) {
	if c.clock == nil {
		return nil, nil
	}
	bus, _, _ = strings.Cut(bus, ".")
	if l, ok := c.lanes[bus]; ok {
		return l, nil
	}
	l, err := lane.New(bus, station.Period, c.clock, lane.Options{})
	if err != nil {
		return nil, err
	}
	c.lanes[bus] = l
	c.out.Lanes = append(c.out.Lanes, l)
	return l, nil
}

// sense connects what tells that a heater has mains; nil where nothing does.
func (c *connector) sense(h *Heater) station.Contact {
	what := "load sense of " + h.Name
	if h.Current == nil {
		return c.contact(what, h.Sense)
	}
	s, err := c.loadCurrent(h.Current)
	if err != nil {
		c.fail(what, err)
		return stuck{}
	}
	return s
}

func (c *connector) loadCurrent(k *Current) (station.Contact, error) {
	spec, err := c.spec("ads1115", k.Bus, k.Address, true)
	if err != nil {
		return nil, err
	}
	span := k.SpanVolts
	if span == 0 {
		span = 4.096
	}
	spec.Input = k.Input
	before := len(c.chips.Pollers())
	in, err := c.chips.LoadSense(spec, loadcurrent.Opts{VoltsPerAmp: k.VoltsPerAmp, ZeroVolts: k.ZeroVolts, SpanVolts: span, OnAmps: k.OnA, OffAmps: k.OffA})
	if err != nil {
		return nil, err
	}
	l, err := c.serve(k.Bus, before)
	if err != nil || l == nil {
		return in, err
	}
	return flows{l.AddContact(in), l, c.clock}, nil
}

// flows is a load sense behind a lane. What is not known counts as current, as in the chip's own driver: a lane that has fallen silent must
// not look like a relay that is off.
type flows struct {
	*lane.Input
	lane  *lane.Lane
	clock func() time.Duration
}

func (f flows) Read() bool { return f.Input.Read() || f.lane.Silent(f.clock()) }

// stuck stands where a load sense could not be opened: current, as far as anybody knows.
type stuck struct{}

func (stuck) Read() bool { return true }

// display opens the screen, on its bus's lane: it allocates, which a tick must not.
func (c *connector) display() (*display.Screen, error) {
	d := c.f.Wiring.Display
	spec, err := c.spec(d.Chip, d.Bus, d.Address, true)
	if err != nil {
		return nil, err
	}
	spec.Height, spec.Rotated = d.Height, d.Rotated
	screen, err := c.chips.Display(spec)
	if err != nil {
		return nil, err
	}
	l, err := c.laneOf(d.Bus)
	if err != nil || l == nil {
		return nil, err // on counted time there is nobody to look
	}
	l.AddPoller(screen)
	return screen, nil
}

// expander opens a chip that adds lines, all of them off.
func (c *connector) expander(e *Expander) error {
	spec, err := c.spec(e.Chip, e.Bus, e.Address, e.Chip != shiftRegister)
	if err != nil {
		return err
	}
	spec.Gather = true // one transaction for all that a tick changes
	if e.Chip == shiftRegister {
		if spec.Enable, err = c.b.Out(e.Enable, true); err != nil {
			return err
		}
	}
	before := len(c.chips.Pollers())
	b, err := c.chips.Expander(spec)
	if err != nil {
		return err
	}
	if _, err := c.serve(e.Bus, before); err != nil {
		return err
	}
	c.banks[e.Name] = b
	return nil
}

// isBank reports whether the first part of a line's name is an expander of the file.
func (c *connector) isBank(name string) bool {
	for _, e := range c.f.Wiring.Expanders {
		if e.Name == name {
			return true
		}
	}
	return false
}

// bankLine finds an expander and the number of its line.
func (c *connector) bankLine(chip, pin string) (busOf string, n int, err error) {
	if n, err = strconv.Atoi(pin); err != nil {
		return "", 0, fmt.Errorf("line %q of expander %s: allowed are numbers from 0", pin, chip)
	}
	if c.banks[chip] == nil {
		return "", 0, fmt.Errorf("expander %s could not be opened", chip)
	}
	for _, e := range c.f.Wiring.Expanders {
		if e.Name == chip {
			return e.Bus, n, nil
		}
	}
	return "", 0, fmt.Errorf("there is no expander %s", chip)
}

// expanded claims an output behind an expander. What heats must be active-high: a chip that can only sink, or that comes up high, is for
// blowers and fans at most, and says so itself.
func (c *connector) expanded(chip, pin string, lease time.Duration) (station.Switch, error) {
	bus, n, err := c.bankLine(chip, pin)
	if err != nil {
		return nil, err
	}
	b := c.banks[chip]
	heats := lease > 0
	low := b.Traits().ActiveLowOnly
	if heats && low != "" {
		return nil, fmt.Errorf("expander %s cannot switch a heater: %s", chip, low)
	}
	p, err := b.Out(n, low != "")
	if err != nil {
		return nil, err
	}
	o, err := line.NewOut(p)
	if err != nil {
		return nil, err
	}
	c.out.closers = append(c.out.closers, func() error { return o.Set(false) })
	l, err := c.laneOf(bus)
	if err != nil || l == nil {
		return o, err
	}
	return l.AddSwitch(o, lease)
}

// expandedFan claims an output that can switch by itself.
func (c *connector) expandedFan(chip, pin string, hz physic.Frequency) (station.Fan, error) {
	bus, n, err := c.bankLine(chip, pin)
	if err != nil {
		return nil, err
	}
	p, err := c.banks[chip].Out(n, c.banks[chip].Traits().ActiveLowOnly != "")
	if err != nil {
		return nil, err
	}
	f, err := line.NewFan(p, hz)
	if err != nil {
		return nil, err
	}
	l, err := c.laneOf(bus)
	if err != nil || l == nil {
		return f, err
	}
	return l.AddFan(f)
}

// expandedInput claims a contact behind an expander. Those that pull, pull up: the contact goes to ground there, and a broken wire is open.
func (c *connector) expandedInput(chip, pin string) (station.Contact, error) {
	bus, n, err := c.bankLine(chip, pin)
	if err != nil {
		return nil, err
	}
	b := c.banks[chip]
	p, err := b.In(n)
	if err != nil {
		return nil, err
	}
	traits := b.Traits()
	i, err := line.NewIn(p, !traits.PullsUp && traits.NoPullDown == "")
	if err != nil {
		return nil, err
	}
	l, err := c.laneOf(bus)
	if err != nil || l == nil {
		return i, err
	}
	return l.AddContact(i), nil
}

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
