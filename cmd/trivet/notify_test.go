package main

import (
	"context"
	"errors"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/zap"

	"trivet/safety"
	"trivet/station"
)

// listener is a service manager's socket that remembers what it is told.
type listener struct {
	path string
	said chan string
}

func listen(t *testing.T) *listener {
	t.Helper()
	l := &listener{filepath.Join(t.TempDir(), "notify"), make(chan string, 64)}
	c, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: l.path, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.Close() })
	go func() {
		b := make([]byte, 256)
		for {
			n, err := c.Read(b)
			if err != nil {
				close(l.said)
				return
			}
			l.said <- string(b[:n])
		}
	}()
	return l
}

func (l *listener) next(t *testing.T) string {
	t.Helper()
	select {
	case s := <-l.said:
		return s
	case <-time.After(5 * time.Second):
		t.Fatal("the service manager is told nothing")
		return ""
	}
}

// quiet fails when the manager is told anything; what was sent before has arrived by then, because a mark sent after it has.
func (l *listener) quiet(t *testing.T) {
	t.Helper()
	if err := (manager{socket: l.path}).send("mark"); err != nil {
		t.Fatal(err)
	}
	if got := l.next(t); got != "mark" {
		t.Errorf("the service manager is told %q", got)
	}
}

const good = time.Millisecond

func TestTheServiceManagerIsToldOfGoodTicksOnly(t *testing.T) {
	m := listen(t)
	l := newLifeline(zap.NewNop())
	l.manager = manager{socket: m.path, watchdog: 2 * time.Second}
	end, err := l.start(t.Context(), watchdogPart{})
	if err != nil {
		t.Fatal(err)
	}
	for range 20 { // late, or too long: a keeper that does not answer costs more than a period
		l.ticked(safety.MaxLate+1, good)
		l.ticked(0, station.Period+1)
	}
	m.quiet(t)
	l.ticked(safety.MaxLate, station.Period)
	if a, b := m.next(t), m.next(t); a != "READY=1" || b != "WATCHDOG=1" {
		t.Errorf("after the first good tick it is told %q, %q", a, b)
	}
	for range 4 { // a quarter of 2 s is five ticks
		l.ticked(0, good)
	}
	m.quiet(t)
	l.ticked(0, good)
	if got := m.next(t); got != "WATCHDOG=1" {
		t.Errorf("after half a second it is told %q", got)
	}
	time.Sleep(50 * time.Millisecond)
	m.quiet(t) // nobody but ticks earns anything
	end(true)
	if got := m.next(t); got != "STOPPING=1" {
		t.Errorf("at the end it is told %q", got)
	}
}

func TestTheServiceManagerIsToldOfEachChangeOfState(t *testing.T) {
	m := listen(t)
	l := newLifeline(zap.NewNop())
	l.manager = manager{socket: m.path}
	end, err := l.start(t.Context(), watchdogPart{})
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range []station.State{station.Idle, station.Idle, station.Running} {
		l.note(&station.Snapshot{State: s})
		if s != station.Idle || l.every == 0 {
			continue
		}
	}
	var got []string
	for len(got) == 0 || got[len(got)-1] != "STATUS="+string(station.Running) {
		got = append(got, m.next(t)) // the first may have been overtaken
	}
	if len(got) > 2 {
		t.Errorf("for two states it is told %q", got)
	}
	snap := station.Snapshot{State: station.Running}
	if n := testing.AllocsPerRun(100, func() { l.note(&snap); l.ticked(0, good) }); n != 0 {
		t.Errorf("a tick allocates %v times", n)
	}
	end(true)
}

func TestAManagerThatDoesNotListenStopsNobody(t *testing.T) {
	l := newLifeline(zap.NewNop())
	l.manager = manager{socket: filepath.Join(t.TempDir(), "nobody"), watchdog: time.Second}
	end, err := l.start(t.Context(), watchdogPart{})
	if err != nil {
		t.Fatal(err)
	}
	for range 1000 {
		l.ticked(0, good)
	}
	end(true)
	if (manager{socket: "/nobody/there"}).send("READY=1") == nil {
		t.Error("a message to nobody is no error")
	}
	if err := (manager{}).send("READY=1"); err != nil {
		t.Error(err)
	}
}

func TestWhoWantsToBeToldIsInTheEnvironment(t *testing.T) {
	me := strconv.Itoa(os.Getpid())
	for name, c := range map[string]struct {
		env  map[string]string
		want manager
	}{
		"nobody":                 {nil, manager{}},
		"without a watchdog":     {map[string]string{"NOTIFY_SOCKET": "/run/x"}, manager{socket: "/run/x"}},
		"with one":               {map[string]string{"NOTIFY_SOCKET": "@x", "WATCHDOG_USEC": "2000000", "WATCHDOG_PID": me}, manager{"@x", 2 * time.Second}},
		"one for somebody else":  {map[string]string{"WATCHDOG_USEC": "2000000", "WATCHDOG_PID": "1"}, manager{}},
		"one that is no number":  {map[string]string{"WATCHDOG_USEC": "soon"}, manager{}},
		"one that is impossible": {map[string]string{"WATCHDOG_USEC": "-1"}, manager{}},
	} {
		if got := managerFrom(func(k string) string { return c.env[k] }); got != c.want {
			t.Errorf("%s: %+v; want %+v", name, got, c.want)
		}
	}
}

// paper is a watchdog device that remembers what is written.
type paper struct {
	mu     sync.Mutex
	text   []byte
	closed bool
	fails  error
}

func (p *paper) Write(b []byte) (int, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.fails != nil {
		return 0, p.fails
	}
	p.text = append(p.text, b...)
	return len(b), nil
}

func (p *paper) Close() error { p.closed = true; return nil }

func (p *paper) seen() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return string(p.text)
}

func TestTheComputersWatchdogIsDisarmedByACleanEndOnly(t *testing.T) {
	for _, clean := range []bool{true, false} {
		p := &paper{}
		l := newLifeline(zap.NewNop())
		end, err := l.start(context.Background(), watchdogPart{})
		if err != nil {
			t.Fatal(err)
		}
		l.device = &watchdog{f: p, path: "paper", timeout: time.Second}
		l.ticked(0, good)
		for deadline := time.Now().Add(5 * time.Second); p.seen() == "" && time.Now().Before(deadline); time.Sleep(time.Millisecond) {
		}
		end(clean)
		want := "\x00"
		if clean {
			want += "V"
		}
		if p.seen() != want || !p.closed {
			t.Errorf("clean %v: the device is given %q, closed %v; want %q", clean, p.seen(), p.closed, want)
		}
	}
	broken := &watchdog{f: &paper{fails: errors.New("gone")}, path: "paper"}
	if broken.pet() == nil || broken.close(true) == nil || broken.close(false) != nil {
		t.Error("a device that takes nothing is not reported")
	}
}

func TestAWatchdogThatCannotBeSetIsRefusedAndDisarmed(t *testing.T) {
	file := filepath.Join(t.TempDir(), "watchdog") // a file knows no time-outs
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := (watchdogPart{Device: file}).open(); err == nil || !strings.Contains(err.Error(), file) {
		t.Errorf("a file is taken for a watchdog: %v", err)
	}
	if text, _ := os.ReadFile(file); string(text) != "V" {
		t.Errorf("it was left with %q", text)
	}
	if _, err := (watchdogPart{Device: file + "2"}).open(); err == nil {
		t.Error("a device that is not there is taken")
	}
	if w, err := (watchdogPart{}).open(); w != nil || err != nil {
		t.Errorf("no watchdog is %v, %v", w, err)
	}
	var wrong []string
	for _, p := range []watchdogPart{{TimeoutS: 5}, {Device: "watchdog"}, {Device: "/x", TimeoutS: 1}, {Device: "/x", TimeoutS: 61}, {Device: "/x", TimeoutS: 15}, {}} {
		key, _, _ := p.check()
		wrong = append(wrong, key)
	}
	if want := []string{"timeout_s", "device", "timeout_s", "timeout_s", "", ""}; !slices.Equal(wrong, want) {
		t.Errorf("wrong are %q; want %q", wrong, want)
	}
}
