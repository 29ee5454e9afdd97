package max31856

import (
	"errors"
	"fmt"
	"math/bits"
	"time"

	"periph.io/x/conn/v3"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"trivet/hal/emf"
	"trivet/process/unit"
)

// Opts is how a chip is used.
type Opts struct {
	// Type of the couple, one of K, J, T, N, E, S, R, B.
	Type emf.Type
	// MainsHz is the mains frequency that the chip's filter removes, 50 or 60.
	MainsHz int
	// Average is how many samples make a result: 1, 2, 4, 8 or 16. Each above the first adds 20 ms at 50 Hz, 17 ms at 60 Hz.
	// More than one makes results slower than the control loop's tick of 100 ms.
	Average int
	// OpenTest is 1 for a couple below 5 kΩ, 2 and 3 for 5 to 40 kΩ with an input filter faster and slower than 2 ms (from
	// memory). There is no 0: an untested couple that breaks reads as the chip's own temperature.
	OpenTest int
	// Clock of the bus, above 0, at most 5 MHz.
	Clock physic.Frequency
	// FrozenConversions is how many results in a row may be equal to the last bit, cold junction included, 2 to 1000.
	FrozenConversions int
}

// DefaultOpts are for a type K couple on 50 Hz mains. Eight equal results are the hazard study's bound (S-07): with steps
// of 0.0078 °C and 0.05 °C of noise that happens by chance about once in 10⁸ results.
var DefaultOpts = Opts{
	Type: emf.Type('K'), MainsHz: 50, Average: 1, OpenTest: 1, Clock: physic.MegaHertz, FrozenConversions: 8,
}

const (
	fastestClock = 5 * physic.MegaHertz // datasheet
	checkEvery   = time.Second          // configuration read-back; hazard study, B-02
	configured   = 10                   // registers 00h to 09h are configuration
	resultAt     = 0x0A
	writeBit     = 0x80
	autoMode     = 0x80 // CR0
	at50Hz       = 0x01 // CR0
)

// Dev is one chip. One goroutine uses it: the one that owns the bus.
type Dev struct {
	conn   conn.Conn
	name   string
	opts   Opts
	config [configured]byte
	tx, rx [1 + configured]byte // no transaction is longer

	first   time.Duration // of the reads since the chip was configured
	asked   bool          // first is set
	checked time.Duration // last good read-back
	suspect bool          // the configuration must be read back before a result is believed

	last  Frame
	since time.Duration // of the first read of the codes in last
	same  int           // reads in a row with these codes

	cold    unit.Reading
	quality unit.Quality // of the last reading
	err     error        // of the last transaction or read-back
}

// New connects to a chip, configures it, and fails if the chip does not keep its configuration.
func New(p spi.Port, opts *Opts) (*Dev, error) {
	d := &Dev{name: "MAX31856{" + p.String() + "}", opts: *opts}
	if err := d.compose(); err != nil {
		return nil, fmt.Errorf("max31856: %w", err)
	}
	c, err := p.Connect(opts.Clock, spi.Mode1, 8)
	if err != nil {
		return nil, fmt.Errorf("max31856: %w", err)
	}
	d.conn = c
	if err := d.Configure(); err != nil {
		return nil, fmt.Errorf("max31856: %w", err)
	}
	return d, nil
}

// compose checks the options and works out what goes into registers 00h to 09h.
func (d *Dev) compose() error {
	o := d.opts
	code, ok := typeCode(o.Type)
	switch {
	case !ok:
		return fmt.Errorf("type is %v; allowed are K, J, T, N, E, S, R, B", o.Type)
	case o.MainsHz != 50 && o.MainsHz != 60:
		return fmt.Errorf("mains frequency is %d Hz; 50 and 60 are allowed", o.MainsHz)
	case o.Average < 1 || o.Average > 16 || bits.OnesCount(uint(o.Average)) != 1:
		return fmt.Errorf("average is over %d samples; 1, 2, 4, 8 and 16 are allowed", o.Average)
	case o.OpenTest < 1 || o.OpenTest > 3:
		return fmt.Errorf("open test is %d; 1, 2 and 3 are allowed", o.OpenTest)
	case !(o.Clock > 0 && o.Clock <= fastestClock):
		return fmt.Errorf("clock is %v; above 0 up to %v is allowed", o.Clock, fastestClock)
	case o.FrozenConversions < 2 || o.FrozenConversions > 1000:
		return fmt.Errorf("frozen after %d conversions; 2 to 1000 is allowed", o.FrozenConversions)
	}
	cr0 := byte(autoMode | o.OpenTest<<4)
	if o.MainsHz == 50 {
		cr0 |= at50Hz
	}
	// Nothing is masked. The thresholds stay at their reset values, the ends of the scale: limits are the guard's business.
	d.config = [configured]byte{cr0, byte(bits.Len(uint(o.Average))-1)<<4 | code, 0x00, 0x7F, 0xC0, 0x7F, 0xFF, 0x80, 0x00, 0x00}
	return nil
}

// Configure writes the whole configuration and reads it back. Readings start anew: the first is there once a first
// conversion has had the time to finish.
func (d *Dev) Configure() error {
	// Mains filter and averaging may only be changed while the chip does not convert (datasheet).
	stopped := d.config
	stopped[0] &^= autoMode
	d.asked, d.suspect, d.same = false, true, 0
	if d.err = d.write(stopped[:]); d.err != nil {
		return d.err
	}
	if d.err = d.write(d.config[:1]); d.err != nil {
		return d.err
	}
	if d.err = d.check(); d.err != nil {
		return d.err
	}
	d.suspect = false
	return nil
}

// write sends values to the registers from 00h on.
func (d *Dev) write(values []byte) error {
	d.tx[0] = writeBit
	copy(d.tx[1:], values)
	return d.conn.Tx(d.tx[:1+len(values)], d.rx[:1+len(values)])
}

// read fetches n registers from at on into rx[1:].
func (d *Dev) read(at byte, n int) error {
	clear(d.tx[:])
	d.tx[0] = at
	return d.conn.Tx(d.tx[:1+n], d.rx[:1+n])
}

var errLost = errors.New("the chip has lost its configuration")

// check reads the configuration back. FAULTCLR and 1SHOT clear themselves and are never set by us.
func (d *Dev) check() error {
	if err := d.read(0, configured); err != nil {
		return err
	}
	if [configured]byte(d.rx[1:]) != d.config {
		return errLost
	}
	return nil
}

// String implements conn.Resource.
func (d *Dev) String() string { return d.name }

// Halt implements conn.Resource: the chip stops converting. Configure starts it again.
func (d *Dev) Halt() error {
	d.suspect = true // no reading before the next read-back
	off := [1]byte{d.config[0] &^ autoMode}
	if err := d.write(off[:]); err != nil {
		return fmt.Errorf("%s: %w", d.name, err)
	}
	return nil
}

// longest returns how long the first conversion after Configure and any later one may take: the datasheet's maximum (from
// memory; 110 ms where 98 ms are typical), a tenth more than typical for every further sample, and the open test, which
// only one conversion in 16 has.
func (d *Dev) longest() (first, next, openTest time.Duration) {
	n := time.Duration(d.opts.Average - 1)
	openTest = [...]time.Duration{0, 15, 37, 125}[d.opts.OpenTest] * time.Millisecond
	if d.opts.MainsHz == 50 {
		return 185*time.Millisecond + n*44*time.Millisecond, 110*time.Millisecond + n*22*time.Millisecond, openTest
	}
	return 155*time.Millisecond + n*37*time.Millisecond, 90*time.Millisecond + n*19*time.Millisecond, openTest
}

// Read fetches the newest result and returns the temperature of the junction, or why there is none. It takes one bus
// transaction, two once a second and while the chip is suspect, and allocates nothing. The chip does not say when it
// converted: a reading is up to one conversion (98 ms at 50 Hz, 82 ms at 60 Hz, more with averaging) older than now.
func (d *Dev) Read(now time.Duration) unit.Reading {
	if !d.asked {
		d.asked, d.first, d.checked = true, now, now
	}
	q := d.fetch(now)
	if q == unit.Good && d.frozen(now) {
		q = unit.Frozen
	}
	r := unit.Unusable(now, q)
	if q == unit.Good {
		r = unit.Measured(now, d.last.Hot())
	}
	d.noteCold(now, r.Quality)
	d.quality = r.Quality
	return r
}

// fetch brings the newest result into last. What cannot be the chip's answer makes the chip suspect: it may have lost
// its supply, and with that its configuration.
func (d *Dev) fetch(now time.Duration) unit.Quality {
	if d.suspect || now-d.checked >= checkEvery {
		if d.err = d.check(); d.err != nil {
			d.suspect, d.same = true, 0
			return unit.NoAnswer
		}
		d.suspect, d.checked = false, now
	}
	if d.err = d.read(resultAt, 6); d.err != nil {
		d.suspect, d.same = true, 0
		return unit.NoAnswer
	}
	f := Decode([6]byte(d.rx[1:7]))
	if d.same == 0 || f.HotCode != d.last.HotCode || f.ColdCode != d.last.ColdCode {
		d.since, d.same = now, 0
	}
	d.last = f
	d.same++
	// What stands in the result now stems from before the configuration, or is the zeros that the chip woke with.
	q := f.Quality()
	stuckHigh := f.Dead && f.HotCode != 0
	if first, _, test := d.longest(); now-d.first < first+test && !stuckHigh {
		return unit.NotRead
	}
	if q == unit.NoAnswer {
		d.suspect, d.same = true, 0
	}
	return q
}

// frozen counts conversions, not reads: reading faster than the chip converts must not make it look frozen, nor must two
// reads far apart.
func (d *Dev) frozen(now time.Duration) bool {
	_, next, test := d.longest()
	n := d.opts.FrozenConversions
	return d.same >= n && now-d.since >= time.Duration(n-1)*next+test
}

func (d *Dev) noteCold(now time.Duration, q unit.Quality) {
	switch {
	case q != unit.Good && q != unit.Open && q != unit.OutOfRange: // under overvoltage the cold junction is not converted either
		d.cold = unit.Unusable(now, q)
	case !d.last.coldSound(): // also beside an open couple, which is the reason told for the junction
		d.cold = unit.Unusable(now, unit.ColdJunction)
	default:
		d.cold = unit.Measured(now, d.last.Cold())
	}
}

// ColdJunction returns the temperature of the chip as of the last Read, in °C, 0 to 60, or why there is none.
func (d *Dev) ColdJunction() unit.Reading { return d.cold }

// LastError explains the last reading, nil if it was good.
func (d *Dev) LastError() error {
	switch {
	case d.err != nil:
		return fmt.Errorf("%s: %w", d.name, d.err)
	case d.quality == unit.Good:
		return nil
	case d.quality == unit.NoAnswer:
		return errors.New(d.name + ": all bits of the answer are equal")
	case d.quality == unit.ColdJunction:
		return fmt.Errorf("%s: cold junction at %v; %v to %v is plausible", d.name, d.last.Cold(), coldestChip, hottestChip)
	case d.quality == unit.OutOfRange || d.quality == unit.ShortSupply:
		return fmt.Errorf("%s: %v beside a result of %v", d.name, d.last.Status, d.last.Hot())
	}
	return errors.New(d.name + ": " + d.quality.Reason())
}

// Sense puts the temperature of the junction into env.Temperature, as physic.SenseEnv does; the rest is left alone.
// It reads the configuration back first. It cannot tell a frozen chip or a first conversion that is not done, since it
// has no time to measure by.
func (d *Dev) Sense(env *physic.Env) error {
	d.suspect = true
	q := d.fetch(d.first + time.Hour) // long after any first conversion
	d.same, d.suspect = 0, true       // the made-up time must not put off the next read-back
	if q == unit.Good {
		q = unit.Measured(0, d.last.Hot()).Quality
	}
	if d.quality = q; q != unit.Good {
		return d.LastError()
	}
	env.Temperature = physic.ZeroCelsius + physic.Temperature(d.last.HotCode)*(physic.Celsius/128)
	return nil
}

// Precision puts the smallest step, 1/128 °C, into env.Temperature.
func (d *Dev) Precision(env *physic.Env) { env.Temperature = physic.Celsius / 128 }

var _ conn.Resource = (*Dev)(nil)
