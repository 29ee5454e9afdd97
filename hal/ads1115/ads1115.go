package ads1115

import (
	"errors"
	"fmt"
	"math"
	"time"

	"periph.io/x/conn/v3"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/devices/v3/ads1x15"
)

// Opts is one converter. What is left at 0 takes the value of DefaultOpts.
type Opts struct {
	Addr  uint16           // 0x48 to 0x4b
	Rate  physic.Frequency // conversions per second while one runs: 16 to 860 Hz
	Every time.Duration    // how often Poll is called, 20 ms to 1 s; a conversion at Rate must fit in
}

// DefaultOpts poll at the control loop's 10 Hz. At 16 conversions per second one lasts about three periods of the mains,
// whose hum it averages out, and leaves a third of the tick as margin.
var DefaultOpts = Opts{Addr: 0x48, Rate: 16 * physic.Hertz, Every: 100 * time.Millisecond}

// Channel is one input against ground.
type Channel struct {
	Number    int     // 0 to 3
	SpanVolts float64 // the greatest voltage that must be told apart, above 0 up to 6.144; a smaller span has finer steps
}

// Sink takes what comes from one input. Neither method may keep the converter waiting.
type Sink interface {
	// Take is one conversion that was started at the given time, the earliest that it can stand for. code is −32768 to 32767;
	// near either end it means "or more".
	Take(at time.Duration, code int16)
	// Fail is a converter that could not be made to convert.
	Fail(now time.Duration, err error)
}

const (
	// clockError is by how much a conversion may last longer than the rate says (datasheet, from memory).
	clockError = 1.10
	// patience is how many polls a conversion may be late before the converter counts as dead.
	patience = 2
)

// Dev is one converter. One goroutine uses it: the one that owns the bus.
type Dev struct {
	bus     starter
	adc     *ads1x15.Dev
	opts    Opts
	inputs  []input
	pending int // input whose conversion runs, −1 if none
	next    int // input to be started next
	started time.Duration
	late    int
	tx      [1]byte
	rx      [2]byte
}

type input struct {
	pin    ads1x15.PinADC
	number int
	sink   Sink
}

// New prepares a converter. It sends nothing: the first Poll does.
func New(bus i2c.Bus, opts *Opts) (*Dev, error) {
	d := &Dev{bus: starter{bus: bus}, opts: opts.complete(), pending: -1}
	if err := d.opts.check(); err != nil {
		return nil, err
	}
	adc, err := ads1x15.NewADS1115(&d.bus, &ads1x15.Opts{I2cAddress: d.opts.Addr})
	if err != nil {
		return nil, err
	}
	d.adc = adc
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
	case !(o.Rate >= 16*physic.Hertz && o.Rate <= 860*physic.Hertz):
		return fmt.Errorf("rate is %v; 16 to 860 Hz is allowed", o.Rate)
	case !(o.Every >= 20*time.Millisecond && o.Every <= time.Second):
		return fmt.Errorf("polled every %v; 20ms to 1s is allowed", o.Every)
	case o.Every < longest(o.Rate):
		return fmt.Errorf("polled every %v at a rate of %v; a conversion may take %v and must fit in", o.Every, o.Rate, longest(o.Rate))
	}
	return nil
}

// Add has an input converted in turn from the next Poll on, and its results given to s. It returns what one step of the code
// is in volts. Each input can be added once.
func (d *Dev) Add(c Channel, s Sink) (perCode float64, err error) {
	switch {
	case c.Number < 0 || c.Number > 3:
		return 0, fmt.Errorf("channel is %d; 0 to 3 is allowed", c.Number)
	case !(c.SpanVolts > 0 && c.SpanVolts <= 6.144):
		return 0, fmt.Errorf("span is %g V; above 0 up to 6.144 is allowed", c.SpanVolts)
	}
	for i := range d.inputs {
		if d.inputs[i].number == c.Number {
			return 0, fmt.Errorf("channel %d is given twice", c.Number)
		}
	}
	// The slowest rate that is not below the one asked for: BestQuality in periph's words.
	volts := physic.ElectricPotential(math.Ceil(c.SpanVolts*1e6)) * physic.MicroVolt
	pin, err := d.adc.PinForChannel(ads1x15.Channel0+ads1x15.Channel(c.Number), volts, d.opts.Rate, ads1x15.BestQuality)
	if err != nil {
		return 0, err
	}
	d.inputs = append(d.inputs, input{pin: pin, number: c.Number, sink: s})
	_, top := pin.Range()
	return float64(top.V) / float64(physic.Volt) / (1 << 15), nil // the range is that of code 2¹⁵, one above the greatest
}

// Period returns how often each input is converted: they take turns, one per Poll.
func (d *Dev) Period() time.Duration { return time.Duration(len(d.inputs)) * d.opts.Every }

// Every returns how often Poll is to be called.
func (d *Dev) Every() time.Duration { return d.opts.Every }

// String implements conn.Resource.
func (d *Dev) String() string { return fmt.Sprintf("ADS1115{%s(%#02x)}", d.bus.String(), d.opts.Addr) }

// Halt implements conn.Resource. The converter stops by itself after each conversion.
func (d *Dev) Halt() error { return nil }

var (
	errNoAnswer = errors.New("the converter answers with all bits equal")
	errWrong    = errors.New("the converter is set to another input or range than was asked for")
	errLate     = errors.New("the conversion does not end")
)

// Poll collects the conversion that was started before, if it is done, and starts the next. It is called once per tick,
// takes at most three bus transactions, never waits, and allocates nothing.
func (d *Dev) Poll(now time.Duration) {
	if len(d.inputs) == 0 {
		return
	}
	if d.pending >= 0 && !d.collect(now) {
		if d.late++; d.late <= patience {
			return
		}
		d.giveUp(now, errLate)
	}
	d.start(now)
}

// start has the next input converted.
func (d *Dev) start(now time.Duration) {
	d.bus.config = 0
	_, err := d.inputs[d.next].pin.Read() // starts only, see the package comment
	if !errors.Is(err, errStarted) {
		d.fail(now, err)
		return
	}
	d.pending, d.started, d.late = d.next, now, 0
	d.next = (d.next + 1) % len(d.inputs)
}

// collect fetches the result of the running conversion. It returns false while that must be waited for.
func (d *Dev) collect(now time.Duration) (free bool) {
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
		d.giveUp(now, errWrong)
		return true
	case config&busy == 0:
		return false
	}
	code, err := d.register(0)
	if err != nil {
		d.fail(now, err)
		return true
	}
	d.inputs[d.pending].sink.Take(d.started, int16(code))
	d.pending = -1
	return true
}

// giveUp tells the input whose conversion runs that it has failed.
func (d *Dev) giveUp(now time.Duration, err error) {
	d.inputs[d.pending].sink.Fail(now, err)
	d.pending = -1
}

// fail tells every input: when the converter does not answer, none of them has a reading.
func (d *Dev) fail(now time.Duration, err error) {
	d.pending = -1
	for i := range d.inputs {
		d.inputs[i].sink.Fail(now, err)
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
