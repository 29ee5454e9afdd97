package main

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"sync"
	"syscall"
	"testing"
	"time"
)

// What stands outside of the process: a one-shot that each edge of the heartbeat starts again, and the contactor whose coil it and
// heat-enable feed. 0.4 s is the middle of what the hazard study demands of the one-shot (0.3 to 0.5 s), 0.1 s the most that it allows the
// contactor.
const (
	oneShotFor   = 400 * time.Millisecond
	oneShotMost  = 500 * time.Millisecond
	contactorOff = 100 * time.Millisecond
	contactorOn  = 30 * time.Millisecond
	hardwareMost = 600 * time.Millisecond // class H: 0.5 s and 0.1 s
)

// outside is one-shot and contactor, outside of the process. The lines come through a pipe, with the time at which they were moved. Live it
// follows them as they are heard, to choose the moment of the hang; what came of it is computed afterwards, by replay, so that a
// busy machine that lets this process wait makes the one-shot no slower than it is.
type outside struct {
	mu      sync.Mutex
	log     []lineEvent // beats and enables
	enabled bool
	beat    time.Time // when an edge came in here
	told    time.Time // when the process says that it made it
	pulled  time.Time // when the coil last changed its mind
	coil    bool
	closed  bool

	ambush     func()    // called once, when a relay is moved while the contactor is closed
	hungAt     time.Time // as told by a process that hangs itself, or as noted when it was stopped in ambush
	closedThen bool
	hung       chan struct{}
	over       chan struct{}
	work       sync.WaitGroup
}

func newOutside() *outside {
	o := &outside{hung: make(chan struct{}), over: make(chan struct{})}
	o.work.Go(func() {
		t := time.NewTicker(time.Millisecond)
		defer t.Stop()
		for {
			select {
			case <-t.C:
				o.mu.Lock()
				o.step(time.Now())
				o.mu.Unlock()
			case <-o.over:
				return
			}
		}
	})
	return o
}

// step lets time pass. The caller holds the lock.
func (o *outside) step(now time.Time) {
	coil := o.enabled && !o.beat.IsZero() && now.Sub(o.beat) <= oneShotFor
	if coil != o.coil {
		o.coil, o.pulled = coil, now
	}
	switch {
	case o.coil && !o.closed && now.Sub(o.pulled) >= contactorOn:
		o.closed = true
	case !o.coil && o.closed && now.Sub(o.pulled) >= contactorOff:
		o.closed = false
	}
}

// replay lets the lines pass by again, in steps of 1 ms, until the given time, and returns whether the contactor was
// closed at the hang, when it opened after that, and how often it closed again. The zero time: it did not open.
func (o *outside) replay(hungAt, until time.Time) (closed bool, opened time.Time, closings int) {
	o.mu.Lock()
	defer o.mu.Unlock()
	again := &outside{}
	i := 0
	for now := o.log[0].at; now.Before(until); now = now.Add(time.Millisecond) {
		for ; i < len(o.log) && !o.log[i].at.After(now); i++ {
			again.move(o.log[i].kind, o.log[i].a, o.log[i].at)
		}
		was := again.closed
		again.step(now)
		if !now.After(hungAt) {
			closed = again.closed
		}
		switch {
		case was && !again.closed && now.After(hungAt) && opened.IsZero():
			opened = now
		case !was && again.closed && !opened.IsZero():
			closings++
		}
	}
	return closed, opened, closings
}

// move takes over what a line does. The caller holds the lock.
func (o *outside) move(kind byte, level uint64, at time.Time) {
	switch kind {
	case eventBeat:
		o.beat = at
	case eventOn:
		o.enabled = level == 1
	}
}

func (o *outside) hear(e lineEvent) {
	now := time.Now()
	o.mu.Lock()
	defer o.mu.Unlock()
	switch e.kind {
	case eventBeat, eventOn:
		o.log = append(o.log, e)
		o.move(e.kind, e.a, now)
		if e.kind == eventBeat {
			o.told = e.at
		}
	case eventRelay:
		if o.ambush != nil && o.closed {
			o.hungAt, o.closedThen = now, true
			o.ambush()
			o.ambush = nil
			close(o.hung)
		}
	case eventHung:
		o.hungAt, o.closedThen = e.at, o.closed
		close(o.hung)
	}
	o.step(now)
}

func (o *outside) isClosed() bool {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.closed
}

// waitClosed waits until the contactor is closed.
func (o *outside) waitClosed(t *testing.T, patience time.Duration) {
	t.Helper()
	for deadline := time.Now().Add(patience); time.Now().Before(deadline); time.Sleep(time.Millisecond) {
		if o.isClosed() {
			return
		}
	}
	t.Fatalf("the contactor did not close in %v", patience)
}

// waitOpen waits until the contactor is open, for 2 s at most.
func (o *outside) waitOpen() {
	for deadline := time.Now().Add(2 * time.Second); time.Now().Before(deadline) && o.isClosed(); time.Sleep(time.Millisecond) {
	}
}

// hang is one way for a process to hang.
type hang struct {
	name  string
	order byte // to the hooked program; 0: SIGSTOP from outside at any time, 1: in the middle of a tick
}

// stopped reports whether the process is stopped from outside, so that it can be let go on.
func (h hang) stopped() bool { return h.order < 2 }

var hangs = []hang{
	{"the whole process is stopped", 0},
	{"the whole process is stopped between a relay and the heartbeat", 1},
	{"the control loop never comes back", orderHangLoop},
	{"the safety goroutine never comes back", orderHangKeeper},
}

// TestAHungProcessLosesItsContactor hangs the real program at random moments of a run, in four ways, and watches from outside of the process
// what the heartbeat and heat-enable lines then do to a one-shot and a contactor: they must be open within 0.6 s (class H), and a process
// that is let go on must not close them again by itself.
//
// TRIVET_HANGS=100 is the full size.
func TestAHungProcessLosesItsContactor(t *testing.T) {
	n := fromEnv("TRIVET_HANGS", 8)
	program(t, hookTag) // before the trials run side by side
	var mu sync.Mutex
	took, edges := map[string][]time.Duration{}, []time.Duration{}
	// What is waited for is mostly time, so some trials run side by side: as many as -parallel allows.
	t.Run("trials", func(t *testing.T) {
		for k := range n {
			h := hangs[k%len(hangs)]
			t.Run(fmt.Sprintf("%d", k), func(t *testing.T) {
				t.Parallel()
				drop, edge := hangOnce(t, h, h.order == 1 || k/len(hangs)%2 == 0)
				mu.Lock()
				defer mu.Unlock()
				took[h.name], edges = append(took[h.name], drop), append(edges, edge)
			})
		}
	})
	var all []time.Duration
	for _, h := range hangs {
		list := took[h.name]
		slices.Sort(list)
		all = append(all, list...)
		t.Logf("%s: %d times, contactor open after p50 %v, most %v", h.name, len(list), quantile(list, 0.5), quantile(list, 1))
	}
	slices.Sort(all)
	slices.Sort(edges)
	t.Logf("%d hangs, load %s: open after p50 %v, p99 %v, most %v; the last edge came %v after the hang at most; with the slowest one-shot allowed that is %v",
		len(all), loadAverage(), quantile(all, 0.5), quantile(all, 0.99), quantile(all, 1), quantile(edges, 1), quantile(edges, 1)+oneShotMost+contactorOff)
}

// hangOnce starts a program and a run, hangs it at a random moment at which the contactor is closed, and returns how long after that it opened and
// how long after it the last edge was made, negative when before. With wake, a process that was stopped is let go on.
func hangOnce(t *testing.T, h hang, wake bool) (drop, edge time.Duration) {
	o := newOutside()
	defer func() { close(o.over); o.work.Wait() }()
	d := startHooked(t, "", o.hear, "--sim", "--data", t.TempDir())
	d.begin()
	o.waitClosed(t, 20*time.Second)
	time.Sleep(time.Duration(rand.Int64N(int64(8 * time.Second))))
	o.waitClosed(t, 20*time.Second) // it opens for a moment in the start-up test, and while air is proven
	time.Sleep(time.Duration(rand.Int64N(int64(100 * time.Millisecond))))
	o.waitClosed(t, 20*time.Second)

	var hungAt time.Time
	switch {
	case h.order == 0:
		hungAt = time.Now()
		if err := d.cmd.Process.Signal(syscall.SIGSTOP); err != nil {
			t.Fatal(err)
		}
	default:
		if h.stopped() {
			o.mu.Lock()
			o.ambush = func() { _ = d.cmd.Process.Signal(syscall.SIGSTOP) }
			o.mu.Unlock()
		} else {
			d.order(h.order)
		}
		select {
		case <-o.hung:
		case <-time.After(20 * time.Second): // no relay moves while air is proven
			t.Fatal("it did not hang")
		}
		if !o.closedThen { // opened by itself between the order and the tick that obeyed it
			d.kill()
			return hangOnce(t, h, wake)
		}
		hungAt = o.hungAt
	}
	o.waitOpen()
	o.mu.Lock()
	edge = o.told.Sub(hungAt)
	o.mu.Unlock()
	if h.stopped() && wake {
		time.Sleep(time.Duration(rand.Int64N(int64(time.Second))))
		if err := d.cmd.Process.Signal(syscall.SIGCONT); err != nil {
			t.Fatal(err)
		}
	}
	time.Sleep(time.Second) // also a half-hung process must not close it again
	until := time.Now()
	d.kill() // and hear its last events
	closed, opened, again := o.replay(hungAt, until)
	if !closed { // heard late: it had opened by itself already
		return hangOnce(t, h, wake)
	}
	if drop = opened.Sub(hungAt); opened.IsZero() || drop > hardwareMost {
		t.Errorf("%s: the contactor opened after %v", h.name, drop)
	}
	if again > 0 {
		t.Errorf("%s, and perhaps went on: the contactor closed again", h.name)
	}
	return drop, edge
}
