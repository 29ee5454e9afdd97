package max31855

import (
	"encoding/binary"
	"errors"
	"fmt"
	"time"

	"periph.io/x/conn/v3"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"trivet/hal/emf"
	"trivet/hal/frozen"
	"trivet/process/unit"
)

// Opts is how a chip is used.
type Opts struct {
	// Type is the suffix of the chip: K, J, N, T, E, S or R. It is not the wire's choice: each suffix is another chip.
	Type emf.Type
	// Clock of the bus, above 0, at most 5 MHz.
	Clock physic.Frequency
	// FrozenAfter is how long every bit may stay the same, 1 s to 10 min, before the chip counts as frozen. See ExpectMotion.
	FrozenAfter time.Duration
}

// DefaultOpts are for a MAX31855K on short wires. 1 MHz is a judgement: 32 bits take 32 µs, and long wires survive it.
var DefaultOpts = Opts{Type: emf.Type('K'), Clock: physic.MegaHertz, FrozenAfter: 30 * time.Second}

const (
	fastestClock = 5 * physic.MegaHertz // datasheet
	// warmUp is how long an all-zero frame after the first read means "not yet" and not "no answer": power-up 200 ms and
	// one conversion of at most 100 ms (datasheet).
	warmUp = 300 * time.Millisecond
)

// Dev is one chip. One goroutine uses it: the one that owns the bus.
type Dev struct {
	conn conn.Conn
	name string
	opts Opts
	tx   [4]byte // stays zero: the chip has no input
	rx   [4]byte

	raw       uint32 // last frame
	watch     frozen.Watch
	first     time.Duration
	asked     bool // first is set
	converted bool // a frame other than all zeros has been seen

	cold    unit.Reading
	quality unit.Quality // of the last reading
	err     error        // of the last transaction
}

// New connects to a chip. It cannot tell whether one is there: only a reading can.
func New(p spi.Port, opts *Opts) (*Dev, error) {
	if _, ok := slope(opts.Type); !ok {
		return nil, fmt.Errorf("max31855: type is %v; there are chips for K, J, N, T, E, S, R", opts.Type)
	}
	if !(opts.Clock > 0 && opts.Clock <= fastestClock) {
		return nil, fmt.Errorf("max31855: clock is %v; above 0 up to %v is allowed", opts.Clock, fastestClock)
	}
	if !(opts.FrozenAfter >= time.Second && opts.FrozenAfter <= 10*time.Minute) {
		return nil, fmt.Errorf("max31855: frozen after is %v; 1s to 10m is allowed", opts.FrozenAfter)
	}
	c, err := p.Connect(opts.Clock, spi.Mode0, 8)
	if err != nil {
		return nil, fmt.Errorf("max31855: %w", err)
	}
	return &Dev{conn: c, name: "MAX31855" + opts.Type.String() + "{" + p.String() + "}", opts: *opts, watch: frozen.Watch{After: opts.FrozenAfter}}, nil
}

// String implements conn.Resource.
func (d *Dev) String() string { return d.name }

// Halt implements conn.Resource. The chip converts for as long as it has power; there is nothing to stop.
func (d *Dev) Halt() error { return nil }

// Read fetches the newest frame and returns the temperature of the junction, or why there is none. It takes one bus
// transaction and allocates nothing. The chip does not say when it converted: a reading is up to 100 ms older than now.
func (d *Dev) Read(now time.Duration) unit.Reading {
	if !d.asked {
		d.asked, d.first = true, now
	}
	temp, q := d.fetch()
	if q == unit.NoAnswer && d.err == nil && d.raw == 0 && !d.converted && now-d.first < warmUp {
		q = unit.NotRead
	}
	if q != unit.NoAnswer && q != unit.NotRead {
		d.converted = true
		if d.watch.See(now, uint64(d.raw)) && q == unit.Good { // any other reason is the better one
			q = unit.Frozen
		}
	} else {
		d.watch.Forget()
	}
	d.noteCold(now, q)
	r := unit.Unusable(now, q)
	if q == unit.Good {
		r = unit.Measured(now, temp)
	}
	d.quality = r.Quality
	return r
}

// fetch does the transaction and converts what came. raw is kept for the frozen check.
func (d *Dev) fetch() (unit.Celsius, unit.Quality) {
	if d.err = d.conn.Tx(d.tx[:], d.rx[:]); d.err != nil {
		return 0, unit.NoAnswer
	}
	d.raw = binary.BigEndian.Uint32(d.rx[:])
	f := Decode(d.raw)
	if q := f.Quality(); q != unit.Good {
		return 0, q
	}
	temp, ok := Linearize(d.opts.Type, f.Hot, f.Cold)
	if !ok {
		return 0, unit.OutOfRange
	}
	return temp, unit.Good
}

func (d *Dev) noteCold(now time.Duration, q unit.Quality) {
	cold := Decode(d.raw).Cold
	switch {
	case q == unit.NotRead || q == unit.NoAnswer || q == unit.Frozen:
		d.cold = unit.Unusable(now, q)
	case !plausible(cold): // also beside an open couple, which is the reason told for the junction
		d.cold = unit.Unusable(now, unit.ColdJunction)
	default:
		d.cold = unit.Measured(now, cold)
	}
}

// ColdJunction returns the temperature of the chip as of the last Read, in °C, 0 to 60, or why there is none.
func (d *Dev) ColdJunction() unit.Reading { return d.cold }

// ExpectMotion tells whether the heat put in since the last change should have moved the junction by more than 1 °C,
// four steps of the chip.
//
// With steps of 0.25 °C no number of equal frames proves that a chip is frozen. So: while motion is expected, 5 s
// without the change of a single bit, cold junction included, is frozen; while it is said that none is expected,
// nothing is. As long as nobody has said either, the limit is Opts.FrozenAfter. Its default of 30 s is some 300
// conversions; a live couple flickers by a step far more often than that (common experience, no source).
func (d *Dev) ExpectMotion(expect bool) { d.watch.ExpectMotion(expect) }

// LastError explains the last reading, nil if it was good.
func (d *Dev) LastError() error {
	switch {
	case d.err != nil:
		return fmt.Errorf("%s: %w", d.name, d.err)
	case d.quality == unit.Good:
		return nil
	case d.quality == unit.NoAnswer:
		return fmt.Errorf("%s: frame %08X: %v", d.name, d.raw, Decode(d.raw).Fault)
	case d.quality == unit.ColdJunction:
		return fmt.Errorf("%s: cold junction at %v; %v to %v is plausible", d.name, Decode(d.raw).Cold, coldestChip, hottestChip)
	case d.quality == unit.OutOfRange:
		return fmt.Errorf("%s: the chip says %v, which no couple of type %v can have here", d.name, Decode(d.raw).Hot, d.opts.Type)
	}
	return errors.New(d.name + ": " + d.quality.Reason())
}

// Sense puts the temperature of the junction into env.Temperature, as physic.SenseEnv does; the rest is left alone.
// It does not look for a frozen chip, since it has no time to measure by.
func (d *Dev) Sense(env *physic.Env) error {
	temp, q := d.fetch()
	d.watch.Forget()
	if q == unit.Good {
		q = unit.Measured(0, temp).Quality
	}
	if d.quality = q; q != unit.Good {
		return d.LastError()
	}
	env.Temperature = physic.ZeroCelsius + physic.Temperature(float64(temp)*float64(physic.Celsius))
	return nil
}

// Precision puts the smallest step, 0.25 °C, into env.Temperature.
func (d *Dev) Precision(env *physic.Env) { env.Temperature = physic.Celsius / 4 }

var _ conn.Resource = (*Dev)(nil)
