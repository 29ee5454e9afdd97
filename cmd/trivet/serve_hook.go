//go:build deadlock_hook

package main

import (
	"encoding/binary"
	"io"
	"os"
	"sync/atomic"
	"time"

	"periph.io/x/conn/v3/gpio"

	"trivet/sim/bench"
	"trivet/station"
	"trivet/store/iofault"
)

// This file is in no program that heats anything: only a build with the tag deadlock_hook has it, for the tests of the whole
// process, and a test looks for its symbols in a normal build. It tells a parent process what the emulated lines do, at the
// moment they do it, and hangs parts of the program, or stalls its disk, when the parent says so.
//
// The parent passes two pipes: orders come in on file 3, a byte each; events go out on file 4, as lineEvent. An event is one
// short write by the goroutine that moved the line, so that a process which is stopped has told all that it has done.

// Orders of the parent.
const (
	orderHangLoop   = 'L' // the control loop never comes back from the end of a tick
	orderHangKeeper = 'K' // the safety goroutine never comes back from its next heartbeat edge
	orderStall      = 'S' // each write and flush of the record takes stallFor
	orderFlow       = 'F' // the disk works again
)

// Kinds of event.
const (
	eventTick  = 'T' // A: number of the tick, B: how late it was, ns
	eventBeat  = 'H' // A: level
	eventOn    = 'E' // heat-enable; A: level
	eventRelay = 'R' // A: level, B: which
	eventHung  = 'B' // A: the order that is obeyed
)

const stallFor = 2 * time.Second

// hook is the two pipes and the orders that are pending.
type hook struct {
	out        io.Writer
	loop, keep atomic.Bool
	disk       *iofault.Disk
}

func init() {
	if os.Getenv("TRIVET_HOOK") == "" {
		return
	}
	h := &hook{out: os.NewFile(4, "events")}
	if dir := os.Getenv("TRIVET_HOOK_DISK"); dir != "" {
		d, err := iofault.Watch(dir)
		if err != nil {
			panic(err) // a test instrument that cannot work must not look as if it did
		}
		h.disk = d
	}
	assembled, ticked = h.watch, h.tick
	go h.obey(os.NewFile(3, "orders"))
}

// tell writes one event: kind, A, B, and the time of day in ns, which both processes read from the same clock.
func (h *hook) tell(kind byte, a, b uint64) {
	var e [25]byte
	e[0] = kind
	binary.LittleEndian.PutUint64(e[1:], a)
	binary.LittleEndian.PutUint64(e[9:], b)
	binary.LittleEndian.PutUint64(e[17:], uint64(time.Now().UnixNano()))
	_, _ = h.out.Write(e[:]) // the parent may be gone; then nobody wants to know
}

// obey takes orders until the parent closes the pipe or ends; then the program ends too, so that a hung one is not left behind.
func (h *hook) obey(in io.Reader) {
	var o [1]byte
	for {
		if _, err := in.Read(o[:]); err != nil {
			os.Exit(exitBad)
		}
		switch o[0] {
		case orderHangLoop:
			h.loop.Store(true)
		case orderHangKeeper:
			h.keep.Store(true)
		case orderStall:
			h.disk.Arm(iofault.Rule{N: 1, Only: []iofault.Op{iofault.Write, iofault.Sync}, Delay: stallFor, Ever: true})
		case orderFlow:
			h.disk.Disarm()
		}
	}
}

// watch listens at the emulated lines.
func (h *hook) watch(b *bench.Bench) {
	for i, p := range b.Rig.Relays {
		p.OnChange = func(l gpio.Level) { h.tell(eventRelay, levelBit(l), uint64(i)) }
	}
	b.Rig.Enable.OnChange = func(l gpio.Level) { h.tell(eventOn, levelBit(l), 0) }
	old := b.Rig.Heartbeat.OnChange
	b.Rig.Heartbeat.OnChange = func(l gpio.Level) {
		old(l)
		h.tell(eventBeat, levelBit(l), 0)
		if h.keep.Load() {
			h.hang(orderHangKeeper)
		}
	}
}

// tick is called by the control goroutine at the end of each tick.
func (h *hook) tick(s *station.Snapshot) {
	h.tell(eventTick, s.Seq, uint64(s.Late))
	if h.loop.Load() {
		h.hang(orderHangLoop)
	}
}

// hang never returns.
func (h *hook) hang(order byte) {
	h.tell(eventHung, uint64(order), 0)
	select {}
}

func levelBit(l gpio.Level) uint64 {
	if l {
		return 1
	}
	return 0
}
