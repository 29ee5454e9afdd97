package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net"
	"os"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/gorilla/websocket"
)

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

// audience is the viewers of one daemon, and what they saw.
type audience struct {
	t     *testing.T
	base  string
	began sync.Map // station's number of a tick → time of day at its end

	fromTick atomic.Pointer[spread] // end of the tick that is shown → message read
	fromMade atomic.Pointer[spread] // message made → message read; the stamp in it has whole milliseconds
	read     atomic.Int64           // messages
	bytes    atomic.Int64
	skipped  atomic.Int64 // numbers named in gaps
	wrong    atomic.Int64 // broken promises
	closing  atomic.Bool
	work     sync.WaitGroup
}

func (a *audience) fresh() (fromTick, fromMade *spread) {
	fromTick, fromMade = new(spread), new(spread)
	a.fromTick.Store(fromTick)
	a.fromMade.Store(fromMade)
	return fromTick, fromMade
}

// join connects one viewer that reads all it gets, until the audience is closing.
func (a *audience) join() error {
	d := websocket.Dialer{HandshakeTimeout: 20 * time.Second, ReadBufferSize: 8 << 10, WriteBufferSize: 512}
	c, _, err := d.Dial("ws"+strings.TrimPrefix(a.base, "http")+"/api/v1/stream", nil)
	if err != nil {
		return err
	}
	a.work.Go(func() {
		defer c.Close()
		var last uint64
		var buf bytes.Buffer
		for !a.closing.Load() {
			_ = c.SetReadDeadline(time.Now().Add(20 * time.Second))
			_, r, err := c.NextReader()
			if err == nil {
				buf.Reset()
				_, err = buf.ReadFrom(r)
			}
			if err != nil {
				if !a.closing.Load() {
					a.bad("a viewer lost its stream: %v", err)
				}
				return
			}
			a.note(buf.Bytes(), &last)
		}
	})
	return nil
}

func (a *audience) bad(format string, args ...any) {
	if a.wrong.Add(1) <= 5 { // a thousand viewers would say the same
		a.t.Errorf(format, args...)
	}
}

// note looks at one message: its number must be the next one, or a gap must name those between (I-40).
func (a *audience) note(text []byte, last *uint64) {
	now := time.Now()
	a.read.Add(1)
	a.bytes.Add(int64(len(text)))
	seq, ok := numberAfter(text, `"seq":`)
	if !ok {
		a.bad("a message without a number: %.80s", text)
		return
	}
	switch {
	case bytes.HasPrefix(text, []byte(`{"type":"hello"`)):
	case bytes.HasPrefix(text, []byte(`{"type":"gap"`)):
		var g struct{ From, To uint64 }
		if json.Unmarshal(text, &g) != nil || g.From != *last+1 || g.To < g.From || seq != g.To {
			a.bad("after number %d: %.120s", *last, text)
		}
		a.skipped.Add(int64(g.To - g.From + 1))
	default:
		if seq != *last+1 {
			a.bad("number %d after %d without a gap message", seq, *last)
		}
	}
	*last = seq
	if !bytes.HasPrefix(text, []byte(`{"type":"state"`)) {
		return
	}
	if tick, ok := numberAfter(text, `"state":{"seq":`); ok {
		if at, ok := a.began.Load(tick); ok {
			a.fromTick.Load().add(now.Sub(at.(time.Time)))
		}
	}
	if i := bytes.Index(text, []byte(`"time_utc":"`)); i >= 0 && len(text) > i+36 {
		if made, err := time.Parse(time.RFC3339, string(text[i+12:i+36])); err == nil {
			a.fromMade.Load().add(now.Sub(made))
		}
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

// laggard is a viewer that asks for the stream and never reads. It comes again when it has been dropped. What the kernel holds for it
// is read in /proc/net/tcp, so that nobody has to be asked when it was full and when the program gave it up.
type laggard struct {
	port       int
	full, gone time.Time
}

// lag lets one laggard after the other hang on until the audience is closing, and sends those that were dropped.
func (a *audience) lag(dropped chan<- laggard) error {
	addr := strings.TrimPrefix(a.base, "http://")
	_, port, _ := net.SplitHostPort(addr)
	local, _ := strconv.Atoi(port)
	hang := func() (net.Conn, error) {
		d := net.Dialer{Control: smallBuffer}
		c, err := d.Dial("tcp", addr)
		if err == nil {
			_, err = fmt.Fprintf(c, "GET /api/v1/stream HTTP/1.1\r\nHost: %s\r\nConnection: Upgrade\r\nUpgrade: websocket\r\nSec-WebSocket-Version: 13\r\nSec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n\r\n", addr)
		}
		return c, err
	}
	c, err := hang()
	if err != nil {
		return err
	}
	a.work.Go(func() {
		for {
			l := laggard{port: c.LocalAddr().(*net.TCPAddr).Port}
			queued, since, in := -1, time.Now(), false
			for !a.closing.Load() {
				n, open := sendQueue(local, l.port)
				if n != queued && open {
					queued, since, in = n, time.Now(), true
				}
				if in && !open {
					l.full, l.gone = since, time.Now()
					dropped <- l
					break
				}
				time.Sleep(50 * time.Millisecond)
			}
			c.Close()
			if a.closing.Load() {
				return
			}
			if c, err = hang(); err != nil {
				a.bad("a slow viewer could not come back: %v", err)
				return
			}
		}
	})
	return nil
}

// tcpTable is /proc/net/tcp, read at most every 20 ms for all who ask.
var tcpTable struct {
	mu   sync.Mutex
	at   time.Time
	rows map[[2]int]tcpRow
}

type tcpRow struct {
	queued int
	open   bool
}

// sendQueue returns how many bytes the system holds for the peer of a connection at our port local, and whether the program still has it open.
func sendQueue(local, remote int) (queued int, open bool) {
	tcpTable.mu.Lock()
	defer tcpTable.mu.Unlock()
	if time.Since(tcpTable.at) > 20*time.Millisecond {
		text, _ := os.ReadFile("/proc/net/tcp")
		tcpTable.rows = map[[2]int]tcpRow{}
		for line := range strings.Lines(string(text)) {
			// "sl local_address rem_address st tx_queue:rx_queue …", all in hex; state 01 is established.
			f := strings.Fields(line)
			if len(f) < 5 || !strings.Contains(f[1], ":") {
				continue
			}
			from, _ := strconv.ParseInt(f[1][strings.Index(f[1], ":")+1:], 16, 32)
			to, _ := strconv.ParseInt(f[2][strings.Index(f[2], ":")+1:], 16, 32)
			tx, _ := strconv.ParseInt(f[4][:strings.Index(f[4], ":")], 16, 64)
			tcpTable.rows[[2]int{int(from), int(to)}] = tcpRow{int(tx), f[3] == "01"}
		}
		tcpTable.at = time.Now()
	}
	r := tcpTable.rows[[2]int{local, remote}]
	return r.queued, r.open
}
