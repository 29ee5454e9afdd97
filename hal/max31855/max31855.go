package max31855

import (
	"errors"
	"fmt"
	"sync"
	"time"

	"periph.io/x/conn/v3"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"trivet/hal/emf"
	"trivet/process/unit"
)

// Opts is how a chip is used.
type Opts struct {
	// Type is the suffix of the part, which fixes the couple: 'K', 'J', 'N', 'T', 'E', 'R' or 'S'.
	Type emf.Type
	// Frozen is how long one raw frame, cold-junction bits included, may repeat before it counts as frozen. A chip with 0.25 °C
	// steps is quiet at a true steady state, and its 0.0625 °C cold-junction bits may be too; a minute is longer than any
	// steady state of a run and far shorter than a run. Zero switches the test off.
	Frozen time.Duration
	// ColdMin and ColdMax bound a plausible cold junction, °C. In a shed below 5 °C a dead bus could not be told from a cold chip.
	ColdMin, ColdMax float64
}

// DefaultOpts is a type K part in a warm room.
var DefaultOpts = Opts{Type: 'K', Frozen: time.Minute, ColdMin: 0, ColdMax: 60}

// gains are the slopes of the chip's straight lines in mV/°C (K: data sheet page 8; the others from memory, and equal to
// E(1000 °C)/1000 of the reference tables to the printed digit; T: E(400 °C)/400).
func gain(t emf.Type) (float64, bool) {
	switch t {
	case 'K':
		return 0.041276, true
	case 'J':
		return 0.057953, true
	case 'N':
		return 0.036256, true
	case 'T':
		return 0.05218, true
	case 'E':
		return 0.076373, true
	case 'R':
		return 0.010506, true
	case 'S':
		return 0.009587, true
	}
	return 0, false
}

// Frame is a decoded 32-bit frame. Couple and Cold are only meaningful when Quality is Good; Couple is the chip's own, straight-line figure.
type Frame struct {
	Quality      unit.Quality
	Couple, Cold float64 // °C
}

// Decode takes a frame apart. It is total: every one of the 2³² frames is either good or has a reason (data sheet, tables 2–5).
//
// A frame of all zeros is what a data line stuck low gives: it reads as 0 °C and 0 °C without a fault, and is refused.
// Bits 17 and 3 always read 0, and bit 16 is set exactly when one of the bits 2…0 is; anything else did not come from the chip.
func Decode(raw uint32) Frame {
	f := Frame{Quality: unit.Good}
	faults := raw & 7
	switch {
	case raw == 0, raw&(1<<17|1<<3) != 0, (raw&(1<<16) != 0) != (faults != 0):
		return Frame{Quality: unit.NoAnswer}
	case faults&1 != 0:
		f.Quality = unit.Open
	case faults&2 != 0:
		f.Quality = unit.ShortGround
	case faults&4 != 0:
		f.Quality = unit.ShortSupply
	}
	f.Couple = float64(int32(raw)>>18) * 0.25
	f.Cold = float64(int32(raw<<16)>>20) * 0.0625
	return f
}

// Correct turns the chip's straight-line figure into the couple's true temperature: the line gives back the voltage, the reference
// function of the cold junction is added, and the sum is inverted.
func Correct(t emf.Type, couple, cold float64) (unit.Celsius, bool) {
	g, ok := gain(t)
	if !ok {
		return 0, false
	}
	base, ok := t.Voltage(unit.Celsius(cold))
	if !ok {
		return 0, false
	}
	return t.Temperature((couple-cold)*g + base)
}

// Dev is one chip. It is used by one goroutine at a time.
type Dev struct {
	c    spi.Conn
	opts Opts
	name string

	mu    sync.Mutex
	buf   [4]byte
	out   [4]byte
	raw   uint32
	since time.Duration // when raw was first seen
	seen  bool
	cold  unit.Reading
	err   error
}

var _ conn.Resource = (*Dev)(nil)

// New connects to a chip at up to 4 MHz, mode 0. It reads nothing: a chip that does not answer is a reading with a reason.
func New(p spi.Port, opts *Opts) (*Dev, error) {
	if _, ok := gain(opts.Type); !ok {
		return nil, fmt.Errorf("max31855: there is no part for type %s couples; there are K, J, N, T, E, R and S", opts.Type)
	}
	if !(opts.ColdMin >= -40 && opts.ColdMin < opts.ColdMax && opts.ColdMax <= 125) {
		return nil, fmt.Errorf("max31855: cold junction from %g to %g °C; it must lie between -40 and 125", opts.ColdMin, opts.ColdMax)
	}
	c, err := p.Connect(4*physic.MegaHertz, spi.Mode0, 8)
	if err != nil {
		return nil, fmt.Errorf("max31855: %w", err)
	}
	return &Dev{c: c, opts: *opts, name: p.String()}, nil
}

// String returns the chip and its port.
func (d *Dev) String() string { return "MAX31855{" + d.name + "}" }

// Halt does nothing: the chip converts for as long as it has power.
func (d *Dev) Halt() error { return nil }

// Read returns the present temperature of the couple, or why there is none. It does one transaction of four bytes, never waits and
// never allocates.
func (d *Dev) Read(now time.Duration) unit.Reading {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.cold = unit.Unusable(now, unit.NoAnswer)
	if d.err = d.c.Tx(d.out[:], d.buf[:]); d.err != nil {
		d.seen = false
		return unit.Unusable(now, unit.NoAnswer)
	}
	raw := uint32(d.buf[0])<<24 | uint32(d.buf[1])<<16 | uint32(d.buf[2])<<8 | uint32(d.buf[3])
	if !d.seen || raw != d.raw {
		d.raw, d.since, d.seen = raw, now, true
	}
	f := Decode(raw)
	if f.Quality == unit.NoAnswer {
		return unit.Unusable(now, unit.NoAnswer)
	}
	if !(f.Cold >= d.opts.ColdMin && f.Cold <= d.opts.ColdMax) {
		return unit.Unusable(now, unit.ColdJunction)
	}
	d.cold = unit.Measured(now, unit.Celsius(f.Cold))
	if f.Quality != unit.Good {
		return unit.Unusable(now, f.Quality)
	}
	if d.opts.Frozen > 0 && now-d.since > d.opts.Frozen {
		return unit.Unusable(now, unit.Frozen)
	}
	t, ok := Correct(d.opts.Type, f.Couple, f.Cold)
	if !ok {
		return unit.Unusable(now, unit.OutOfRange)
	}
	return unit.Measured(now, t)
}

// ColdJunction returns the cold-junction temperature of the last Read.
func (d *Dev) ColdJunction() unit.Reading {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.cold
}

// LastError returns why the bus failed in the last Read, nil if it did not.
func (d *Dev) LastError() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.err
}

// errUnusable is what Sense returns for a reading without a number.
var errUnusable = errors.New("max31855: no usable reading")

// Sense implements the part of physic.SenseEnv that makes sense here: one measurement into e.Temperature. For control use Read,
// which says why there is no number.
func (d *Dev) Sense(e *physic.Env) error {
	r := d.Read(0)
	t, ok := r.Temp()
	if !ok {
		return fmt.Errorf("%w: %s", errUnusable, r.Quality.Reason())
	}
	e.Temperature = physic.ZeroCelsius + physic.Temperature(float64(t)*float64(physic.Kelvin))
	return nil
}

// Precision says what one step of the chip is.
func (d *Dev) Precision(e *physic.Env) {
	e.Temperature = physic.Kelvin / 4
	e.Pressure, e.Humidity = 0, 0
}
