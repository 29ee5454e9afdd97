// Package world lets a simulated machine run in real time behind the device nodes of the guest: what the program under test drives on
// simulated lines switches the plant's relays, what the plant does is pulled onto its inputs, and its chips answer on nodes of their own.
// The one-shot and the series contactor are the rig's, outside of the program, as they are on a real machine.
//
// It decides nothing about heat and knows nothing of what the program thinks.
package world

import (
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"periph.io/x/conn/v3/gpio"

	"trivet/cmd/trivet/machine"
	"trivet/process/unit"
	"trivet/sim/chip"
	"trivet/sim/fault"
	"trivet/sim/guest/cuse"
	"trivet/sim/guest/gpiosim"
	"trivet/sim/plant"
	"trivet/sim/rig"
)

// step is how often lines are looked at and the machine moves on. The one-shot's 0.4 s is so known to within one step.
const step = 10 * time.Millisecond

// World is a machine that runs. Its methods may be called by any goroutine.
type World struct {
	Bank *gpiosim.Bank
	File *machine.File

	emulated *machine.Emulated

	mu       sync.Mutex
	rig      *rig.Rig
	handlers map[string]served // used by whoever plugs, one at a time
	outs     []wire
	ins      []wire
	looks    int
	begun    time.Time
	err      error
	nodes    map[string]*cuse.Node
	hanging  map[string]chan struct{}
	contacts time.Time // when the contactor last changed
	closed   bool
	slowest  time.Duration // longest step so far
	stop     chan struct{}
	done     chan struct{}
}

// wire joins a line to a terminal of the machine.
type wire struct {
	line  line
	pin   *chip.Pin
	shown bool // of an input: what was put there last
}

// line is the world's side of a GPIO line.
type line interface {
	Level() (high bool, err error)
	Pull(high bool) error
}

// New makes the machine that a file describes, with a board on it in a room of so many °C, its lines and its nodes. Lines are named
// as the file names them; all must be on one chip.
func New(f *machine.File, b plant.Board, room unit.Celsius, seed int64) (*World, error) {
	w, err := unwired(f, b, room, seed)
	if err != nil {
		return nil, err
	}
	label, names, outs, err := named(f)
	if err != nil {
		return nil, err
	}
	if w.Bank, err = gpiosim.New(label, names); err != nil {
		return nil, err
	}
	for i, n := range names {
		if err := w.join(label+"/"+n, w.Bank.Line(n), i < outs); err != nil {
			return nil, err
		}
	}
	if err := w.pull(); err != nil {
		return nil, err
	}
	for _, s := range f.Wiring.Sensors {
		if err := w.Plug(s.Bus); err != nil {
			return nil, err
		}
	}
	return w, nil
}

// unwired makes the machine alone.
func unwired(f *machine.File, b plant.Board, room unit.Celsius, seed int64) (*World, error) {
	e, err := f.Emulate(b, room, seed)
	if err != nil {
		return nil, err
	}
	return &World{File: f, emulated: e, rig: e.Rig, nodes: map[string]*cuse.Node{}, handlers: map[string]served{}, hanging: map[string]chan struct{}{}, stop: make(chan struct{}), done: make(chan struct{})}, nil
}

// named lists the lines that a file names, outputs first, and how many these are. All must be on one chip.
func named(f *machine.File) (label string, names []string, outs int, err error) {
	w := &f.Wiring
	out, in := []string{w.HeatEnable, w.Heartbeat}, []string{w.Mirror}
	for _, h := range w.Heaters {
		out, in = append(out, h.Output), append(in, h.Sense)
	}
	for _, b := range w.Blowers {
		out, in = append(out, b.Output), append(in, b.Proof)
	}
	for _, i := range w.Interlocks {
		in = append(in, i.Input)
	}
	if w.Fan != nil {
		out = append(out, w.Fan.Output)
	}
	missing := func(name string) bool { return name == "" }
	out, in = slices.DeleteFunc(out, missing), slices.DeleteFunc(in, missing)
	label, _, _ = strings.Cut(w.HeatEnable, "/")
	for _, n := range slices.Concat(out, in) {
		name, ok := strings.CutPrefix(n, label+"/")
		if !ok {
			return "", nil, 0, fmt.Errorf("world: line is %q; one chip is simulated, %s", n, label)
		}
		names = append(names, name)
	}
	return label, names, len(out), nil
}

// join puts a line to the terminal that the file connects it to.
func (w *World) join(name string, l line, out bool) error {
	p, err := w.emulated.Out(name, false)
	if err != nil {
		return err
	}
	j := wire{line: l, pin: p.(*chip.Pin)}
	if out {
		w.outs = append(w.outs, j)
	} else {
		w.ins = append(w.ins, j)
	}
	return nil
}

// Plug puts the node of a bus where the program looks for it: "SPI0.1" is /dev/spidev0.1, "I2C1" is /dev/i2c-1. A node that is there stays.
func (w *World) Plug(bus string) error {
	w.mu.Lock()
	_, there := w.nodes[bus]
	w.mu.Unlock()
	if there {
		return nil
	}
	h, name, err := w.handler(bus)
	if err != nil {
		return err
	}
	n, err := cuse.Serve(name, h)
	if err != nil {
		return err
	}
	w.mu.Lock()
	w.nodes[bus] = n
	w.mu.Unlock()
	return nil
}

// Unplug takes the node of a bus away from under whoever has it open.
func (w *World) Unplug(bus string) error {
	w.mu.Lock()
	n := w.nodes[bus]
	delete(w.nodes, bus)
	w.mu.Unlock()
	if n == nil {
		return fmt.Errorf("world: there is no node for %s", bus)
	}
	return n.Remove()
}

// Hang lets the bus keep its callers waiting from now on, until the returned function is called.
func (w *World) Hang(bus string) (release func()) {
	gate := make(chan struct{})
	w.mu.Lock()
	w.hanging[bus] = gate
	w.mu.Unlock()
	return sync.OnceFunc(func() {
		w.mu.Lock()
		delete(w.hanging, bus)
		w.mu.Unlock()
		close(gate)
	})
}

// lock returns what a bus does before a transaction: wait while it hangs, then keep the machine still.
func (w *World) lock(bus string) func() {
	return func() {
		for {
			w.mu.Lock()
			gate := w.hanging[bus]
			if gate == nil {
				return
			}
			w.mu.Unlock()
			<-gate
		}
	}
}

// handler returns what answers on a bus, and the name of its node. It is made once: a chip that is plugged in again is the same chip.
func (w *World) handler(bus string) (cuse.Handler, string, error) {
	if h, ok := w.handlers[bus]; ok {
		return h.Handler, h.node, nil
	}
	h, node, err := w.front(bus)
	w.handlers[bus] = served{h, node}
	return h, node, err
}

type served struct {
	cuse.Handler
	node string
}

func (w *World) front(bus string) (cuse.Handler, string, error) {
	lock, unlock := w.lock(bus), w.mu.Unlock
	if number, ok := strings.CutPrefix(bus, "I2C"); ok {
		b, err := w.emulated.I2C(bus)
		if err != nil {
			return nil, "", err
		}
		return &cuse.I2C{Tx: b.Tx, Lock: lock, Unlock: unlock}, "i2c-" + number, nil
	}
	if number, ok := strings.CutPrefix(bus, "SPI"); ok {
		p, err := w.emulated.SPI(bus)
		if err != nil {
			return nil, "", err
		}
		return &cuse.SPI{Port: p, Lock: lock, Unlock: unlock}, "spidev" + number, nil
	}
	return nil, "", fmt.Errorf("world: bus is %q; SPIx.y and I2Cx are allowed", bus)
}

// pull puts the machine's side on every input: at once where it has changed, and every tenth time on all, because a program's request may
// have pulled elsewhere.
func (w *World) pull() error {
	w.looks++
	for k := range w.ins {
		i := &w.ins[k]
		high := bool(i.pin.Level())
		if high == i.shown && w.looks%10 != 1 {
			continue
		}
		if err := i.line.Pull(high); err != nil {
			return err
		}
		i.shown = high
	}
	return nil
}

// Run lets the machine run until Close.
func (w *World) Run() {
	w.begun = time.Now()
	go func() {
		defer close(w.done)
		t := time.NewTicker(step)
		defer t.Stop()
		for {
			select {
			case <-w.stop:
				return
			case <-t.C:
			}
			w.mu.Lock()
			began := time.Now()
			if err := w.advance(began); err != nil && w.err == nil {
				w.err = err
			}
			w.slowest = max(w.slowest, time.Since(began))
			w.mu.Unlock()
		}
	}()
}

// advance takes over what the program drives, moves on, and shows what became of it.
func (w *World) advance(at time.Time) error {
	for _, o := range w.outs {
		high, err := o.line.Level()
		if err != nil {
			return err
		}
		if err := o.pin.Out(gpio.Level(high)); err != nil {
			return err
		}
	}
	w.rig.Advance(at.Sub(w.begun))
	if closed := bool(w.rig.Mirror.Level()); closed != w.closed {
		w.closed, w.contacts = closed, at
	}
	return w.pull()
}

// Close ends the machine and returns the first thing that went wrong with it.
func (w *World) Close() error {
	close(w.stop)
	<-w.done
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.err
}

// Apply puts a fault on the machine or takes it off, and shows a contact's new state at once. It returns the moment just before.
func (w *World) Apply(f fault.Fault, on bool) (time.Time, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	at := time.Now()
	if err := w.rig.Apply(f, on); err != nil {
		return at, err
	}
	return at, w.pull()
}

// State is what is true of the machine at a moment.
type State struct {
	Truth    plant.Truth
	Closed   bool      // the series contactor
	Since    time.Time // when it last changed
	Slowest  time.Duration
	Switched bool // a relay line is high
}

// Look returns what is true now.
func (w *World) Look() State {
	w.mu.Lock()
	defer w.mu.Unlock()
	s := State{Truth: w.rig.Plant.Truth(), Closed: w.closed, Since: w.contacts, Slowest: w.slowest}
	for _, r := range w.rig.Relays {
		s.Switched = s.Switched || bool(r.Level())
	}
	return s
}
