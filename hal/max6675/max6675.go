package max6675

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
	// Every is how long the chip is left alone between two transactions, 220 ms to 10 s.
	Every time.Duration
	Clock physic.Frequency // of the bus, above 0, at most 4.3 MHz
	// FrozenAfter is how long every bit may stay the same, 1 s to 10 min, before the chip counts as frozen. See ExpectMotion.
	FrozenAfter time.Duration
}

// DefaultOpts leave a tenth of a conversion's time as margin. With steps of 0.25 °C and no cold junction beside them a quiet couple
// may repeat itself for longer than on other chips: two minutes (judgement, no source).
var DefaultOpts = Opts{Every: 250 * time.Millisecond, Clock: physic.MegaHertz, FrozenAfter: 2 * time.Minute}

const (
	fastestClock = 4300 * physic.KiloHertz // datasheet
	conversion   = 220 * time.Millisecond  // longest, datasheet
)

// Fault is what a frame says, or what is wrong with it.
type Fault uint8

// Faults.
const (
	Open     Fault = 1 << iota // bit D2: the couple is not connected
	Reserved                   // D15 or D1, which always read 0, do not: nobody drives the line, or somebody else does
	Silent                     // all zeros, D0 aside: the line is stuck low. A chip at 0.00 °C would say the same and is not believed
	Most                       // the end of the scale
)

// Frame is what the sixteen bits of an answer mean.
type Frame struct {
	Hot   unit.Celsius // by the chip's straight line, 0 to 1023.75; means nothing beside a fault
	Fault Fault
}

// Decode takes an answer apart. D0 floats when the chip is not selected and means nothing.
func Decode(raw uint16) Frame {
	f := Frame{Hot: unit.Celsius(raw>>3&0xFFF) / 4}
	if raw&(1<<2) != 0 {
		f.Fault |= Open
	}
	if raw&(1<<15|1<<1) != 0 {
		f.Fault |= Reserved
	}
	if raw&^1 == 0 {
		f.Fault |= Silent
	}
	if raw>>3&0xFFF == 0xFFF {
		f.Fault |= Most
	}
	return f
}

// Quality says whether the frame may be believed. It does not know about time.
func (f Frame) Quality() unit.Quality {
	switch {
	case f.Fault&(Reserved|Silent) != 0:
		return unit.NoAnswer
	case f.Fault&Open != 0:
		return unit.Open
	case f.Fault&Most != 0:
		return unit.OutOfRange
	}
	return unit.Good
}

const (
	slope   = 0.041            // mV/°C (datasheet)
	assumed = unit.Celsius(25) // the chip's own temperature, which it does not tell
)

// Linearize returns what the junction is at when the chip says hot. It reports false outside what a couple of type K can have.
func Linearize(hot unit.Celsius) (unit.Celsius, bool) {
	own, _ := emf.Type('K').Voltage(assumed)
	return emf.Type('K').Temperature(float64(hot-assumed)*slope + own)
}

// Dev is one chip. One goroutine uses it: the one that owns the bus.
type Dev struct {
	conn conn.Conn
	name string
	opts Opts
	tx   [2]byte // stays zero: the chip has no input
	rx   [2]byte

	asked bool          // there was a transaction
	at    time.Duration // of the last one
	raw   uint16
	watch frozen.Watch
	last  unit.Reading
	err   error // of the last transaction
}

// New connects to a chip. It cannot tell whether one is there: only a reading can.
func New(p spi.Port, opts *Opts) (*Dev, error) {
	switch {
	case !(opts.Every >= conversion && opts.Every <= 10*time.Second):
		return nil, fmt.Errorf("max6675: asked every %v; %v to 10s is allowed, because the chip never converts when it is asked more often", opts.Every, conversion)
	case !(opts.Clock > 0 && opts.Clock <= fastestClock):
		return nil, fmt.Errorf("max6675: clock is %v; above 0 up to %v is allowed", opts.Clock, fastestClock)
	case !(opts.FrozenAfter >= time.Second && opts.FrozenAfter <= 10*time.Minute):
		return nil, fmt.Errorf("max6675: frozen after is %v; 1s to 10m is allowed", opts.FrozenAfter)
	}
	c, err := p.Connect(opts.Clock, spi.Mode0, 8)
	if err != nil {
		return nil, fmt.Errorf("max6675: %w", err)
	}
	return &Dev{conn: c, name: "MAX6675{" + p.String() + "}", opts: *opts, watch: frozen.Watch{After: opts.FrozenAfter}}, nil
}

// String implements conn.Resource.
func (d *Dev) String() string { return d.name }

// Halt implements conn.Resource. The chip converts for as long as it has power; there is nothing to stop.
func (d *Dev) Halt() error { return nil }

// Read returns the temperature of the junction, or why there is none. It takes one bus transaction, and none while a
// conversion may still be under way: then the reading is the last one, with the time at which it was fetched. It allocates
// nothing. The value itself is up to Opts.Every older than its reading says: the chip does not tell when it converted.
func (d *Dev) Read(now time.Duration) unit.Reading {
	if d.asked && now-d.at < d.opts.Every && now >= d.at {
		return d.last
	}
	first := !d.asked
	d.asked, d.at = true, now
	d.last = d.fetch(now)
	if first && d.err == nil {
		// What the chip has now may stem from before it was ours, or is what it woke with.
		d.watch.Forget()
		d.last = unit.Unusable(now, unit.NotRead)
	}
	return d.last
}

func (d *Dev) fetch(now time.Duration) unit.Reading {
	if d.err = d.conn.Tx(d.tx[:], d.rx[:]); d.err != nil {
		d.watch.Forget()
		return unit.Unusable(now, unit.NoAnswer)
	}
	d.raw = binary.BigEndian.Uint16(d.rx[:])
	f := Decode(d.raw)
	q := f.Quality()
	if q == unit.NoAnswer {
		d.watch.Forget()
		return unit.Unusable(now, q)
	}
	if d.watch.See(now, uint64(d.raw)) && q == unit.Good { // any other reason is the better one
		q = unit.Frozen
	}
	temp, ok := Linearize(f.Hot)
	switch {
	case q != unit.Good:
		return unit.Unusable(now, q)
	case !ok:
		return unit.Unusable(now, unit.OutOfRange)
	}
	return unit.Measured(now, temp)
}

// ExpectMotion tells whether the heat put in since the last change should have moved the junction by more than 1 °C, see package frozen.
func (d *Dev) ExpectMotion(expect bool) { d.watch.ExpectMotion(expect) }

// LastError explains the last reading, nil if it was good.
func (d *Dev) LastError() error {
	switch {
	case d.err != nil:
		return fmt.Errorf("%s: %w", d.name, d.err)
	case d.last.Usable():
		return nil
	case d.last.Quality == unit.NoAnswer && Decode(d.raw).Fault&Silent != 0:
		return errors.New(d.name + ": the data line is stuck low, or the chip says 0.00 °C, which is not believed")
	case d.last.Quality == unit.NoAnswer:
		return fmt.Errorf("%s: answer %04X has a bit that always reads 0", d.name, d.raw)
	case d.last.Quality == unit.OutOfRange:
		return fmt.Errorf("%s: the chip says %v", d.name, Decode(d.raw).Hot)
	}
	return errors.New(d.name + ": " + d.last.Quality.Reason())
}

var _ conn.Resource = (*Dev)(nil)
