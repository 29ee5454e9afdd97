package main

import (
	"net"
	"os"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// laggard is a viewer that asks for the stream and never reads. What the kernel holds for it is read in /proc/net/tcp, so that nobody
// has to be asked when it was full and when the program gave it up.
type laggard struct {
	port       int
	full, gone time.Time
}

// smallBuffer makes the system hold as little as it can for a viewer that never reads.
func smallBuffer(_, _ string, c syscall.RawConn) error {
	return c.Control(func(fd uintptr) { _ = syscall.SetsockoptInt(int(fd), syscall.SOL_SOCKET, syscall.SO_RCVBUF, 4<<10) })
}

// laggards are slow viewers, each of which comes again when it has been dropped.
type laggards struct {
	t    *testing.T
	base string
	mu   sync.Mutex
	gone []laggard
	over chan struct{}
	work sync.WaitGroup
}

// lag lets n slow viewers hang on until leave.
func lag(t *testing.T, base string, n int) *laggards {
	t.Helper()
	l := &laggards{t: t, base: strings.TrimPrefix(base, "http://"), over: make(chan struct{})}
	for range n {
		c, err := l.hang()
		if err != nil {
			t.Fatal(err)
		}
		l.work.Go(func() { l.stay(c) })
	}
	return l
}

func (l *laggards) leave() []laggard {
	close(l.over)
	l.work.Wait()
	return l.gone
}

func (l *laggards) hang() (net.Conn, error) {
	d := net.Dialer{Control: smallBuffer, Timeout: 20 * time.Second}
	c, err := d.Dial("tcp", l.base)
	if err == nil {
		err = askForStream(c, l.base)
	}
	return c, err
}

func (l *laggards) stay(c net.Conn) {
	_, port, _ := net.SplitHostPort(l.base)
	local, _ := strconv.Atoi(port)
	for {
		me := laggard{port: c.LocalAddr().(*net.TCPAddr).Port}
		queued, in := -1, false
		for me.gone.IsZero() {
			n, open := sendQueue(local, me.port)
			if n != queued && open {
				queued, me.full, in = n, time.Now(), true
			}
			if in && !open {
				me.gone = time.Now()
			}
			select {
			case <-l.over:
				c.Close()
				return
			case <-time.After(100 * time.Millisecond):
			}
		}
		l.mu.Lock()
		l.gone = append(l.gone, me)
		l.mu.Unlock()
		c.Close()
		var err error
		if c, err = l.hang(); err != nil {
			l.t.Errorf("a slow viewer could not come back: %v", err)
			return
		}
	}
}

// tcpTable is /proc/net/tcp, read at most every 80 ms for all who ask: with a thousand viewers it has two thousand lines.
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
	if time.Since(tcpTable.at) > 80*time.Millisecond {
		text, _ := os.ReadFile("/proc/net/tcp")
		tcpTable.rows = map[[2]int]tcpRow{}
		for line := range strings.Lines(string(text)) {
			// "sl local_address rem_address st tx_queue:rx_queue …", all in hex; state 01 is established.
			f := strings.Fields(line)
			if len(f) < 5 || !strings.Contains(f[1], ":") {
				continue
			}
			from, _ := strconv.ParseInt(f[1][strings.Index(f[1], ":")+1:], 16, 32)
			if int(from) != local {
				continue
			}
			to, _ := strconv.ParseInt(f[2][strings.Index(f[2], ":")+1:], 16, 32)
			tx, _ := strconv.ParseInt(f[4][:strings.Index(f[4], ":")], 16, 64)
			tcpTable.rows[[2]int{int(from), int(to)}] = tcpRow{int(tx), f[3] == "01"}
		}
		tcpTable.at = time.Now()
	}
	r := tcpTable.rows[[2]int{local, remote}]
	return r.queued, r.open
}
