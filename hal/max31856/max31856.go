package max31856

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
	Type     emf.Type // B, E, J, K, N, R, S or T
	Mains50  bool     // notch at 50 Hz; false for 60 Hz
	Averages int      // samples per conversion: 1, 2, 4, 8 or 16
	// ColdMin and ColdMax bound a plausible cold junction, °C.
	ColdMin, ColdMax float64
	// Frozen is how many conversions in a row may give one raw code, cold junction included, before it counts as frozen. With
	// 0.0078 °C per step noise alone changes the code; eight equal ones do not happen (hazard S-07). Zero switches the test off.
	Frozen int
}

// DefaultOpts is a type K couple on 50 Hz mains without averaging.
var DefaultOpts = Opts{Type: 'K', Mains50: true, Averages: 1, ColdMin: 0, ColdMax: 60, Frozen: 8}

// Registers and bits (data sheet table 6, by way of public drivers).
const (
	regCR0   = 0x00
	regMask  = 0x02
	regCJTH  = 0x0A
	write    = 0x80
	cr0Auto  = 0x80
	cr0Open  = 0x10 // open-circuit test for source resistance below 5 kΩ
	cr0Fifty = 0x01
	srOpen   = 0x01
	srVolts  = 0x02
	srTC     = 0x40
	srCJ     = 0x80
	again    = time.Second // between two looks at the configuration
)

var codes = map[emf.Type]byte{'B': 0, 'E': 1, 'J': 2, 'K': 3, 'N': 4, 'R': 5, 'S': 6, 'T': 7}
var averages = map[int]byte{1: 0, 2: 1, 4: 2, 8: 3, 16: 4}

// Couple returns the temperature in a linearised-temperature field of three bytes: 19 bits, 0.0078125 °C each.
func Couple(h, m, l byte) float64 {
	return float64(int32(uint32(h)<<24|uint32(m)<<16|uint32(l)<<8)>>13) * 0.0078125
}

// Cold returns the temperature in a cold-junction field of two bytes: 14 bits, 0.015625 °C each.
func Cold(h, l byte) float64 {
	return float64(int16(uint16(h)<<8|uint16(l))>>2) * 0.015625
}

// Threshold returns a hot-junction threshold of two bytes: 16 bits, 0.0625 °C each.
func Threshold(h, l byte) float64 { return float64(int16(uint16(h)<<8|uint16(l))) * 0.0625 }

// Offset returns a cold-junction offset: 8 bits, 0.0625 °C each.
func Offset(b byte) float64 { return float64(int8(b)) * 0.0625 }

// Dev is one chip. It is used by one goroutine at a time.
type Dev struct {
	c      spi.Conn
	opts   Opts
	name   string
	want   [3]byte // CR0, CR1, MASK
	period time.Duration

	mu       sync.Mutex
	out, in  [7]byte
	checked  time.Duration
	begun    bool
	from     time.Duration // when the first conversion can be there
	lost     bool          // the configuration was not what was written
	raw      [5]byte
	same     int
	lastConv time.Duration
	cold     unit.Reading
	err      error
}

var _ conn.Resource = (*Dev)(nil)

// New connects at up to 4 MHz, mode 1, configures the chip and reads the configuration back. A chip that does not hold what was
// written is an error; one that fails later is a reading with a reason.
func New(p spi.Port, opts *Opts) (*Dev, error) {
	code, ok := codes[opts.Type]
	if !ok {
		return nil, fmt.Errorf("max31856: type is %q; it must be one of %s", opts.Type, emf.Types)
	}
	avg, ok := averages[opts.Averages]
	if !ok {
		return nil, fmt.Errorf("max31856: %d averages; there are 1, 2, 4, 8 and 16", opts.Averages)
	}
	if !(opts.ColdMin >= -55 && opts.ColdMin < opts.ColdMax && opts.ColdMax <= 125) {
		return nil, fmt.Errorf("max31856: cold junction from %g to %g °C; it must lie between -55 and 125", opts.ColdMin, opts.ColdMax)
	}
	c, err := p.Connect(4*physic.MegaHertz, spi.Mode1, 8)
	if err != nil {
		return nil, fmt.Errorf("max31856: %w", err)
	}
	d := &Dev{c: c, opts: *opts, name: p.String()}
	d.want = [3]byte{cr0Auto | cr0Open, avg<<4 | code, 0}
	d.period = time.Duration(82+16.67*float64(opts.Averages-1)) * time.Millisecond
	if opts.Mains50 {
		d.want[0] |= cr0Fifty
		d.period = time.Duration(98+20*float64(opts.Averages-1)) * time.Millisecond
	}
	return d, d.Configure()
}

// Configure writes the configuration and reads it back. The filter and the averaging may only be changed while conversions are off.
func (d *Dev) Configure() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	off := []byte{regCR0 | write, d.want[0] &^ cr0Auto, d.want[1], d.want[2]}
	if err := d.c.Tx(off, make([]byte, len(off))); err != nil {
		return fmt.Errorf("max31856: configure %s: %w", d.name, err)
	}
	on := []byte{regCR0 | write, d.want[0]}
	if err := d.c.Tx(on, make([]byte, len(on))); err != nil {
		return fmt.Errorf("max31856: configure %s: %w", d.name, err)
	}
	if err := d.held(); err != nil {
		return fmt.Errorf("max31856: configure %s: %w", d.name, err)
	}
	d.lost, d.begun = false, false
	return nil
}

var errHeld = errors.New("the chip does not hold what was written; check its supply and wiring")

// held reads the configuration back. It allocates nothing.
func (d *Dev) held() error {
	d.out = [7]byte{regCR0}
	if err := d.c.Tx(d.out[:4], d.in[:4]); err != nil {
		return err
	}
	if d.in[1] != d.want[0] || d.in[2] != d.want[1] || d.in[3] != d.want[2] {
		return errHeld
	}
	return nil
}

// String returns the chip and its port.
func (d *Dev) String() string { return "MAX31856{" + d.name + "}" }

// Halt does nothing: the chip goes on converting, which hurts nothing.
func (d *Dev) Halt() error { return nil }

// Read returns the present temperature of the couple, or why there is none. It does one transaction of seven bytes, and once a
// second another to see whether the configuration is still there. It never waits and never allocates.
func (d *Dev) Read(now time.Duration) unit.Reading {
	d.mu.Lock()
	defer d.mu.Unlock()
	if !d.begun {
		// The first conversion takes longer than the others: at most 185 ms, and 40 ms per further average (data sheet, from memory).
		d.begun, d.checked = true, now
		d.from = now + 185*time.Millisecond + time.Duration(d.opts.Averages-1)*40*time.Millisecond
	}
	d.cold = unit.Unusable(now, unit.NoAnswer)
	d.err = nil
	if now-d.checked >= again {
		d.checked = now
		d.err = d.held()
		d.lost = d.err != nil
	}
	if d.lost {
		return unit.Unusable(now, unit.NoAnswer)
	}
	d.out = [7]byte{regCJTH}
	if d.err = d.c.Tx(d.out[:], d.in[:]); d.err != nil {
		return unit.Unusable(now, unit.NoAnswer)
	}
	if now < d.from {
		return unit.Unusable(now, unit.NotRead)
	}
	return d.judge(now)
}

// judge turns the six bytes CJTH…SR into a reading. The status is asked first: the temperature registers keep the last good value.
func (d *Dev) judge(now time.Duration) unit.Reading {
	b := d.in[1:7]
	sr := b[5]
	zeros, ones := true, true
	for _, v := range b {
		zeros, ones = zeros && v == 0, ones && v == 0xFF
	}
	cold := Cold(b[0], b[1])
	switch {
	case zeros || ones: // a data line stuck low or high
		return unit.Unusable(now, unit.NoAnswer)
	case sr&srVolts != 0:
		return unit.Unusable(now, unit.ShortSupply)
	case sr&srOpen != 0:
		return unit.Unusable(now, unit.Open)
	case sr&(srTC|srCJ) != 0:
		return unit.Unusable(now, unit.OutOfRange)
	case !(cold >= d.opts.ColdMin && cold <= d.opts.ColdMax):
		return unit.Unusable(now, unit.ColdJunction)
	}
	d.cold = unit.Measured(now, unit.Celsius(cold))
	if d.frozen(now, b) {
		return unit.Unusable(now, unit.Frozen)
	}
	return unit.Measured(now, unit.Celsius(Couple(b[2], b[3], b[4])))
}

// frozen counts conversions that gave the same raw code. Reading faster than the chip converts is not counted.
func (d *Dev) frozen(now time.Duration, b []byte) bool {
	if raw := [5]byte(b[:5]); raw != d.raw {
		d.raw, d.same, d.lastConv = raw, 0, now
		return false
	}
	if now-d.lastConv >= d.period+d.period/8 { // a little slower than the chip, so that one conversion is never counted twice
		d.same, d.lastConv = d.same+1, now
	}
	return d.opts.Frozen > 0 && d.same >= d.opts.Frozen
}

// ColdJunction returns the cold-junction temperature of the last Read.
func (d *Dev) ColdJunction() unit.Reading {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.cold
}

// LastError returns why the last Read failed to talk to the chip, nil if it did not.
func (d *Dev) LastError() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.err
}
