package gpiochip

import (
	"errors"
	"fmt"
	"sync/atomic"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"
)

// consumer is what others read about who uses a line.
const consumer = "trivet"

// OutOptions is how an output begins.
type OutOptions struct {
	// Initial is the first level, logical, in force with the request itself. Heaters begin with false.
	Initial bool
	// ActiveLow makes the logical high a low level at the pin. Mind the time before the program runs: a board whose relays are on at
	// low level needs pull-up resistors that hold them off.
	ActiveLow bool
	// OpenDrain drives low only, and leaves the high to a resistor.
	OpenDrain bool
}

// Out is an output line. It has no way to read, and nothing that it offers besides Out and Close touches the line. It may be used by
// several goroutines: each Out is one call to the kernel that carries all it needs.
//
// It is a gpio.PinOut of periph, so that line.NewOut takes it.
type Out struct {
	held
}

var _ gpio.PinOut = (*Out)(nil)

// held is a line that the kernel has given to us.
type held struct {
	k      kernel
	fd     int
	name   string
	offset int
	closed atomic.Bool
}

var errClosed = errors.New("the line has been given back")

// OpenOut asks the kernel for a line as an output. A line that somebody uses already is an error that says who.
func OpenOut(n Name, o OutOptions) (*Out, error) { return openOut(system, n, o) }

func openOut(k kernel, n Name, o OutOptions) (*Out, error) {
	r := request{flags: flagOutput, initial: o.Initial}
	if o.ActiveLow {
		r.flags |= flagActiveLow
	}
	if o.OpenDrain {
		r.flags |= flagOpenDrain
	}
	out := &Out{}
	if err := out.ask(k, n, r); err != nil {
		return nil, err
	}
	return out, nil
}

// ask finds the line and requests it.
func (h *held) ask(k kernel, n Name, r request) error {
	f, err := find(k, n)
	if err != nil {
		return err
	}
	chip, err := k.open(f.node)
	if err != nil {
		return explain(fmt.Sprintf("GPIO line %s: open %s", n, f.node), err)
	}
	defer k.close(chip) //nolint:errcheck // the line has a descriptor of its own
	// Between looking and opening, the number may have gone to another chip.
	if label, _, err := chipOf(k, chip); err != nil || label != n.Chip {
		return fmt.Errorf("GPIO line %s: %s is not that chip any more; try again", n, f.node)
	}
	r.offset = uint32(f.offset)
	b := r.encode()
	if err := k.ioctl(chip, getLine, &b[0]); err != nil {
		return refused(k, chip, n, f, err)
	}
	fd := granted(b)
	if fd < 0 {
		return fmt.Errorf("GPIO line %s: the kernel granted it without a descriptor", n)
	}
	h.k, h.fd, h.name, h.offset = k, fd, n.String(), f.offset
	return nil
}

// refused says why the kernel did not give a line.
func refused(k kernel, chip int, n Name, f found, err error) error {
	if !busy(err) {
		return fmt.Errorf("GPIO line %s: %w", n, explain("request it", err))
	}
	who := "somebody who does not say who"
	if l, e := lineOf(k, chip, f.offset); e == nil && l.Consumer != "" {
		who = fmt.Sprintf("%q", l.Consumer)
	}
	return fmt.Errorf("GPIO line %s: %w: it is used by %s; another program must end first, or a driver must be taken out of the board's description", n, err, who)
}

// The two things an output can be told, as the kernel reads them. It only reads them, so that all outputs and goroutines share them.
var levels = [2][valuesSize]byte{level(0), level(1)}

func level(bit uint64) (b [valuesSize]byte) {
	native.PutUint64(b[0:], bit)
	native.PutUint64(b[8:], 1)
	return b
}

// Out implements gpio.PinOut: it sets the logical level. It does not allocate.
func (o *Out) Out(l gpio.Level) error {
	if o.closed.Load() {
		return errClosed
	}
	b := &levels[0]
	if l {
		b = &levels[1]
	}
	return o.k.ioctl(o.fd, setValues, &b[0])
}

// Close makes the output inactive and gives the line back, also when the first fails. What the line does from then on is the chip's
// affair, see the package comment. Nobody else may be using the output any more.
func (o *Out) Close() error {
	err := o.Out(gpio.Low)
	return errors.Join(err, o.release())
}

// release gives the line back, once.
func (h *held) release() error {
	if h.closed.Swap(true) {
		return nil
	}
	return h.k.close(h.fd)
}

// PWM implements gpio.PinOut. A plain line cannot do it.
func (o *Out) PWM(gpio.Duty, physic.Frequency) error {
	return fmt.Errorf("GPIO line %s: a plain line has no pulse-width modulation", o.name)
}

// String returns "CHIP/LINE".
func (h *held) String() string { return h.name }

// Name implements pin.Pin.
func (h *held) Name() string { return h.name }

// Number implements pin.Pin: the number on the chip.
func (h *held) Number() int { return h.offset }

// Function implements pin.Pin. It says what was asked for and does not look.
func (o *Out) Function() string { return "Out" }

// Halt implements conn.Resource. It leaves the line as it is.
func (h *held) Halt() error { return nil }

// InOptions is how an input is set up.
type InOptions struct {
	ActiveLow bool // active is a low level at the pin: a contact to ground with a pull-up
	Bias      Bias // towards the inactive level, so that a broken wire reads as inactive
	// Debounce is how long a level must last to count, 0 for none, 10 s at most. Where neither the chip nor the kernel can do it the line is
	// used without; see Debounced.
	Debounce time.Duration
}

// In is an input line. It is used by one goroutine, apart from Failures.
type In struct {
	held
	values    [valuesSize]byte
	bias      Bias
	debounced bool
	failures  atomic.Uint64
}

const longestDebounce = 10 * time.Second

// OpenIn asks the kernel for a line as an input.
func OpenIn(n Name, o InOptions) (*In, error) { return openIn(system, n, o) }

func openIn(k kernel, n Name, o InOptions) (*In, error) {
	if !(o.Debounce >= 0 && o.Debounce <= longestDebounce) {
		return nil, fmt.Errorf("GPIO line %s: debounce is %v; 0 to %v is allowed", n, o.Debounce, longestDebounce)
	}
	r := request{flags: flagInput | o.Bias.flag(), debounce: o.Debounce}
	if o.ActiveLow {
		r.flags |= flagActiveLow
	}
	in := &In{bias: o.Bias, debounced: o.Debounce > 0}
	err := in.ask(k, n, r)
	if err != nil && r.debounce > 0 && undebounced(rootOf(err)) {
		r.debounce, in.debounced = 0, false
		err = in.ask(k, n, r)
	}
	if err != nil {
		return nil, err
	}
	if _, err := in.Level(); err != nil {
		return nil, errors.Join(err, in.release())
	}
	return in, nil
}

// rootOf returns the innermost error.
func rootOf(err error) error {
	for {
		inner := errors.Unwrap(err)
		if inner == nil {
			return err
		}
		err = inner
	}
}

// Level returns whether the line is active, or why that is not known.
func (i *In) Level() (bool, error) {
	active, err := i.level()
	if err != nil {
		return false, fmt.Errorf("GPIO line %s: read: %w", i.name, err)
	}
	return active, nil
}

// Read reports whether the line is active; a line that cannot be read is not. It does not allocate, not even for a line that fails.
func (i *In) Read() bool {
	active, err := i.level()
	return active && err == nil
}

func (i *In) level() (bool, error) {
	if i.closed.Load() {
		return false, errClosed
	}
	native.PutUint64(i.values[0:], 0) // a kernel that answers without filling in anything reads as inactive
	native.PutUint64(i.values[8:], 1)
	if err := i.k.ioctl(i.fd, getValues, &i.values[0]); err != nil {
		i.failures.Add(1)
		return false, err
	}
	return native.Uint64(i.values[0:])&1 != 0, nil
}

// Failures counts the reads that failed. Safe from any goroutine.
func (i *In) Failures() uint64 { return i.failures.Load() }

// Debounced reports whether the kernel does the debouncing that was asked for.
func (i *In) Debounced() bool { return i.debounced }

// Close gives the line back.
func (i *In) Close() error { return i.release() }
