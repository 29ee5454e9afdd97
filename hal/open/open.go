// Package open opens chips by the names that a machine file gives them, on buses that somebody else has opened. It knows which
// chips there are, what each needs, and which share one device; it reads no file and decides nothing.
//
// Nothing here moves heat: an output is off when it is handed out, and stays so until somebody sets it.
package open

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/spi"

	"trivet/hal/ad8495"
	"trivet/hal/ads1115"
	"trivet/hal/emf"
	"trivet/hal/max31855"
	"trivet/hal/max31856"
	"trivet/hal/max31865"
	"trivet/hal/max6675"
	"trivet/process/unit"
)

// Thermometer is a sensor as the control loop reads it: never waiting, never allocating.
type Thermometer interface {
	Read(now time.Duration) unit.Reading
	LastError() error // explains the last reading, nil if it was good
	String() string
}

// Poller is a chip that must be served once per tick, before what hangs on it is read.
type Poller interface {
	Poll(now time.Duration)
}

// Spec says which chip and how it is wired. What a chip does not have must be left at 0; what it has and is left at 0
// takes the driver's default.
type Spec struct {
	Chip  string   // one of Names
	SPI   spi.Port // for chips on SPI: a port with this chip's own select line
	I2C   i2c.Bus  // for chips on I²C
	Addr  uint16   // on I²C; 0: the chip's default address
	Input int      // of a converter with several, from 0

	Type     string // of the couple: a letter of emf.Types; of a resistance: Pt100 or Pt1000
	MainsHz  int    // 50 or 60: what the chip's own filter removes
	Averages int    // samples per result
	OpenTest int    // of a MAX31856: 1 to 3, see max31856.Opts

	RailVolts float64 // of an AD8495: where its output ends, see ad8495.Opts
	RefVolts  float64 // of an AD8495: at its reference pin
	SpanVolts float64 // of an input of a converter: the greatest voltage to be told apart

	Wires    int     // of a resistance: 2, 3 or 4
	RefOhms  float64 // of a MAX31865: its reference resistor; 0: 4.3 times the element's nominal
	LeadOhms float64 // of a resistance with two wires: both leads together

	Registers     int         // of a chain of 74HC595: 1 or 2
	Enable        gpio.PinOut // of a chain of 74HC595: see hc595.Opts
	AlwaysEnabled bool        // of a chain of 74HC595: see hc595.Opts
	Blind         bool        // of a chain of 74HC595: its serial output is not wired to the data line in
	Height        int         // of a display: 64 or 32 pixels
	Rotated       bool        // of a display: upside down

	Gather bool // of an expander: what is switched on waits for Flush, see package expander
}

// Chips are the chips of one machine. Its methods are called while the machine is put together, by one goroutine.
type Chips struct {
	every      time.Duration // how often the pollers are served
	converters map[place]*ads1115.Dev
	bursts     map[place]*ads1115.Burst
	pollers    []Poller       // each once, however many things hang on it
	lost       []func() error // each brings one chip back, if it needs that
}

// place is where a chip that several things hang on is.
type place struct {
	bus  string // buses are told apart by their names: periph gives each its own
	addr uint16
}

// New begins a machine whose pollers will be served at the given period, 20 ms to 1 s.
func New(every time.Duration) *Chips {
	return &Chips{every: every, converters: map[place]*ads1115.Dev{}, bursts: map[place]*ads1115.Burst{}}
}

// Pollers returns what must be served once per tick, each once, in the order of opening.
func (c *Chips) Pollers() []Poller { return c.pollers }

// Thermometer opens a sensor. Whatever it needs served is among Pollers afterwards.
func (c *Chips) Thermometer(s Spec) (Thermometer, error) {
	t, err := c.thermometer(s)
	if err != nil {
		return nil, fmt.Errorf("chip %q: %w", s.Chip, err)
	}
	return t, nil
}

func (c *Chips) thermometer(s Spec) (Thermometer, error) {
	if err := s.check(Thermometers); err != nil {
		return nil, err
	}
	// What a spec says beyond what its chip has is not looked at: whoever reads the machine file refuses it there, with the line.
	switch s.Chip {
	case "max31855":
		o := max31855.DefaultOpts
		if err := couple(s.Type, &o.Type); err != nil {
			return nil, err
		}
		return max31855.New(s.SPI, &o)
	case "max31856":
		o := max31856.DefaultOpts
		if err := couple(s.Type, &o.Type); err != nil {
			return nil, err
		}
		set(&o.MainsHz, s.MainsHz)
		set(&o.Average, s.Averages)
		set(&o.OpenTest, s.OpenTest)
		d, err := max31856.New(s.SPI, &o)
		if err != nil {
			return nil, err
		}
		// A reading that fails for another reason than a lost configuration is configured for in vain, and that does no harm.
		c.lost = append(c.lost, func() error { return again(d.LastError(), d) })
		return d, nil
	case "max31865":
		return c.resistance(s)
	case "max6675":
		if err := onlyK(s.Type); err != nil {
			return nil, err
		}
		return max6675.New(s.SPI, &max6675.DefaultOpts)
	}
	return c.amplifier(s)
}

// onlyK is for chips that are made for one type and have no letter of it in their order number.
func onlyK(letter string) error {
	if letter != "" && letter != "K" {
		return fmt.Errorf("type is %q; the chip is for K only", letter)
	}
	return nil
}

// resistance is a platinum element on a MAX31865. Ten times the element usually has ten times the reference on its board (common
// practice, no source); who has another says so.
func (c *Chips) resistance(s Spec) (Thermometer, error) {
	o := max31865.DefaultOpts
	switch s.Type {
	case "", "Pt100":
	case "Pt1000":
		o.NominalOhms *= 10
		o.RefOhms *= 10
	default: // others exist, but a person who types one has more likely mistyped
		return nil, fmt.Errorf("type is %q; allowed are Pt100 and Pt1000", s.Type)
	}
	set(&o.RefOhms, s.RefOhms)
	set(&o.LeadOhms, s.LeadOhms)
	set(&o.Wires, s.Wires)
	set(&o.MainsHz, s.MainsHz)
	d, err := max31865.New(s.SPI, &o)
	if err != nil {
		return nil, err
	}
	c.lost = append(c.lost, func() error { return again(d.LastError(), d) })
	return d, nil
}

// amplifier is an AD8495 on an input of a converter that may be shared.
func (c *Chips) amplifier(s Spec) (Thermometer, error) {
	if err := onlyK(s.Type); err != nil {
		return nil, err
	}
	conv, err := c.converter(s)
	if err != nil {
		return nil, err
	}
	return ad8495.On(conv, ad8495.InputOpts{
		ChannelOpts: ad8495.ChannelOpts{Channel: s.Input, RefVolts: s.RefVolts, SpanVolts: s.SpanVolts}, RailVolts: s.RailVolts,
	})
}

// at is where a converter is. An address that was left out and the default one are the same place.
func (s Spec) at() place {
	at := place{bus: s.I2C.String(), addr: s.Addr}
	if at.addr == 0 {
		at.addr = ads1115.DefaultOpts.Addr
	}
	return at
}

// converter returns the ADS1115 at the address, opening it the first time.
func (c *Chips) converter(s Spec) (*ads1115.Dev, error) {
	at := s.at()
	// One converter cannot do both: a burst starts conversions of its own between start and result of the other kind.
	if c.bursts[at] != nil {
		return nil, fmt.Errorf("the converter at %#02x has load currents on it; amplifiers need another one", at.addr)
	}
	if d := c.converters[at]; d != nil {
		return d, nil
	}
	d, err := ads1115.New(s.I2C, &ads1115.Opts{Addr: at.addr, Every: c.every})
	if err != nil {
		return nil, err
	}
	c.converters[at] = d
	c.pollers = append(c.pollers, d)
	return d, nil
}

// Configure brings back every chip that has lost its configuration: an expander with all its outputs off, a sensor with a first
// reading after a conversion. What needs nothing is left alone. Whoever calls it answers for the heat: it is for the reset of
// a trip, with everything off. It takes up to some milliseconds for each chip.
func (c *Chips) Configure() error {
	var errs []error
	for _, f := range c.lost {
		errs = append(errs, f())
	}
	return errors.Join(errs...)
}

// again configures a chip if something is wrong with it.
func again(wrong error, chip interface{ Configure() error }) error {
	if wrong == nil {
		return nil
	}
	return chip.Configure()
}

// couple sets to from the letter of a type, if there is one.
func couple(letter string, to *emf.Type) error {
	if letter == "" {
		return nil
	}
	if len(letter) != 1 || !emf.Type(letter[0]).Known() {
		return fmt.Errorf("type is %q; allowed are %s", letter, strings.Join(strings.Split(emf.Types, ""), ", "))
	}
	*to = emf.Type(letter[0])
	return nil
}

// set sets to from v unless that was left out.
func set[T int | float64](to *T, v T) {
	if v != 0 {
		*to = v
	}
}
