package expander_test

import (
	"testing"
	"time"

	"periph.io/x/conn/v3/gpio"

	"trivet/hal/expander"
)

// longestScript bounds the work of one input.
const longestScript = 300

// Any sequence of commands, polls, failures and resets: the chip never drives a line on that was not asked for since it last
// failed, and says so of none. The upper four of eight lines are on when low.
func FuzzNothingIsOnThatWasNotAskedFor(f *testing.F) {
	f.Add([]byte{0x01, 0x11, 0x80, 0x00, 0x90, 0x80, 0x01, 0xA0, 0x80, 0xB0, 0x01})
	f.Add([]byte{0xC0, 0x01, 0x02, 0x80, 0x90, 0x03, 0x80, 0x80, 0x04})
	f.Fuzz(func(t *testing.T, script []byte) {
		w := &walk{chip: &fake{}}
		b, err := expander.New("fake", w.chip, w.chip.traits(), len(script) > 0 && script[0] >= 0xC0)
		if err != nil {
			t.Fatal(err)
		}
		w.bank = b
		for i := range w.pins {
			w.pins[i] = output(t, b, i, i >= 4)
		}
		for _, op := range script[:min(len(script), longestScript)] {
			w.step(t, op)
			w.look(t, op)
		}
	})
}

// walk is a bank that things are done to, and what may be on.
type walk struct {
	chip  *fake
	bank  *expander.Bank
	pins  [8]gpio.PinOut
	asked [8]bool
}

// step does what the upper half of op says, to the line that the lower half says.
func (w *walk) step(t *testing.T, op byte) {
	i := int(op & 7)
	switch op >> 4 {
	case 0, 1: // on
		err := w.pins[i].Out(gpio.High)
		w.asked[i] = err == nil
		if err != nil && w.bank.Err() == nil {
			t.Fatalf("refused, and nothing is wrong: %v", err)
		}
	case 2, 3: // off
		if err := w.pins[i].Out(gpio.Low); err == nil && w.chip.on(i) {
			t.Fatalf("line %d is said to be off: levels %04x", i, w.chip.driven())
		}
		w.asked[i] = false
	case 8:
		w.bank.Poll(time.Second)
	case 9:
		w.chip.fail = errBus
	case 10:
		w.chip.fail = nil
	case 11: // a brown-out
		w.chip.image, w.chip.outputs, w.chip.pulls = expander.Image{}, 0, 0
	case 12:
		_ = w.bank.Configure()
		w.asked = [8]bool{}
	case 13:
		_ = w.bank.Flush()
	}
}

// look compares what is on with what may be. On a bus that fails nothing can be switched off; after a poll on one that works
// everything is, if something was wrong.
func (w *walk) look(t *testing.T, op byte) {
	broken := w.bank.Err() != nil
	if broken {
		w.asked = [8]bool{}
	}
	if w.chip.fail != nil || broken && op>>4 != 8 {
		return
	}
	for i, may := range w.asked {
		if w.chip.on(i) && !may {
			t.Fatalf("after %02x line %d is on, and nobody has asked for it (%v)", op, i, w.bank.Err())
		}
	}
}
