package ad8495

import (
	"errors"
	"fmt"
	"math"
	"time"

	"periph.io/x/conn/v3"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/devices/v3/ads1x15"

	"trivet/process/unit"
)

// ChannelOpts is one amplifier.
type ChannelOpts struct {
	Channel  int     // input of the converter, 0 to 3
	RefVolts float64 // at the reference pin, 0 to 3 V and at least 1 V below the rail
	// SpanVolts is the greatest output that must be told apart, up to 6.144 V; 0 means up to the rail. A smaller span, for a
	// joint that never passes 300 °C say, has finer steps; an output beyond it counts as open.
	SpanVolts float64
}

// Opts is one converter with its amplifiers. What is left at 0 takes the value of DefaultOpts.
type Opts struct {
	Addr     uint16           // 0x48 to 0x4b
	Channels []ChannelOpts    // 1 to 4, each input once; polled in turn
	Rate     physic.Frequency // conversions per second while one runs: 16 to 860 Hz
	Every    time.Duration    // how often Poll is called, 20 ms to 1 s; a conversion at Rate must fit in
	// RailVolts is where an amplifier's output ends when its couple is open, 2.5 to 6.1 V: 0.1 V below its supply.
	RailVolts float64
	// FrozenAfter is how long an input may give the same code, 1 s to 10 min. The steps are about as big as the noise, so that
	// equal codes in a row prove little; half a minute of them does (judgement, no source).
	FrozenAfter time.Duration
}

// DefaultOpts are one amplifier on a 3.3 V supply polled at the control loop's 10 Hz. At 16 conversions per second one
// lasts about three periods of the mains, whose hum it averages out, and leaves a third of the tick as margin.
var DefaultOpts = Opts{
	Addr: 0x48, Channels: []ChannelOpts{{Channel: 0}}, Rate: 16 * physic.Hertz, Every: 100 * time.Millisecond, RailVolts: 3.2,
	FrozenAfter: 30 * time.Second,
}

const (
	// belowRail and aboveGround are how close to its ends, in volts, an output is no longer a measurement. The amplifier
	// gets within 25 mV of ground (datasheet, from memory).
	belowRail   = 0.05
	aboveGround = 0.026
	// clockError is by how much a conversion may last longer than the rate says (datasheet, from memory).
	clockError = 1.10
	// patience is how many polls a conversion may be late before the converter counts as dead.
	patience = 2
	// staleAfter is the age in periods beyond which a reading is no longer served (hazard study, S-13).
	staleAfter = 2.5
	// frozenReads is how many conversions in a row must have agreed, so that two far apart prove nothing.
	frozenReads = 32
)

// Dev is one converter. One goroutine uses it and its inputs: the one that owns the bus.
type Dev struct {
	bus     starter
	name    string
	opts    Opts
	inputs  []Input
	pending int // input whose conversion runs, −1 if none
	next    int // input to be started next
	started time.Duration
	late    int
	tx      [1]byte
	rx      [2]byte
}

// Input is one amplifier.
type Input struct {
	dev     *Dev
	opts    ChannelOpts
	pin     ads1x15.PinADC
	perCode float64 // V
	period  time.Duration

	last  unit.Reading
	code  int16
	since time.Duration // of the first conversion that gave code
	same  int           // conversions in a row that gave code
	err   error
}

// New prepares a converter for its amplifiers. It sends nothing: the first Poll does.
func New(bus i2c.Bus, opts *Opts) (*Dev, error) {
	d := &Dev{bus: starter{bus: bus}, opts: opts.complete(), pending: -1}
	d.name = fmt.Sprintf("AD8495{%s(%#02x)}", bus, d.opts.Addr)
	if err := d.opts.check(); err != nil {
		return nil, fmt.Errorf("ad8495: %w", err)
	}
	adc, err := ads1x15.NewADS1115(&d.bus, &ads1x15.Opts{I2cAddress: d.opts.Addr})
	if err != nil {
		return nil, fmt.Errorf("ad8495: %w", err)
	}
	d.inputs = make([]Input, len(d.opts.Channels))
	for i, c := range d.opts.Channels {
		span := c.SpanVolts
		if span == 0 {
			span = d.opts.RailVolts
		}
		// The slowest rate that is not below the one asked for: BestQuality in periph's words.
		volts := physic.ElectricPotential(math.Ceil(span*1e6)) * physic.MicroVolt
		pin, err := adc.PinForChannel(ads1x15.Channel0+ads1x15.Channel(c.Channel), volts, d.opts.Rate, ads1x15.BestQuality)
		if err != nil {
			return nil, fmt.Errorf("ad8495: channels[%d]: %w", i, err)
		}
		_, top := pin.Range()
		d.inputs[i] = Input{
			dev: d, opts: c, pin: pin, period: time.Duration(len(d.opts.Channels)) * d.opts.Every,
			perCode: float64(top.V) / float64(physic.Volt) / (1 << 15), // the range is that of code 2¹⁵, one above the greatest
		}
	}
	return d, nil
}

// complete fills in what was left at 0.
func (o Opts) complete() Opts {
	if o.Addr == 0 {
		o.Addr = DefaultOpts.Addr
	}
	if o.Rate == 0 {
		o.Rate = DefaultOpts.Rate
	}
	if o.Every == 0 {
		o.Every = DefaultOpts.Every
	}
	if o.RailVolts == 0 {
		o.RailVolts = DefaultOpts.RailVolts
	}
	if o.FrozenAfter == 0 {
		o.FrozenAfter = DefaultOpts.FrozenAfter
	}
	return o
}

// longest is how long a conversion may take.
func longest(rate physic.Frequency) time.Duration {
	return time.Duration(clockError * float64(rate.Period()))
}

func (o Opts) check() error {
	switch {
	case !(o.Addr >= 0x48 && o.Addr <= 0x4b):
		return fmt.Errorf("address is %#02x; 0x48 to 0x4b is allowed", o.Addr)
	case len(o.Channels) < 1 || len(o.Channels) > 4:
		return fmt.Errorf("%d channels; 1 to 4 are allowed", len(o.Channels))
	case !(o.Rate >= 16*physic.Hertz && o.Rate <= 860*physic.Hertz):
		return fmt.Errorf("rate is %v; 16 to 860 Hz is allowed", o.Rate)
	case !(o.Every >= 20*time.Millisecond && o.Every <= time.Second):
		return fmt.Errorf("polled every %v; 20ms to 1s is allowed", o.Every)
	case o.Every < longest(o.Rate):
		return fmt.Errorf("polled every %v at a rate of %v; a conversion may take %v and must fit in", o.Every, o.Rate, longest(o.Rate))
	case !(o.RailVolts >= 2.5 && o.RailVolts <= 6.1):
		return fmt.Errorf("rail is at %g V; 2.5 to 6.1 is allowed", o.RailVolts)
	case !(o.FrozenAfter >= time.Second && o.FrozenAfter <= 10*time.Minute):
		return fmt.Errorf("frozen after is %v; 1s to 10m is allowed", o.FrozenAfter)
	}
	var used [4]bool
	for i, c := range o.Channels {
		if err := c.check(o.RailVolts); err != nil {
			return fmt.Errorf("channels[%d]: %w", i, err)
		}
		if used[c.Channel] {
			return fmt.Errorf("channels[%d]: channel %d is given twice", i, c.Channel)
		}
		used[c.Channel] = true
	}
	return nil
}

func (c ChannelOpts) check(rail float64) error {
	switch {
	case c.Channel < 0 || c.Channel > 3:
		return fmt.Errorf("channel is %d; 0 to 3 is allowed", c.Channel)
	case !(c.RefVolts >= 0 && c.RefVolts <= 3 && c.RefVolts <= rail-1):
		return fmt.Errorf("reference is %g V; 0 to 3 and at least 1 V below the rail is allowed", c.RefVolts)
	case c.SpanVolts != 0 && !(c.SpanVolts > c.RefVolts && c.SpanVolts <= 6.144):
		return fmt.Errorf("span is %g V; above the reference up to 6.144 is allowed", c.SpanVolts)
	}
	return nil
}

// String implements conn.Resource.
func (d *Dev) String() string { return d.name }

// Halt implements conn.Resource. The converter stops by itself after each conversion.
func (d *Dev) Halt() error { return nil }

// Input returns amplifier i in the order of Opts.Channels, or nil if there is none.
func (d *Dev) Input(i int) *Input {
	if i < 0 || i >= len(d.inputs) {
		return nil
	}
	return &d.inputs[i]
}

var (
	errNoAnswer = errors.New("the converter answers with all bits equal")
	errWrong    = errors.New("the converter is set to another input or range than was asked for")
	errLate     = errors.New("the conversion does not end")
)

// Poll collects the conversion that was started before, if it is done, and starts the next. It is called once per tick,
// takes at most three bus transactions, never waits, and allocates nothing.
func (d *Dev) Poll(now time.Duration) {
	if d.pending >= 0 && !d.collect(now) {
		return
	}
	in := &d.inputs[d.next]
	d.bus.config = 0
	_, err := in.pin.Read() // starts only, see the package comment
	if !errors.Is(err, errStarted) {
		d.fail(now, err)
		return
	}
	d.pending, d.started, d.late = d.next, now, 0
	d.next = (d.next + 1) % len(d.inputs)
}

// collect fetches the result of the running conversion. It returns false while that must be waited for.
func (d *Dev) collect(now time.Duration) (free bool) {
	in := &d.inputs[d.pending]
	config, err := d.register(1)
	switch {
	case err != nil:
		d.fail(now, err)
		return true
	case config == 0 || config == 0xFFFF:
		d.fail(now, errNoAnswer)
		return true
	case config&^busy != d.bus.config&^busy:
		// Reset by a brown-out, or somebody else talks to the chip: the result may belong to any input.
		in.set(now, unit.NoAnswer, errWrong)
		d.pending = -1
		return true
	case config&busy == 0:
		if d.late++; d.late <= patience {
			return false
		}
		in.set(now, unit.NoAnswer, errLate)
		d.pending = -1
		return true
	}
	code, err := d.register(0)
	if err != nil {
		d.fail(now, err)
		return true
	}
	in.take(d.started, int16(code))
	d.pending = -1
	return true
}

// fail marks every input: when the converter does not answer, none of them has a reading.
func (d *Dev) fail(now time.Duration, err error) {
	d.pending = -1
	for i := range d.inputs {
		d.inputs[i].set(now, unit.NoAnswer, err)
	}
}

func (d *Dev) register(at byte) (uint16, error) {
	d.tx[0] = at
	if err := d.bus.bus.Tx(d.opts.Addr, d.tx[:], d.rx[:]); err != nil {
		return 0, err
	}
	return uint16(d.rx[0])<<8 | uint16(d.rx[1]), nil
}

var _ conn.Resource = (*Dev)(nil)
