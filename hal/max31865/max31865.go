package max31865

import (
	"errors"
	"fmt"
	"math"
	"time"

	"periph.io/x/conn/v3"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"trivet/hal/frozen"
	"trivet/process/unit"
)

// Opts is how a chip is used.
type Opts struct {
	NominalOhms float64 // of the element at 0 °C, 10 to 10 000: 100 for a Pt100
	// RefOhms is the reference resistor, above the element's resistance at 100 °C up to 100 times its nominal. What the element has
	// beyond it cannot be told.
	RefOhms float64
	Wires   int // 2, 3 or 4
	// LeadOhms is both leads of an element with two wires together, 0 to a tenth of NominalOhms; 0 with three and four.
	LeadOhms float64
	// MainsHz is the mains frequency that the chip's filter removes, 50 or 60.
	MainsHz int
	// Auto has the chip convert by itself, see the package comment.
	Auto  bool
	Clock physic.Frequency // of the bus, above 0, at most 5 MHz
	// FrozenAfter is how long every bit of the result may stay the same, 1 s to 10 min. See ExpectMotion.
	FrozenAfter time.Duration
}

// DefaultOpts are for a Pt100 with four wires on 50 Hz mains, and for the reference resistor that is met most on boards (common
// practice, no source; the datasheet's example has 400 Ω). With the wrong one the element reads tens of degrees off
// already when cold, which the check at rest finds.
var DefaultOpts = Opts{NominalOhms: 100, RefOhms: 430, Wires: 4, MainsHz: 50, Clock: physic.MegaHertz, FrozenAfter: 30 * time.Second}

const (
	fastestClock = 5 * physic.MegaHertz // datasheet
	searchEvery  = time.Second          // for broken wires; class R1 of the hazard study
	registers    = 8
	writeBit     = 0x80
	// patience is how many times its longest a conversion or a search may take before the chip counts as dead.
	patience = 3

	// Bits of the configuration register.
	bias        = 0x80
	auto        = 0x40
	oneShot     = 0x20
	threeWire   = 0x10
	search      = 0x04 // with the chip's own delays
	searching   = 0x0C
	clearStatus = 0x02
	at50Hz      = 0x01
)

// phase is what the chip is doing.
type phase uint8

const (
	idle phase = iota
	converting
	looking
)

// Dev is one chip. One goroutine uses it: the one that owns the bus.
type Dev struct {
	conn   conn.Conn // one transaction is everything between two edges of chip select
	name   string
	opts   Opts
	base   byte    // configuration while nothing is asked of the chip
	limits [4]byte // thresholds as they stand in the registers
	tx, rx [1 + registers]byte

	phase    phase
	begun    time.Duration // of what the chip is doing
	searched time.Duration // end of the last search
	known    bool          // a search has come to its end
	watch    frozen.Watch

	frame Frame        // of the last burst
	found Status       // by the last search; stands until another finds nothing
	last  unit.Reading // what Read returns until there is a newer one
	err   error        // of the last Read or Configure
}

// New connects to a chip, configures it, and fails if the chip does not keep its configuration.
func New(p spi.Port, opts *Opts) (*Dev, error) {
	if err := opts.check(); err != nil {
		return nil, fmt.Errorf("max31865: %w", err)
	}
	d := &Dev{name: "MAX31865{" + p.String() + "}", opts: *opts, watch: frozen.Watch{After: opts.FrozenAfter}}
	d.compose()
	c, err := p.Connect(opts.Clock, spi.Mode1, 8)
	if err != nil {
		return nil, fmt.Errorf("max31865: %w", err)
	}
	d.conn = c
	if err := d.Configure(); err != nil {
		return nil, fmt.Errorf("max31865: %w", err)
	}
	return d, nil
}

func (o *Opts) check() error {
	switch {
	case !(o.NominalOhms >= 10 && o.NominalOhms <= 10000):
		return fmt.Errorf("element has %g Ω at 0 °C; 10 to 10000 is allowed", o.NominalOhms)
	case !(o.RefOhms > o.NominalOhms*ratio(100) && o.RefOhms <= 100*o.NominalOhms):
		return fmt.Errorf("reference has %g Ω; above %.1f up to %g is allowed for this element", o.RefOhms, o.NominalOhms*ratio(100), 100*o.NominalOhms)
	case o.Wires < 2 || o.Wires > 4:
		return fmt.Errorf("%d wires; 2, 3 and 4 are allowed", o.Wires)
	case !(o.LeadOhms >= 0 && o.LeadOhms <= o.NominalOhms/10) || o.LeadOhms != 0 && o.Wires != 2:
		return fmt.Errorf("leads have %g Ω; 0 to %g is allowed with two wires, and 0 with more", o.LeadOhms, o.NominalOhms/10)
	case o.MainsHz != 50 && o.MainsHz != 60:
		return fmt.Errorf("mains frequency is %d Hz; 50 and 60 are allowed", o.MainsHz)
	case !(o.Clock > 0 && o.Clock <= fastestClock):
		return fmt.Errorf("clock is %v; above 0 up to %v is allowed", o.Clock, fastestClock)
	case !(o.FrozenAfter >= time.Second && o.FrozenAfter <= 10*time.Minute):
		return fmt.Errorf("frozen after is %v; 1s to 10m is allowed", o.FrozenAfter)
	}
	return nil
}

// Beyond these no element near a rework machine is, in °C: what lies outside is a wire that is broken or touches another. The
// lower is a little below what a reading can be at all.
const (
	lowest  = -60
	highest = 845
)

// compose works out the configuration and the thresholds.
func (d *Dev) compose() {
	o := &d.opts
	d.base = bias
	if o.Wires == 3 {
		d.base |= threeWire
	}
	if o.MainsHz == 50 {
		d.base |= at50Hz
	}
	// Leads count as well: the chip compares what it measures. 32766 and not 32767, so that a broken element, which reads as
	// the end of the scale, is above.
	code := func(t float64) uint16 {
		return uint16(min(math.Round((o.NominalOhms*ratio(t)+o.LeadOhms)/o.RefOhms*32768), 32766)) << 1
	}
	high, low := code(highest), code(lowest)
	d.limits = [4]byte{byte(high >> 8), byte(high), byte(low >> 8), byte(low)}
}

// Configure writes configuration and thresholds and reads them back. Readings start anew: the first is there after a search for
// broken wires and a conversion.
func (d *Dev) Configure() error {
	d.phase, d.known, d.found = idle, false, 0
	d.watch.Forget()
	// The filter may only be changed while the chip does not convert (datasheet), and a status stands until it is cleared.
	if d.err = d.write(0, d.base|clearStatus); d.err != nil {
		return d.err
	}
	if d.err = d.write(3, d.limits[:]...); d.err != nil {
		return d.err
	}
	if d.err = d.burst(); d.err == nil && !d.ours() {
		d.err = errLost
	}
	return d.err
}

// write sends values to the registers from at on.
func (d *Dev) write(at byte, values ...byte) error {
	d.tx[0] = writeBit | at
	n := 1 + copy(d.tx[1:], values)
	return d.conn.Tx(d.tx[:n], d.rx[:n])
}

// burst fetches all registers into frame.
func (d *Dev) burst() error {
	d.tx = [1 + registers]byte{}
	if err := d.conn.Tx(d.tx[:], d.rx[:]); err != nil {
		return err
	}
	d.frame = Decode([registers]byte(d.rx[1:]))
	return nil
}

var (
	errLost = errors.New("the chip has lost its configuration")
	errLate = errors.New("the conversion does not end")
	errDead = errors.New("all bits of the answer are equal")
)

// ours reports whether configuration and thresholds are those that were written, apart from the bits that clear themselves.
func (d *Dev) ours() bool {
	config, want := d.frame.Config&^(oneShot|searching|clearStatus), d.base
	switch {
	case d.opts.Auto && d.phase == converting:
		want |= auto
	case d.opts.Auto && d.phase == idle: // after a failure it may still convert
		config &^= auto
	}
	return config == want && [4]byte(d.rx[4:8]) == d.limits
}

// String implements conn.Resource.
func (d *Dev) String() string { return d.name }

// Halt implements conn.Resource: the chip stops converting and takes the current off the element. Configure starts it again.
func (d *Dev) Halt() error {
	if err := d.write(0, d.base&^bias); err != nil {
		return fmt.Errorf("%s: %w", d.name, err)
	}
	return nil
}

// longest is how long a conversion takes after it was started: the datasheet's maximum (from memory), one-shot with the bias on.
func (d *Dev) longest() time.Duration {
	if d.opts.MainsHz == 50 {
		return 66 * time.Millisecond
	}
	return 55 * time.Millisecond
}

// Read returns the temperature of the element, or why there is none. It takes two bus transactions of at most 10 bytes, three
// beside a fault, never waits, and allocates nothing. A reading has the time at which its conversion was started, with Auto
// that of the call; while the chip looks for broken wires it is the one before.
func (d *Dev) Read(now time.Duration) unit.Reading {
	if d.err = d.step(now); d.err != nil {
		d.phase, d.known = idle, false // a search comes before the next number
		d.watch.Forget()
		d.last = unit.Unusable(now, unit.NoAnswer)
	}
	return d.last
}

// step collects what the chip has been asked for and asks for the next thing.
func (d *Dev) step(now time.Duration) error {
	if err := d.burst(); err != nil {
		return err
	}
	// The order matters: bits of a chip that is not there, or is no longer ours, must not be taken for a status or a result.
	switch {
	case d.frame.Dead:
		return errDead
	case !d.ours():
		return errLost
	}
	if d.frame.Status&Volts != 0 { // the chip does nothing until it is gone: begin anew
		d.refuse(now, unit.ShortSupply)
		if err := d.clear(); err != nil {
			return err
		}
		d.known = false
		return d.next(now)
	}
	if !d.done(now) {
		if now-d.begun > patience*d.longest() {
			return errLate
		}
		return nil
	}
	switch d.phase {
	case idle:
		d.last = unit.Unusable(now, unit.NotRead)
	case looking:
		d.found, d.searched, d.known = d.frame.Status, now, true
		if q := d.found.Quality(); q != unit.Good {
			d.refuse(now, q)
		}
	case converting:
		d.take(now)
	}
	if d.frame.Status != 0 {
		if err := d.clear(); err != nil {
			return err
		}
	}
	return d.next(now)
}

// clear takes the status back, which stands until then. It must not go together with a start.
func (d *Dev) clear() error { return d.write(0, d.frame.Config&^(oneShot|searching)|clearStatus) }

// done reports whether what the chip was asked for has come to its end.
func (d *Dev) done(now time.Duration) bool {
	switch {
	case d.phase == looking:
		return d.frame.Config&searching == 0
	case d.phase == converting && d.opts.Auto: // the chip does not say; any result after the first is a whole one
		return now-d.begun >= d.longest()
	}
	return d.frame.Config&oneShot == 0
}

// next has the chip convert, or look for broken wires when it is time: at once after a conversion while one is known to be broken.
func (d *Dev) next(now time.Duration) error {
	again := d.found != 0 && d.phase == converting
	if !d.known || again || now-d.searched >= searchEvery {
		d.phase, d.begun = looking, now
		return d.write(0, d.base|search)
	}
	if d.opts.Auto {
		if d.phase == converting { // it goes on by itself
			return nil
		}
		d.phase, d.begun = converting, now
		return d.write(0, d.base|auto)
	}
	d.phase, d.begun = converting, now
	return d.write(0, d.base|oneShot)
}

// refuse puts a reason in place of a number.
func (d *Dev) refuse(now time.Duration, q unit.Quality) { d.last = unit.Unusable(now, q) }

// take judges the result of a conversion.
func (d *Dev) take(now time.Duration) {
	at := d.begun
	if d.opts.Auto {
		at = now
	}
	// With a conversion at a time the chip proves by its own bit that it has converted. That its converter still follows the element
	// is another question.
	stuck := d.watch.See(now, uint64(d.frame.Code))
	temp, ok := d.celsius(d.frame)
	q := (d.frame.Status | d.found).Quality()
	switch {
	case q != unit.Good:
		d.refuse(at, q)
	case stuck:
		d.refuse(at, unit.Frozen)
	case !ok:
		d.refuse(at, unit.OutOfRange)
	default:
		d.last = unit.Measured(at, temp)
	}
}

// celsius is what a result stands for with this wiring: ratio times reference is what lies between the terminals, from which the leads
// of two wires are taken off. Three wires take their leads off by themselves, and four carry no current in those that sense.
func (d *Dev) celsius(f Frame) (unit.Celsius, bool) {
	return Temperature(f.Ratio()*d.opts.RefOhms-d.opts.LeadOhms, d.opts.NominalOhms)
}

// ExpectMotion tells whether the heat put in since the last change should have moved the element by more than 1 °C, see package frozen.
func (d *Dev) ExpectMotion(expect bool) { d.watch.ExpectMotion(expect) }

// LastError explains the last reading, nil if it was good.
func (d *Dev) LastError() error {
	switch {
	case d.err != nil:
		return fmt.Errorf("%s: %w", d.name, d.err)
	case d.last.Usable():
		return nil
	case d.last.Quality == unit.NotRead || d.last.Quality == unit.Frozen:
		return errors.New(d.name + ": " + d.last.Quality.Reason())
	}
	return fmt.Errorf("%s: %v, %.2f Ω", d.name, d.frame.Status|d.found, d.frame.Ratio()*d.opts.RefOhms)
}

var _ conn.Resource = (*Dev)(nil)
