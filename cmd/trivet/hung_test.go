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

// outside is one-shot and contactor, on this process's clock. The lines come through a pipe, as they are moved.
type outside struct {
	mu       sync.Mutex
	enabled  bool
	beat     time.Time // when an edge came in here
	told     time.Time // when the process says that it made it
	pulled   time.Time // when the coil last changed its mind
	coil     bool
	closed   bool
	openedAt time.Time
	closings int

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
		o.closings++
	case !o.coil && o.closed && now.Sub(o.pulled) >= contactorOff:
		o.closed, o.openedAt = false, now
	}
}

func (o *outside) hear(e lineEvent) {
	now := time.Now()
	o.mu.Lock()
	defer o.mu.Unlock()
	switch e.kind {
	case eventBeat:
		o.beat, o.told = now, e.at
	case eventOn:
		o.enabled = e.a == 1
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

// waitOpen waits until the contactor is open and returns when it opened; the zero time when it does not within 2 s.
func (o *outside) waitOpen() time.Time {
	for deadline := time.Now().Add(2 * time.Second); time.Now().Before(deadline); time.Sleep(time.Millisecond) {
		o.mu.Lock()
		open, at := !o.closed, o.openedAt
		o.mu.Unlock()
		if open {
			return at
		}
	}
	return time.Time{}
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
	opened := o.waitOpen()
	if opened.IsZero() {
		t.Errorf("%s: the contactor is closed 2 s later", h.name)
		return 2 * time.Second, 0
	}
	o.mu.Lock()
	drop, edge = opened.Sub(hungAt), o.told.Sub(hungAt)
	closings := o.closings
	o.mu.Unlock()
	if drop > hardwareMost {
		t.Errorf("%s: the contactor opened after %v", h.name, drop)
	}
	if h.stopped() && wake {
		time.Sleep(time.Duration(rand.Int64N(int64(time.Second))))
		if err := d.cmd.Process.Signal(syscall.SIGCONT); err != nil {
			t.Fatal(err)
		}
	}
	time.Sleep(time.Second) // also a half-hung process must not close it again
	o.mu.Lock()
	again := o.closings - closings
	o.mu.Unlock()
	if again > 0 {
		t.Errorf("%s, and went on: the contactor closed again", h.name)
	}
	d.kill()
	return drop, edge
}
