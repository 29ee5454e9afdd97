package expander

import (
	"errors"
	"fmt"
	"math"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"
)

// Out makes line i an output, off, and returns it. High means on: with activeLow the chip's pin is low then.
func (b *Bank) Out(i int, activeLow bool) (gpio.PinOut, error) {
	bit, err := b.claim(i)
	switch {
	case err != nil:
		return nil, err
	case activeLow && b.traits.ActiveHighOnly != "":
		return nil, b.wrap(fmt.Errorf("line %d cannot be active low: %s", i, b.traits.ActiveHighOnly))
	case !activeLow && b.traits.ActiveLowOnly != "":
		return nil, b.wrap(fmt.Errorf("line %d must be active low: %s", i, b.traits.ActiveLowOnly))
	}
	// Lines are claimed before the machine runs: here it may wait for the bus.
	b.bus.Lock()
	defer b.bus.Unlock()
	b.mu.Lock()
	image := b.want
	if activeLow {
		image.Levels |= bit
	}
	outputs, pulls := b.outputs|bit, b.pulls
	b.mu.Unlock()
	if err := b.chip.Write(&image); err != nil { // the level before the direction
		return nil, b.wrap(err)
	}
	if err := b.chip.Direct(outputs, pulls); err != nil {
		return nil, b.wrap(err)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.seen = false
	b.want, b.told, b.known, b.outputs = image, image, true, outputs
	if activeLow {
		b.inverted |= bit
	}
	return &output{line{b, i, bit}}, nil
}

// In returns line i as an input. It is one already; In of what is returned sets its pull.
func (b *Bank) In(i int) (gpio.PinIn, error) {
	bit, err := b.claim(i)
	if err != nil {
		return nil, err
	}
	if !b.traits.Inputs {
		return nil, b.wrap(fmt.Errorf("line %d: the chip has outputs only", i))
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.inputs |= bit
	return &input{line: line{b, i, bit}}, nil
}

// claim checks that line i is there and free.
func (b *Bank) claim(i int) (uint16, error) {
	if i < 0 || i >= b.traits.Lines {
		return 0, b.wrap(fmt.Errorf("line is %d; 0 to %d is allowed", i, b.traits.Lines-1))
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	bit := uint16(1) << i
	if (b.outputs|b.inputs)&bit != 0 {
		return 0, b.wrap(fmt.Errorf("line %d is given twice", i))
	}
	return bit, nil
}

// line is what inputs and outputs have in common.
type line struct {
	bank *Bank
	n    int
	bit  uint16
}

// String returns the chip and the number.
func (l *line) String() string { return l.Name() }

// Name returns the chip and the number, as in "MCP23017{i2c-1(0x20)}/3": errors name the line by it.
func (l *line) Name() string { return fmt.Sprintf("%s/%d", l.bank.name, l.n) }

// Number returns the number on the chip, from 0.
func (l *line) Number() int { return l.n }

type output struct{ line }

// Halt switches the line off.
func (o *output) Halt() error { return o.Out(gpio.Low) }

// Function says what it always is. It asks nobody.
func (o *output) Function() string { return string(gpio.OUT) }

// Out switches the line on at High and off at Low. While the bank does not work nothing is switched on, and the reason is returned.
func (o *output) Out(l gpio.Level) error {
	b := o.bank
	b.mu.Lock()
	if l && b.err != nil {
		defer b.mu.Unlock()
		return b.err
	}
	if b.level(o.bit, bool(l)) {
		b.want.Levels |= o.bit
	} else {
		b.want.Levels &^= o.bit
	}
	b.want.Modulated &^= o.bit
	b.want.Duty[o.n] = 0
	return b.carryOut(bool(l))
}

// carryOut decides whether what is wanted is sent now. The caller holds mu; it is free afterwards.
func (b *Bank) carryOut(on bool) error {
	same, keep := b.known && b.told == b.want, b.gather && on
	// Switching off is tried also on a bus that fails, since a failure may pass; but a few times only until the next poll, since each
	// may take as long as the bus's time limit.
	tired := b.err != nil && b.tries >= offTries
	if b.err != nil {
		b.tries++
	}
	err := b.err
	b.mu.Unlock()
	switch {
	case same || keep:
		return nil
	case tired:
		return err
	}
	return b.write()
}

var errNoModulation = errors.New("the chip's lines do not switch by themselves")

// PWM has the line switch by itself. All lines of a chip that can have one frequency: the first one asked for.
func (o *output) PWM(duty gpio.Duty, f physic.Frequency) error {
	b := o.bank
	t := &b.traits
	switch {
	case t.Fastest == 0:
		return b.wrap(errNoModulation)
	case !duty.Valid():
		return b.wrap(fmt.Errorf("duty is %d; 0 to %d is allowed", duty, gpio.DutyMax))
	case !(f >= t.Slowest && f <= t.Fastest):
		return b.wrap(fmt.Errorf("frequency is %v; %v to %v is allowed", f, t.Slowest, t.Fastest))
	}
	if err := b.frequency(f); err != nil {
		return err
	}
	// periph counts a duty in 24 bits, the chip in 12: rounded, not cut, so that all of the time stays all of the time.
	share := uint16(math.Round(float64(duty) / float64(gpio.DutyMax) * FullDuty))
	b.mu.Lock()
	if share > 0 && b.err != nil {
		defer b.mu.Unlock()
		return b.err
	}
	if b.inverted&o.bit != 0 {
		share = FullDuty - share
	}
	b.want.Modulated |= o.bit
	b.want.Duty[o.n] = share
	return b.carryOut(duty > 0)
}

// frequency sets that of the chip once; it stops all lines for a moment. A second line that wants another one is refused rather than
// given the first one's, because a fan that hums or does not start would be looked for elsewhere.
func (b *Bank) frequency(f physic.Frequency) error {
	b.mu.Lock()
	was := b.freq
	b.mu.Unlock()
	switch was {
	case f:
		return nil
	case 0:
	default:
		return b.wrap(fmt.Errorf("frequency is %v; another line has %v, and all have the same", f, was))
	}
	b.bus.Lock()
	defer b.bus.Unlock()
	if err := b.traits.SetFrequency(f); err != nil {
		return b.wrap(err)
	}
	b.mu.Lock()
	b.freq = f
	b.mu.Unlock()
	return nil
}

type input struct {
	line
	pull gpio.Pull
}

// Halt does nothing: an input drives nothing.
func (i *input) Halt() error { return nil }

// Function says what it always is. It asks nobody.
func (i *input) Function() string { return string(gpio.IN) }

// In sets the pull, which is also what the line reads as when nothing is known of it. Edges cannot be waited for. A chip
// without pull-downs takes PullDown as a promise that there is one on the board, unless it pulls up itself.
func (i *input) In(pull gpio.Pull, edge gpio.Edge) error {
	b := i.bank
	switch {
	case edge != gpio.NoEdge:
		return b.wrap(fmt.Errorf("line %d: edges cannot be waited for", i.n))
	case pull == gpio.PullDown && b.traits.NoPullDown != "":
		return b.wrap(fmt.Errorf("line %d cannot be pulled down: %s", i.n, b.traits.NoPullDown))
	case pull == gpio.PullUp && !b.traits.PullsUp:
		return b.wrap(fmt.Errorf("line %d: the chip has no pull-ups", i.n))
	}
	b.bus.Lock()
	defer b.bus.Unlock()
	b.mu.Lock()
	pulls := b.pulls &^ i.bit
	if pull == gpio.PullUp {
		pulls |= i.bit
	}
	outputs := b.outputs
	b.mu.Unlock()
	if err := b.chip.Direct(outputs, pulls); err != nil {
		return b.wrap(err)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.pulls, b.seen, i.pull = pulls, false, pull
	return nil
}

// Read returns the level as of the last poll. When that has failed, or there was none, it is the level that the pull makes: for
// a contact of package line the open one.
func (i *input) Read() gpio.Level {
	b := i.bank
	b.mu.Lock()
	defer b.mu.Unlock()
	if !b.seen {
		return i.pull == gpio.PullUp
	}
	return b.lines&i.bit != 0
}

// WaitForEdge waits for nothing.
func (i *input) WaitForEdge(time.Duration) bool { return false }

// Pull returns what In was told.
func (i *input) Pull() gpio.Pull { return i.pull }

// DefaultPull is not known: it depends on the chip.
func (i *input) DefaultPull() gpio.Pull { return gpio.PullNoChange }

var (
	_ gpio.PinOut = (*output)(nil)
	_ gpio.PinIn  = (*input)(nil)
)
