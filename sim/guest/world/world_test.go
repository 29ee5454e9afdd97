package world

import (
	"os"
	"strings"
	"testing"
	"time"

	"trivet/cmd/trivet/machine"
	"trivet/sim/catalog"
	"trivet/sim/fault"
)

// held is a line without a kernel.
type held struct{ level bool }

func (h *held) Level() (bool, error) { return h.level, nil }
func (h *held) Pull(high bool) error { h.level = high; return nil }

// bench is the machine of the shipped example on such lines.
type bench struct {
	t     *testing.T
	w     *World
	lines map[string]*held
	now   time.Time
}

func newBench(t *testing.T) *bench {
	t.Helper()
	const path = "../../../deploy/machines/full-retrofit.toml"
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	f, err := machine.Parse(path, data)
	if err != nil {
		t.Fatal(err)
	}
	board, err := catalog.Board("switch-16-layer")
	if err != nil {
		t.Fatal(err)
	}
	w, err := unwired(f, board, 23, 1)
	if err != nil {
		t.Fatal(err)
	}
	b := &bench{t: t, w: w, lines: map[string]*held{}, now: time.Unix(0, 0)}
	label, names, outs, err := named(f)
	if err != nil {
		t.Fatal(err)
	}
	for i, n := range names {
		b.lines[label+"/"+n] = &held{}
		if err := w.join(label+"/"+n, b.lines[label+"/"+n], i < outs); err != nil {
			t.Fatal(err)
		}
	}
	w.begun = b.now
	return b
}

func (b *bench) line(name string) *held {
	b.t.Helper()
	l := b.lines[name]
	if l == nil {
		b.t.Fatalf("there is no line %s", name)
	}
	return l
}

// pass lets time pass, with a heartbeat edge every 100 ms or without.
func (b *bench) pass(d time.Duration, beating bool) {
	b.t.Helper()
	for end := b.now.Add(d); b.now.Before(end); {
		b.now = b.now.Add(step)
		if beat := b.line(b.w.File.Wiring.Heartbeat); beating && b.now.UnixMilli()%100 == 0 {
			beat.level = !beat.level
		}
		if err := b.w.advance(b.now); err != nil {
			b.t.Fatal(err)
		}
	}
}

func TestHeatNeedsEnableHeartbeatAndRelay(t *testing.T) {
	b := newBench(t)
	f := &b.w.File.Wiring
	relay, sense, mirror := b.line(f.Heaters[2].Output), b.line(f.Heaters[2].Sense), b.line(f.Mirror)
	relay.level = true
	b.pass(time.Second, true)
	if sense.level || mirror.level {
		t.Error("the load has mains without heat-enable")
	}
	b.line(f.HeatEnable).level = true
	b.pass(time.Second, true)
	if !sense.level || !mirror.level {
		t.Errorf("no load with everything there: sense %v, mirror %v", sense.level, mirror.level)
	}
	relay.level = false
	b.pass(100*time.Millisecond, true)
	if sense.level {
		t.Error("the load has mains without its relay")
	}
}

// The demand on the one-shot is 0.3 to 0.5 s (hazard study, section 5), the contactor adds up to 0.1 s.
func TestWithoutAHeartbeatTheContactorOpens(t *testing.T) {
	b := newBench(t)
	b.line(b.w.File.Wiring.HeatEnable).level = true
	b.pass(2*time.Second, true)
	last := b.now
	b.pass(2*time.Second, false)
	s := b.w.Look()
	if took := s.Since.Sub(last); s.Closed || !(took > 300*time.Millisecond && took <= 600*time.Millisecond) {
		t.Errorf("closed %v, changed %v after the last edge", s.Closed, took)
	}
}

func TestAContactIsShownAtOnceAndAPullIsWonBack(t *testing.T) {
	b := newBench(t)
	b.pass(200*time.Millisecond, false)
	door := b.line(b.w.File.Wiring.Interlocks[1].Input)
	if !door.level {
		t.Fatal("a closed door reads as open")
	}
	if _, err := b.w.Apply(fault.Fault{Kind: "interlock_open", Target: "door"}, true); err != nil {
		t.Fatal(err)
	}
	if door.level {
		t.Error("an open door is not shown at once")
	}
	if _, err := b.w.Apply(fault.Fault{Kind: "interlock_open", Target: "door"}, false); err != nil {
		t.Fatal(err)
	}
	door.level = false // a program asks for a pull-down, and the simulator obeys
	b.pass(150*time.Millisecond, false)
	if !door.level {
		t.Error("a closed contact lost against a resistor")
	}
}

func TestABusThatHangsKeepsItsCallerUntilItIsReleased(t *testing.T) {
	b := newBench(t)
	release := b.w.Hang("SPI0.0")
	done := make(chan struct{})
	go func() {
		b.w.lock("SPI0.0")()
		b.w.mu.Unlock()
		close(done)
	}()
	b.w.lock("SPI0.1")() // another bus is not kept
	b.w.mu.Unlock()
	select {
	case <-done:
		t.Fatal("the bus did not hang")
	case <-time.After(20 * time.Millisecond):
	}
	release()
	<-done
}

func TestLinesOnTwoChipsAreRefused(t *testing.T) {
	b := newBench(t)
	b.w.File.Wiring.Mirror = "another/GPIO1"
	if _, _, _, err := named(b.w.File); err == nil || !strings.Contains(err.Error(), "one chip") {
		t.Errorf("%v", err)
	}
	if _, _, err := b.w.front("CAN0"); err == nil {
		t.Error("a bus of another kind was taken")
	}
}
