package main

import (
	"context"
	"net"
	"net/http"
	"os"
	"sort"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/gorilla/websocket"
	"periph.io/x/conn/v3/gpio"

	"trivet/sim/bench"
)

// TestStopReachesTheRelayLinesWithFiftyViewers presses Stop over plain HTTP, with a body that is nonsense, while fifty viewers
// read the stream, and measures at the emulated relay lines. How long it takes is reported, not asserted, apart from the
// bound that belongs to the promise itself: at most 500 ms (invariant I-23).
func TestStopReachesTheRelayLinesWithFiftyViewers(t *testing.T) {
	times := 10
	if v, err := strconv.Atoi(os.Getenv("TRIVET_STOPS")); err == nil {
		times = v
	}
	var lines relayLines
	old := assembled
	assembled = lines.watch
	defer func() { assembled = old }()

	ctx, cancel := context.WithCancel(t.Context())
	addr := freeAddress(t)
	done := make(chan int, 1)
	go func() {
		done <- run(ctx, []string{"serve", "--sim", "--speed", "10", "--listen", addr, "--data", t.TempDir()}, &strings.Builder{}, &strings.Builder{})
	}()
	defer func() { cancel(); <-done }()
	d := &daemon{t: t, base: "http://" + addr}
	d.waitUp()

	var viewers sync.WaitGroup
	var seen atomic.Int64
	for range 50 {
		c, _, err := websocket.DefaultDialer.Dial("ws://"+addr+"/api/v1/stream", nil)
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		viewers.Go(func() {
			for {
				if _, _, err := c.ReadMessage(); err != nil {
					return
				}
				seen.Add(1)
			}
		})
	}

	var took []time.Duration
	for range times {
		d.begin()
		lines.waitOn(t)
		asked := time.Now()
		res, err := http.Post(d.base+"/api/v1/stop", "text/plain", strings.NewReader("\x00not json"))
		if err != nil {
			t.Fatal(err)
		}
		res.Body.Close()
		if res.StatusCode >= 300 {
			t.Fatalf("stop answered %s", res.Status)
		}
		took = append(took, lines.waitOff(t).Sub(asked))
	}
	sort.Slice(took, func(i, k int) bool { return took[i] < took[k] })
	t.Logf("%d stops with 50 viewers (%d messages read): median %v, worst %v", times, seen.Load(), took[len(took)/2], took[len(took)-1])
	if worst := took[len(took)-1]; worst > 500*time.Millisecond {
		t.Errorf("a stop took %v to reach the relay lines", worst)
	}
}

// relayLines notes on wall time when the last of the emulated relay lines went low.
type relayLines struct {
	mu    sync.Mutex
	on    map[string]bool
	offAt time.Time
	armed chan struct{}
}

func (l *relayLines) watch(b *bench.Bench) {
	l.on, l.armed = map[string]bool{}, make(chan struct{}, 1)
	for _, p := range b.Rig.Relays {
		name := p.Name()
		p.OnChange = func(level gpio.Level) {
			l.mu.Lock()
			defer l.mu.Unlock()
			l.on[name] = bool(level)
			any := false
			for _, v := range l.on {
				any = any || v
			}
			if any {
				select {
				case l.armed <- struct{}{}:
				default:
				}
			} else {
				l.offAt = time.Now()
			}
		}
	}
}

func (l *relayLines) waitOn(t *testing.T) {
	t.Helper()
	select {
	case <-l.armed: // may be left over from the run before: drain and wait for a fresh one
	default:
	}
	select {
	case <-l.armed:
	case <-time.After(10 * time.Second):
		t.Fatal("no relay was switched on in 10 s")
	}
}

// waitOff waits until every line has been low for a second, far longer than any pause of relay drive, and returns when the last one went low.
func (l *relayLines) waitOff(t *testing.T) time.Time {
	t.Helper()
	for deadline := time.Now().Add(10 * time.Second); time.Now().Before(deadline); time.Sleep(20 * time.Millisecond) {
		l.mu.Lock()
		any, at := false, l.offAt
		for _, v := range l.on {
			any = any || v
		}
		l.mu.Unlock()
		if !any && time.Since(at) > time.Second {
			return at
		}
	}
	t.Fatal("the relay lines did not stay low")
	return time.Time{}
}

func freeAddress(t *testing.T) string {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	return ln.Addr().String()
}

func (d *daemon) waitUp() {
	d.t.Helper()
	for deadline := time.Now().Add(10 * time.Second); time.Now().Before(deadline); time.Sleep(20 * time.Millisecond) {
		if res, err := http.Get(d.base + "/healthz"); err == nil {
			res.Body.Close()
			return
		}
	}
	d.t.Fatal("the daemon did not come up")
}
