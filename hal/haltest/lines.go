package haltest

import (
	"testing"
	"time"

	"periph.io/x/conn/v3/gpio"

	"trivet/hal/expander"
	"trivet/sim/chip"
)

// LinesBench is one emulated chip with outputs, and a way to open a driver on it, as often as a program is started.
type LinesBench struct {
	Open   func(gather bool) (*expander.Bank, error)
	Wire   func(i int) *chip.Pin
	Inject func(f chip.Fault)
	Tap    *Tap
}

// LinesSpec is what is promised of one kind of chip with outputs.
type LinesSpec struct {
	Chip      string
	New       func(tb testing.TB) LinesBench
	Lines     int
	ActiveLow bool // outputs must be
	Inputs    bool
	// PulledUp says that an open contact reads high, whatever it was told: a contact must pull its line down.
	PulledUp bool
	// Blind says that a chip that has lost itself cannot be found out.
	Blind bool
	// BytesPerPoll bounds what a poll of a chip that is well puts on the bus.
	BytesPerPoll int
}

// deck is a bank all of whose lines are outputs.
type deck struct {
	LinesBench
	spec LinesSpec
	bank *expander.Bank
	pins []gpio.PinOut
	now  time.Duration
}

func outputs(tb testing.TB, s LinesSpec, gather bool) *deck {
	tb.Helper()
	d := &deck{LinesBench: s.New(tb), spec: s}
	d.open(tb, gather)
	d.poll()
	return d
}

// open is what a program does that starts.
func (d *deck) open(tb testing.TB, gather bool) {
	tb.Helper()
	b, err := d.Open(gather)
	if err != nil {
		tb.Fatal(err)
	}
	d.bank, d.pins = b, nil
	for i := range d.spec.Lines {
		p, err := b.Out(i, d.spec.ActiveLow)
		if err != nil {
			tb.Fatal(err)
		}
		d.pins = append(d.pins, p)
	}
}

func (d *deck) poll() {
	d.bank.Poll(d.now)
	d.now += Tick
}

// on says whether the wire of a line is at the level that means on.
func (d *deck) on(i int) bool { return bool(d.Wire(i).Level()) != d.spec.ActiveLow }

// lit returns how many lines are on.
func (d *deck) lit() (n int) {
	for i := range d.pins {
		if d.on(i) {
			n++
		}
	}
	return n
}

func (d *deck) set(tb testing.TB, i int, on bool) {
	tb.Helper()
	if err := d.pins[i].Out(gpio.Level(on)); err != nil {
		tb.Fatalf("line %d: %v", i, err)
	}
}

// RunLines runs every promise on a driver with outputs, and on its inputs if it has some.
func RunLines(t *testing.T, s LinesSpec) Card {
	c := Card{Chip: s.Chip}
	c.promise(t, "a line becomes an output without ever being on", func(t *testing.T) { neverOn(t, s) })
	c.promise(t, "what an earlier program left on is off once the chip is open", func(t *testing.T) { restart(t, s) })
	c.promise(t, "each line follows its own command and no other", func(t *testing.T) { ownCommand(t, s) })
	c.promise(t, "a command that changes nothing sends nothing", func(t *testing.T) { quiet(t, s) })
	c.promise(t, "what is switched on can wait for one write, what is switched off never does", func(t *testing.T) { gathers(t, s) })
	c.promise(t, "halting switches everything off", func(t *testing.T) { halts(t, s) })
	c.promise(t, "on a dead bus nothing is said to be on, and afterwards nothing is", func(t *testing.T) { deadBus(t, s) })
	c.promise(t, "nobody waits for somebody else's transaction", func(t *testing.T) { nobodyWaits(t, s) })
	if !s.Blind {
		c.promise(t, "a chip that has lost itself is found in the next poll and stays off", func(t *testing.T) { lost(t, s) })
	}
	c.promise(t, "a poll is short on the bus and makes no garbage", func(t *testing.T) { short(t, s) })
	c.promise(t, "looking at an output leaves it alone", func(t *testing.T) { looking(t, s) })
	c.promise(t, "a line that is not there, or is taken, is refused by name", func(t *testing.T) { refused(t, s) })
	if s.Inputs {
		runInputs(t, s, &c)
	}
	return c
}

// watch counts how often any wire comes on.
func (d *deck) watch(s LinesSpec) *int {
	n := new(int)
	for i := range s.Lines {
		d.Wire(i).OnChange = func(l gpio.Level) {
			if bool(l) != s.ActiveLow {
				*n++
			}
		}
	}
	return n
}

func neverOn(t *testing.T, s LinesSpec) {
	d := &deck{LinesBench: s.New(t), spec: s}
	n := d.watch(s)
	d.open(t, false)
	d.poll()
	if *n != 0 || d.lit() != 0 {
		t.Errorf("wires came on %d times, %d are on", *n, d.lit())
	}
}

func restart(t *testing.T, s LinesSpec) {
	d := outputs(t, s, false)
	for i := range d.pins {
		d.set(t, i, true)
	}
	if d.lit() != s.Lines {
		t.Fatalf("%d of %d lines are on", d.lit(), s.Lines)
	}
	n := d.watch(s)
	if _, err := d.Open(false); err != nil || d.lit() != 0 { // the program before this one was killed, and this one asks for no line
		t.Errorf("opened: %v, %d are on", err, d.lit())
	}
	d.open(t, false)
	d.poll()
	if *n != 0 || d.lit() != 0 || d.bank.Err() != nil {
		t.Errorf("wires came on %d times, %d are on, %v", *n, d.lit(), d.bank.Err())
	}
	d.set(t, 0, true)
	if d.lit() != 1 || !d.on(0) {
		t.Errorf("then %d lines are on, line 0 %v", d.lit(), d.on(0))
	}
}

func ownCommand(t *testing.T, s LinesSpec) {
	d := outputs(t, s, false)
	want := make([]bool, s.Lines)
	// A walk that visits every line in both directions, with all combinations of neighbours.
	for step := range 6 * s.Lines {
		i := step * 7 % s.Lines
		want[i] = step/s.Lines%2 == 0 != (step%3 == 0)
		d.set(t, i, want[i])
		d.poll()
		for k := range want {
			if d.on(k) != want[k] {
				t.Fatalf("step %d, line %d set to %v: line %d is %v", step, i, want[i], k, d.on(k))
			}
		}
		if err := d.bank.Err(); err != nil {
			t.Fatal(err)
		}
	}
}

func quiet(t *testing.T, s LinesSpec) {
	d := outputs(t, s, false)
	d.set(t, 1, true)
	d.Tap.Traffic()
	for range 3 {
		d.set(t, 0, false)
		d.set(t, 1, true)
	}
	if n, _ := d.Tap.Traffic(); n != 0 {
		t.Errorf("%d transactions", n)
	}
	d.set(t, 0, true)
	if n, _ := d.Tap.Traffic(); n != 1 {
		t.Errorf("a change took %d transactions", n)
	}
}

func gathers(t *testing.T, s LinesSpec) {
	d := outputs(t, s, true)
	d.Tap.Traffic()
	for i := range d.pins {
		d.set(t, i, true)
	}
	if n, _ := d.Tap.Traffic(); n != 0 || d.lit() != 0 {
		t.Errorf("%d transactions and %d lines on before the flush", n, d.lit())
	}
	if err := d.bank.Flush(); err != nil {
		t.Fatal(err)
	}
	if n, _ := d.Tap.Traffic(); n != 1 || d.lit() != s.Lines {
		t.Errorf("the flush took %d transactions, and %d lines are on", n, d.lit())
	}
	d.set(t, 2, false)
	if n, _ := d.Tap.Traffic(); n != 1 || d.on(2) {
		t.Errorf("switched off: %d transactions, on %v", n, d.on(2))
	}
	d.set(t, 2, true)
	d.poll() // a poll flushes too
	if !d.on(2) {
		t.Error("what was kept is not on after the poll")
	}
}

func halts(t *testing.T, s LinesSpec) {
	d := outputs(t, s, false)
	for i := range d.pins {
		d.set(t, i, true)
	}
	if err := d.pins[0].Halt(); err != nil || d.on(0) || !d.on(1) {
		t.Errorf("one line halted: %v, is %v, the next %v", err, d.on(0), d.on(1))
	}
	if err := d.bank.Halt(); err != nil || d.lit() != 0 {
		t.Errorf("halted: %v, %d lines on", err, d.lit())
	}
}

func looking(t *testing.T, s LinesSpec) {
	d := outputs(t, s, false)
	d.set(t, 0, true)
	d.Tap.Traffic()
	p := d.pins[0]
	if f := p.(interface{ Function() string }); f.Function() != "OUT" || p.Number() != 0 || p.Name() != d.bank.String()+"/0" || p.String() != p.Name() {
		t.Errorf("%s, %d, %s", f.Function(), p.Number(), p.Name())
	}
	if _, readable := p.(gpio.PinIn); readable {
		t.Error("an output can be read, and on some chips that makes it an input")
	}
	if n, _ := d.Tap.Traffic(); n != 0 || !d.on(0) {
		t.Errorf("%d transactions, on %v", n, d.on(0))
	}
}

func refused(t *testing.T, s LinesSpec) {
	b, err := s.New(t).Open(false)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := b.Out(0, s.ActiveLow); err != nil {
		t.Fatal(err)
	}
	for _, i := range []int{-1, s.Lines, 0} {
		_, errOut := b.Out(i, s.ActiveLow)
		_, errIn := b.In(i)
		for _, err := range []error{errOut, errIn} {
			if err == nil || len(err.Error()) < len(b.String()) || err.Error()[:len(b.String())] != b.String() {
				t.Errorf("line %d: %v", i, err)
			}
		}
	}
	if _, err := b.In(1); (err == nil) != s.Inputs {
		t.Errorf("an input: %v", err)
	}
}

// BenchmarkLines measures one tick of a driver with outputs: a poll and two changes. The emulated chip and bus are part of the figure.
func BenchmarkLines(b *testing.B, s LinesSpec) {
	d := outputs(b, s, false)
	on := false
	b.ReportAllocs()
	for b.Loop() {
		d.poll()
		on = !on
		d.set(b, 0, on)
		d.set(b, 1, !on)
	}
}
