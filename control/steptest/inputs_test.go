package steptest

import (
	"testing"
	"time"
)

// hands is a person at the contacts: bits of what is closed, and what the program asks for.
type hands struct {
	t     Inputs
	now   time.Duration
	level uint32
}

func newHands() *hands {
	h := &hands{level: 0b00_111}
	h.t.Begin(3, 5) // three contacts, and two inputs that must keep still
	return h
}

func (h *hands) wait(d time.Duration) {
	for end := h.now + d; h.now < end; {
		h.now += period
		h.t.Step(h.now, h.level)
	}
}

func (h *hands) set(bits uint32, closed bool) {
	h.level &^= bits
	if closed {
		h.level |= bits
	}
	h.wait(2 * time.Second)
}

func TestEveryInputIsProvenByMovingIt(t *testing.T) {
	h := newHands()
	h.wait(time.Second)
	for i := range 3 {
		if h.t.Ask != AskOpen || h.t.At != i {
			t.Fatalf("asks for %s of %d; want open of %d", h.t.Ask, h.t.At, i)
		}
		h.set(1<<i, false)
		if h.t.Ask != AskClose {
			t.Fatalf("input %d is open, and it asks for %q", i, h.t.Ask)
		}
		h.set(1<<i, true)
		if h.t.Of[i] != (InputNow{Proven, -1}) {
			t.Fatalf("input %d: %+v", i, h.t.Of[i])
		}
	}
	if h.t.Active || h.t.Ask != AskNothing {
		t.Error("it goes on after the last")
	}
}

func TestExchangedInputsAreFound(t *testing.T) {
	h := newHands()
	h.wait(time.Second)
	h.set(2, false) // the person opens the first; its wire goes to the second
	if h.t.Of[0] != (InputNow{Wrong, 1}) {
		t.Fatalf("%+v", h.t.Of[0])
	}
	h.set(2, true)
	h.set(1, false)
	h.set(1, true)
	if h.t.Of[1] != (InputNow{Wrong, 0}) || h.t.At != 2 {
		t.Errorf("%+v, now at %d", h.t.Of[1], h.t.At)
	}
}

func TestAnInputThatTakesAnotherAlongIsFound(t *testing.T) {
	h := newHands()
	h.wait(time.Second)
	h.level &^= 1
	h.wait(500 * time.Millisecond)
	h.set(8, true) // an input that should keep still follows half a second later
	if h.t.Of[0] != (InputNow{Joined, 3}) {
		t.Fatalf("%+v", h.t.Of[0])
	}
	h.level = 0b111
	h.wait(2 * time.Second)
	if h.t.Of[0].State != Joined || h.t.At != 1 {
		t.Errorf("%+v, now at %d", h.t.Of[0], h.t.At)
	}
}

func TestABounceProvesNothing(t *testing.T) {
	h := newHands()
	h.wait(time.Second)
	for range 20 {
		h.level ^= 1
		h.wait(period)
	}
	if h.t.Of[0].State != Untried || h.t.Ask != AskOpen {
		t.Errorf("%+v, asks %s", h.t.Of[0], h.t.Ask)
	}
}

func TestWhatStandsOpenBeforeMustBeClosedFirst(t *testing.T) {
	h := newHands()
	h.level = 0b011
	h.t.Begin(3, 5)
	h.wait(time.Second)
	if h.t.Ask != AskRest || h.t.Open() != 2 {
		t.Fatalf("asks %s, open %d", h.t.Ask, h.t.Open())
	}
	h.set(4, true)
	if h.t.Ask != AskOpen {
		t.Errorf("asks %s", h.t.Ask)
	}
}

func TestAnInputCanBeSkippedAndTriedAgain(t *testing.T) {
	h := newHands()
	h.wait(time.Second)
	for range 3 {
		if !h.t.Skip() {
			t.Fatal("cannot skip")
		}
	}
	if h.t.Active || h.t.Skip() || h.t.Again(3) || h.t.Again(-1) {
		t.Error("it goes on with nothing")
	}
	if !h.t.Again(1) {
		t.Fatal("cannot try again")
	}
	h.wait(time.Second)
	h.set(2, false)
	h.set(2, true)
	if h.t.Of[1].State != Proven || h.t.Of[0].State != Skipped || h.t.Active {
		t.Errorf("%+v", h.t.Of[:3])
	}
	h.t.Again(0)
	h.t.Stop()
	if h.t.Active {
		t.Error("stopped, and active")
	}
}

func TestAGlitchOfAnotherInputIsNoMovement(t *testing.T) {
	h := newHands()
	h.wait(time.Second)
	h.level &^= 1
	for range 20 { // a load sense that errs in two looks of three
		h.level |= 8
		h.wait(2 * period)
		h.level &^= 8
		h.wait(period)
	}
	h.set(1, true)
	if h.t.Of[0] != (InputNow{Proven, -1}) {
		t.Errorf("%+v", h.t.Of[0])
	}
}
