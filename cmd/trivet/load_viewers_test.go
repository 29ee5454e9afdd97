package main

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

// The crowd is the viewers, in a process of its own, so that what they cost stands neither in the daemon's way nor in that of
// whoever measures the lines. Each speaks as much of RFC 6455 as a viewer needs, with one buffer and no allocation per message:
// a thousand times ten a second on two processors leaves no room for more.

// spread is a histogram of times in steps of 1 ms, up to 10 s. Many goroutines add to it.
type spread struct {
	bins [10001]atomic.Uint64
}

func (s *spread) add(d time.Duration) {
	s.bins[min(max(int(d/time.Millisecond), 0), len(s.bins)-1)].Add(1)
}

// at returns the time below which the given share of all lies, rounded up to 1 ms, and how many there are.
func (s *spread) at(share float64) (time.Duration, uint64) {
	var all, below uint64
	for i := range s.bins {
		all += s.bins[i].Load()
	}
	for i := range s.bins {
		if below += s.bins[i].Load(); all > 0 && float64(below) >= share*float64(all) {
			return time.Duration(i+1) * time.Millisecond, all
		}
	}
	return 0, all
}

func (s *spread) String() string {
	p50, n := s.at(0.5)
	p99, _ := s.at(0.99)
	p999, _ := s.at(0.999)
	most, _ := s.at(1)
	return fmt.Sprintf("p50 %v, p99 %v, p99.9 %v, most %v (%d)", p50, p99, p999, most, n)
}

// crowdReport is what a crowd has seen since the last report.
type crowdReport struct {
	FromTick string // end of the tick that is shown → message read
	FromMade string // message made, by its stamp of whole milliseconds → message read
	Read     int64  // messages
	Bytes    int64
	Skipped  int64    // numbers named in gaps
	Wrong    []string // promises broken, the first few
}

// What the parent tells a crowd on its standard input, as kind, A, B.
const (
	crowdTick = 'T' // A: number of a tick, B: when it ended, ns
	crowdSay  = 'R' // say what was seen, and begin anew
)

// crowd is the child's side.
type crowd struct {
	addr     string
	ended    [1 << 12]struct{ seq, at atomic.Int64 } // when ticks ended, by number; a ring of 7 minutes
	fromTick atomic.Pointer[spread]
	fromMade atomic.Pointer[spread]
	read     atomic.Int64
	bytes    atomic.Int64
	skipped  atomic.Int64
	mu       sync.Mutex
	wrong    []string
}

// runCrowd is the child: viewers at addr until standard input ends.
func runCrowd(addr string, n int) {
	c := &crowd{addr: addr}
	c.fromTick.Store(new(spread))
	c.fromMade.Store(new(spread))
	places, failed := make(chan struct{}, 16), make(chan error, n)
	for range n {
		go func() {
			places <- struct{}{}
			err := c.join()
			<-places
			failed <- err
		}()
	}
	for range n {
		if err := <-failed; err != nil {
			fmt.Println("failed:", err)
			os.Exit(1)
		}
	}
	fmt.Println("ready")
	in, out := bufio.NewReader(os.Stdin), json.NewEncoder(os.Stdout)
	var m [17]byte
	for {
		if _, err := io.ReadFull(in, m[:]); err != nil {
			os.Exit(0)
		}
		a, b := int64(binary.LittleEndian.Uint64(m[1:])), int64(binary.LittleEndian.Uint64(m[9:]))
		switch m[0] {
		case crowdTick:
			e := &c.ended[a%int64(len(c.ended))]
			e.at.Store(b)
			e.seq.Store(a)
		case crowdSay:
			c.mu.Lock()
			r := crowdReport{c.fromTick.Swap(new(spread)).String(), c.fromMade.Swap(new(spread)).String(),
				c.read.Swap(0), c.bytes.Swap(0), c.skipped.Swap(0), c.wrong}
			c.wrong = nil
			c.mu.Unlock()
			_ = out.Encode(r)
		}
	}
}

func (c *crowd) bad(format string, args ...any) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(c.wrong) < 5 { // a thousand viewers would say the same
		c.wrong = append(c.wrong, fmt.Sprintf(format, args...))
	}
}

// askForStream sends what turns a connection into a stream. The key is the example of RFC 6455, section 1.3.
func askForStream(c net.Conn, addr string) error {
	_, err := fmt.Fprintf(c, "GET /api/v1/stream HTTP/1.1\r\nHost: %s\r\nConnection: Upgrade\r\nUpgrade: websocket\r\nSec-WebSocket-Version: 13\r\nSec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n\r\n", addr)
	return err
}

// join connects one viewer that reads all it gets.
func (c *crowd) join() error {
	conn, err := net.DialTimeout("tcp", c.addr, 20*time.Second)
	if err != nil {
		return err
	}
	if err := askForStream(conn, c.addr); err != nil {
		return err
	}
	r := bufio.NewReaderSize(conn, 16<<10)
	res, err := http.ReadResponse(r, nil)
	if err != nil {
		return err
	}
	if res.StatusCode != http.StatusSwitchingProtocols {
		return errors.New(res.Status)
	}
	go func() {
		var v oneViewer
		for {
			op, text, err := frame(r)
			if err != nil {
				c.bad("a viewer lost its stream: %v", err)
				return
			}
			switch op {
			case 1:
				c.note(text, &v)
			case 8:
				c.bad("a viewer was sent away: %q", text)
				return
			case 9: // a pong, masked with zeros as the RFC allows any mask
				_, _ = conn.Write(append([]byte{0x8A, 0x80 | byte(len(text)), 0, 0, 0, 0}, text...))
			}
			_, _ = r.Discard(len(text))
		}
	}()
	return nil
}

// frame looks at the next frame, which must fit into the buffer of r. The payload is still to be discarded.
func frame(r *bufio.Reader) (op byte, payload []byte, err error) {
	h, err := r.Peek(2)
	if err != nil {
		return 0, nil, err
	}
	op, n, head := h[0]&15, int(h[1]&127), 2
	if n == 126 {
		if h, err = r.Peek(4); err != nil {
			return 0, nil, err
		}
		n, head = int(h[2])<<8|int(h[3]), 4
	}
	_, _ = r.Discard(head)
	payload, err = r.Peek(n)
	return op, payload, err
}

// oneViewer is what a viewer remembers between messages.
type oneViewer struct {
	last       uint64 // number of the last message
	tick, read int64  // a state whose tick the parent had not told of when it was read; 0: none
}

// took adds how long a state took from the end of its tick, if that is known.
func (c *crowd) took(tick, read int64) bool {
	e := &c.ended[tick%int64(len(c.ended))]
	known := e.seq.Load() == tick
	if known {
		c.fromTick.Load().add(time.Duration(read - e.at.Load()))
	}
	return known
}

// note looks at one message: its number must be the next one, or a gap must name those between (I-40).
func (c *crowd) note(text []byte, v *oneViewer) {
	now := time.Now().UnixNano()
	c.read.Add(1)
	c.bytes.Add(int64(len(text)))
	seq, ok := numberAfter(text, `"seq":`)
	if !ok {
		c.bad("a message without a number: %.80s", text)
		return
	}
	switch {
	case bytes.HasPrefix(text, []byte(`{"type":"hello"`)):
	case bytes.HasPrefix(text, []byte(`{"type":"gap"`)):
		var g struct{ From, To uint64 }
		if json.Unmarshal(text, &g) != nil || g.From != v.last+1 || g.To < g.From || seq != g.To {
			c.bad("after number %d: %.120s", v.last, text)
		}
		c.skipped.Add(int64(g.To - g.From + 1))
	default:
		if seq != v.last+1 {
			c.bad("number %d after %d without a gap message", seq, v.last)
		}
	}
	v.last = seq
	if !bytes.HasPrefix(text, []byte(`{"type":"state"`)) {
		return
	}
	if tick, ok := numberAfter(text, `"state":{"seq":`); ok {
		if v.tick != 0 {
			c.took(v.tick, v.read)
			v.tick = 0
		}
		if !c.took(int64(tick), now) {
			v.tick, v.read = int64(tick), now
		}
	}
	if i := bytes.Index(text, []byte(`"time_utc":"`)); i >= 0 && len(text) > i+36 {
		// Only the time within the minute is looked at: "2026-11-25T14:08:51.764Z".
		s := text[i+12 : i+36]
		made := (int64(s[17]-'0')*10+int64(s[18]-'0'))*1000 + int64(s[20]-'0')*100 + int64(s[21]-'0')*10 + int64(s[22]-'0')
		c.fromMade.Load().add(time.Duration((now/1e6-made+60_000)%60_000) * time.Millisecond)
	}
}

// numberAfter reads the number that follows a text, without taking the whole message apart.
func numberAfter(text []byte, after string) (n uint64, ok bool) {
	i := bytes.Index(text, []byte(after))
	if i < 0 {
		return 0, false
	}
	for _, c := range text[i+len(after):] {
		if c < '0' || c > '9' {
			break
		}
		n, ok = n*10+uint64(c-'0'), true
	}
	return n, ok
}

// audience is the parent's side of a crowd.
type audience struct {
	t   *testing.T
	cmd *exec.Cmd
	mu  sync.Mutex
	in  io.WriteCloser
	out *bufio.Reader
}

// gather starts a crowd of n viewers at a daemon and waits until all are in.
func gather(t *testing.T, base string, n int) *audience {
	t.Helper()
	a := &audience{t: t, cmd: exec.Command(os.Args[0])}
	a.cmd.Env = append(os.Environ(), "TRIVET_TEST_CROWD="+strings.TrimPrefix(base, "http://"), fmt.Sprint("TRIVET_TEST_CROWD_SIZE=", n))
	in, err := a.cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := a.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	a.in, a.out = in, bufio.NewReader(out)
	began := time.Now()
	if err := a.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = a.cmd.Process.Kill(); _ = a.cmd.Wait() })
	if line, err := a.out.ReadString('\n'); err != nil || line != "ready\n" {
		t.Fatalf("the viewers: %q %v", line, err)
	}
	t.Logf("%d viewers came in %v", n, time.Since(began).Round(time.Millisecond))
	return a
}

// tell passes something on to the crowd; before there is one it is lost.
func (a *audience) tell(kind byte, x uint64, y int64) {
	var m [17]byte
	m[0] = kind
	binary.LittleEndian.PutUint64(m[1:], x)
	binary.LittleEndian.PutUint64(m[9:], uint64(y))
	a.mu.Lock()
	defer a.mu.Unlock()
	_, _ = a.in.Write(m[:])
}

// report returns what was seen since the last report.
func (a *audience) report() (r crowdReport) {
	a.t.Helper()
	a.tell(crowdSay, 0, 0)
	line, err := a.out.ReadBytes('\n')
	if err == nil {
		err = json.Unmarshal(line, &r)
	}
	if err != nil {
		a.t.Fatalf("the viewers: %v", err)
	}
	for _, w := range r.Wrong {
		a.t.Error(w)
	}
	return r
}

// leave ends the crowd.
func (a *audience) leave() {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.in.Close()
	_ = a.cmd.Wait()
}
