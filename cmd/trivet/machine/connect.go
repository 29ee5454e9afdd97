package machine

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"trivet/hal/display"
	"trivet/hal/expander"
	"trivet/hal/lane"
	"trivet/hal/line"
	"trivet/hal/open"
	"trivet/process/unit"
	"trivet/station"
)

// Buses opens what a machine file names: the computer's own buses and lines, or emulated ones.
type Buses interface {
	SPI(name string) (spi.PortCloser, error)
	I2C(name string) (i2c.BusCloser, error)
	// Out requests a line, "CHIP/LINE", that has its level from its first moment on. It is never read back.
	Out(line string, high bool) (gpio.PinOut, error)
	// In requests a contact, high while closed, pulled so that a broken wire is an open contact.
	In(line string) (station.Contact, error)
}

// Connected is a machine whose chips answer and whose lines are claimed, everything off.
type Connected struct {
	Hardware station.Hardware
	Lines    station.Lines
	Screen   *display.Screen // nil when not fitted
	Lanes    []*lane.Lane    // one per bus, so that a bus that hangs blocks no tick; none on counted time

	Optional error // what could not be connected and matters to no heat
	closers  []func() error
}

// Start lets the buses be served until ctx ends. It is called once, before the station is built.
func (c *Connected) Start(ctx context.Context) {
	for _, l := range c.Lanes {
		l.Start(ctx)
	}
}

// patience is how long a bus that hangs is waited for at the end.
const patience = time.Second

// Close gives buses and lines back, once the context of Start has ended; heat must be off.
func (c *Connected) Close() error {
	var errs []error
	for _, l := range c.Lanes {
		errs = append(errs, l.Wait(patience))
	}
	for i := len(c.closers) - 1; i >= 0; i-- {
		errs = append(errs, c.closers[i]())
	}
	return errors.Join(errs...)
}

// Connect claims every line, all outputs first and off, and opens every chip. What cannot be had is stood in for by something that never
// reads and never switches on, so that the page can come up and say so; the error names each such part, and no heat may be given then.
//
// clock is the station's own time. Without one the chips are served in the tick itself, as on counted time they must be.
func (f *File) Connect(b Buses, clock func() time.Duration) (*Connected, error) {
	c := f.connector(b, clock)
	c.all()
	c.out.Optional = errors.Join(c.told...)
	return c.out, c.err
}

// Sensors opens the sensors alone, served by whoever reads them: no line is claimed. What cannot be opened is named, as by Connect.
func (f *File) Sensors(b Buses) (*Connected, error) {
	c := f.connector(b, nil)
	c.sensors()
	return c.out, c.err
}

// AllOff claims every output of the computer's own lines low and lets it go; the error names those that it could not have. Outputs behind
// an expander are left to the contactor, which the first two lines open.
func (f *File) AllOff(b Buses) (n int, err error) {
	w := &f.Wiring
	names := []string{w.HeatEnable, w.Heartbeat}
	for _, h := range w.Heaters {
		names = append(names, h.Output)
	}
	c := f.connector(b, nil)
	for _, name := range names {
		if chip, _ := place(name); c.isBank(chip) {
			continue
		}
		p, e := b.Out(name, false)
		if e == nil {
			e = p.Out(gpio.Low)
		}
		if e == nil {
			n++
		}
		if held, ok := p.(io.Closer); ok {
			e = errors.Join(e, held.Close())
		}
		err = errors.Join(err, e)
	}
	return n, err
}

func (f *File) connector(b Buses, clock func() time.Duration) *connector {
	return &connector{f: f, b: b, clock: clock, out: &Connected{}, spis: map[string]spi.PortCloser{}, i2cs: map[string]i2c.BusCloser{},
		chips: open.New(station.Period), lanes: map[string]*lane.Lane{}, banks: map[string]*expander.Bank{}}
}

type connector struct {
	f     *File
	b     Buses
	clock func() time.Duration
	out   *Connected
	spis  map[string]spi.PortCloser
	i2cs  map[string]i2c.BusCloser
	chips *open.Chips
	lanes map[string]*lane.Lane // by bus
	banks map[string]*expander.Bank
	told  []error // what could not be had and locks nothing
	err   error
}

// all connects in the order in which a mistake does least: what heats is off before anything else is touched.
func (c *connector) all() {
	w, hw, lines := &c.f.Wiring, &c.out.Hardware, &c.out.Lines
	for i := range w.Expanders {
		if err := c.expander(&w.Expanders[i]); err != nil {
			c.fail("expander "+w.Expanders[i].Name, err)
		}
	}
	lines.Enable = c.output("heat_enable", w.HeatEnable, 0)
	lines.Heartbeat = c.output("heartbeat", w.Heartbeat, 0)
	heaters, _ := c.f.ordered()
	for _, h := range heaters {
		r := c.output("heater "+h.Name, h.Output, driveLease)
		hw.Relays, lines.Relays = append(hw.Relays, r), append(lines.Relays, r)
	}
	for _, d := range w.Blowers {
		hw.Blowers = append(hw.Blowers, c.output("blower "+d.Name, d.Output, 0))
		hw.Air = append(hw.Air, c.contact("proof of blower "+d.Name, d.Proof))
	}
	for _, h := range heaters {
		hw.Sense = append(hw.Sense, c.sense(&h))
	}
	for _, i := range w.Interlocks {
		hw.Interlocks = append(hw.Interlocks, c.contact("interlock "+i.Name, i.Input))
	}
	hw.Mirror = c.contact("mirror", w.Mirror)
	hw.Fan = c.fan()
	c.sensors()
	if w.Display != nil {
		screen, err := c.display()
		if err != nil {
			c.told = append(c.told, fmt.Errorf("display: %w", err)) // nobody's heat depends on it
		}
		c.out.Screen = screen
	}
}

func (c *connector) sensors() {
	for i := range c.f.Wiring.Sensors {
		s := &c.f.Wiring.Sensors[i]
		t, err := c.thermometer(s)
		if err != nil {
			c.fail("sensor "+s.Name, err)
			t = absent{}
		}
		c.out.Hardware.Sensors = append(c.out.Hardware.Sensors, calibrated(t, s.Calibration))
	}
}

// fail notes what could not be connected: a person mends all of it at once.
func (c *connector) fail(what string, err error) {
	c.err = errors.Join(c.err, fmt.Errorf("%s: %w", what, err))
}

// driveLease is how long a command to heat lasts behind an expander without being renewed (invariant I-6).
const driveLease = 500 * time.Millisecond

func (c *connector) output(what, name string, lease time.Duration) station.Switch {
	if chip, pin := place(name); c.isBank(chip) {
		s, err := c.expanded(chip, pin, lease)
		if err != nil {
			c.fail(what, err)
			return dead{}
		}
		return s
	}
	p, err := c.b.Out(name, false)
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

// Absent reports whether a sensor could not be opened.
func Absent(t station.Thermometer) bool {
	_, is := t.(absent)
	return is
}

func (absent) Read(now time.Duration) unit.Reading { return unit.Unusable(now, unit.NoAnswer) }

// contact claims an input; nil where none is fitted, which is not the same as an open one.
func (c *connector) contact(what, name string) station.Contact {
	if name == "" {
		return nil
	}
	if chip, pin := place(name); c.isBank(chip) {
		i, err := c.expandedInput(chip, pin)
		if err != nil {
			c.fail(what, err)
			return gaping{}
		}
		return i
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
		return &twoStep{c.output("fan", f.Output, 0)}
	}
	fan, err := c.modulated(f)
	if err != nil {
		c.fail("fan", err)
		return nil
	}
	return fan
}

func (c *connector) modulated(f *Fan) (station.Fan, error) {
	hz := physic.Frequency(f.PWMHz * float64(physic.Hertz))
	if chip, pin := place(f.Output); c.isBank(chip) {
		return c.expandedFan(chip, pin, hz)
	}
	p, err := c.b.Out(f.Output, false)
	if err != nil {
		return nil, err
	}
	fan, err := line.NewFan(p, hz)
	if err != nil {
		return nil, err
	}
	return fan, nil
}

// twoStep is a fan that is on or off. Cooling is steered by slow error feedback, so that half a duty is half the time, in spells a motor
// can follow.
type twoStep struct{ to station.Switch }

// SetDuty switches the fan on for any share of more than a quarter: less would be short pushes.
func (t *twoStep) SetDuty(share float64) error { return t.to.Set(share > 0.25) }
