package main

import (
	"encoding/binary"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// Orders to a program built with the tag deadlock_hook and events from it, as serve_hook.go names them. That file is not in this build.
const (
	orderHangLoop, orderHangKeeper, orderStall, orderFlow = 'L', 'K', 'S', 'F'
	eventTick, eventBeat, eventOn, eventRelay, eventHung  = 'T', 'H', 'E', 'R', 'B'
	hookTag                                               = "deadlock_hook"
	eventSize                                             = 25
)

// lineEvent is something that happened in a hooked program, at a time of day by the clock that both processes read.
type lineEvent struct {
	kind byte
	a, b uint64
	at   time.Time
}

// built is where programs are that were built for the tests, one per set of tags; TestMain removes it.
var built struct {
	mu  sync.Mutex
	dir string
	by  map[string]string
}

// program builds the real program, once for each tag and test process. A binary of its own is free of the race detector and
// of whatever the tests link.
func program(t *testing.T, tag string) string {
	t.Helper()
	built.mu.Lock()
	defer built.mu.Unlock()
	if p := built.by[tag]; p != "" {
		return p
	}
	if built.dir == "" {
		dir, err := os.MkdirTemp("", "trivet-built-")
		if err != nil {
			t.Fatal(err)
		}
		built.dir, built.by = dir, map[string]string{}
	}
	path := filepath.Join(built.dir, "trivet"+tag)
	cmd := exec.Command("go", "build", "-tags", tag, "-o", path, ".")
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("build with tag %q: %v\n%s", tag, err, out)
	}
	built.by[tag] = path
	return path
}

func removeBuilt() {
	if built.dir != "" {
		_ = os.RemoveAll(built.dir)
	}
}

// startBuilt starts the built program as a daemon on a simulated machine.
func startBuilt(t *testing.T, args ...string) *daemon {
	t.Helper()
	d := &daemon{t: t, cmd: exec.Command(program(t, ""), append([]string{"serve", "--sim", "--listen", "127.0.0.1:0"}, args...)...)}
	d.start()
	return d
}

// hooked is a daemon that tells what its lines do and takes orders.
type hooked struct {
	*daemon
	orders *os.File
	ended  chan struct{} // closed when the events have ended, with the process
}

// startHooked starts the hooked program. Each event is given to hear, in one goroutine, in order. disk, if not empty, is the directory
// that an order can stall.
func startHooked(t *testing.T, disk string, hear func(lineEvent), args ...string) *hooked {
	t.Helper()
	ordersOut, ordersIn, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	eventsOut, eventsIn, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	h := &hooked{orders: ordersIn, ended: make(chan struct{}),
		daemon: &daemon{t: t, cmd: exec.Command(program(t, hookTag), append([]string{"serve", "--listen", "127.0.0.1:0"}, args...)...)}}
	h.cmd.Env = append(os.Environ(), "TRIVET_HOOK=1", "TRIVET_HOOK_DISK="+disk)
	h.cmd.ExtraFiles = []*os.File{ordersOut, eventsIn}
	h.start()
	ordersOut.Close()
	eventsIn.Close()
	t.Cleanup(func() { ordersIn.Close() })
	go func() {
		defer close(h.ended)
		defer eventsOut.Close()
		var e [eventSize]byte
		for {
			if _, err := io.ReadFull(eventsOut, e[:]); err != nil {
				return
			}
			hear(lineEvent{e[0], binary.LittleEndian.Uint64(e[1:]), binary.LittleEndian.Uint64(e[9:]), time.Unix(0, int64(binary.LittleEndian.Uint64(e[17:])))})
		}
	}()
	return h
}

func (h *hooked) order(o byte) {
	h.t.Helper()
	if _, err := h.orders.Write([]byte{o}); err != nil {
		h.t.Fatal(err)
	}
}

// kill ends the process, stopped or hung or not, and waits for its last events.
func (h *hooked) kill() {
	_ = h.cmd.Process.Signal(syscall.SIGKILL)
	_ = h.cmd.Wait()
	<-h.ended
}

// hogs starts n processes that do nothing, busily, at normal priority, until the test ends. They also end when this process does.
func hogs(t *testing.T, n int) {
	t.Helper()
	for range n {
		c := exec.Command(os.Args[0])
		c.Env = append(os.Environ(), "TRIVET_TEST_HOG=1")
		in, err := c.StdinPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { in.Close(); _ = c.Process.Kill(); _ = c.Wait() })
	}
}

// hog is a busy process: it ends when its standard input does.
func hog() {
	runtime.GOMAXPROCS(2) // one to spin, one to see the end
	go func() {
		_, _ = io.Copy(io.Discard, os.Stdin)
		os.Exit(0)
	}()
	for n := uint64(1); ; n = n*6364136223846793005 + 1 {
		if n == 0 {
			os.Exit(1) // never: the sequence never comes to 0 from 1 in any test's time; it keeps the loop from being left out
		}
	}
}

// fromEnv reads a size that the environment may raise.
func fromEnv(name string, otherwise int) int {
	if v, err := strconv.Atoi(os.Getenv(name)); err == nil && v > 0 {
		return v
	}
	return otherwise
}

// loadAverage is how busy the machine is: figures are worth nothing without it.
func loadAverage() string {
	text, err := os.ReadFile("/proc/loadavg")
	if err != nil {
		return "unknown"
	}
	return strings.Join(strings.Fields(string(text))[:3], " ")
}

// memory returns what a process holds in memory now and held at most, kB.
func memory(pid int) (now, most string) {
	text, _ := os.ReadFile("/proc/" + strconv.Itoa(pid) + "/status")
	for line := range strings.Lines(string(text)) {
		if v, ok := strings.CutPrefix(line, "VmRSS:"); ok {
			now = strings.TrimSpace(v)
		} else if v, ok := strings.CutPrefix(line, "VmHWM:"); ok {
			most = strings.TrimSpace(v)
		}
	}
	return now, most
}

// processorTime is what a process has used, user and system together, at 100 ticks a second (USER_HZ of Linux).
func processorTime(pid int) time.Duration {
	text, _ := os.ReadFile("/proc/" + strconv.Itoa(pid) + "/stat")
	_, rest, ok := strings.Cut(string(text), ") ") // the name may hold blanks
	f := strings.Fields(rest)
	if !ok || len(f) < 13 {
		return 0
	}
	u, _ := strconv.Atoi(f[11])
	s, _ := strconv.Atoi(f[12])
	return time.Duration(u+s) * 10 * time.Millisecond
}
