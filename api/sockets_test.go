package api

import (
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"
)

// stopOver presses Stop over a connection of its own.
func stopOver(t *testing.T, addr string) {
	t.Helper()
	client := &http.Client{Timeout: 10 * time.Second, Transport: &http.Transport{DisableKeepAlives: true}}
	resp, err := client.Post("http://"+addr+stopPath, "text/plain", strings.NewReader("\x00"))
	if err != nil {
		t.Fatalf("Stop: %v", err)
	}
	resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		t.Errorf("Stop: %s", resp.Status)
	}
}

// Hundreds of connections that say nothing, or begin a request and never end it, or never end its body: each place is taken, and Stop
// gets through at once.
func TestStopGetsThroughAnyNumberOfConnectionsThatGoSlow(t *testing.T) {
	d := newDesk(t)
	s := newServer(t, d)
	addr := listen(t, s)
	starts := map[string]string{"nothing": "", "half a header": "GET /api/v1/state HTTP/1.1\r\nHost: " + addr + "\r\nX-A: ",
		"half a body":      "POST /api/v1/hold HTTP/1.1\r\nHost: " + addr + "\r\nX-Trivet-Request: 1\r\nContent-Type: application/json\r\nContent-Length: 90\r\n\r\n{",
		"a body that ends": "POST /api/v1/pairing HTTP/1.1\r\nHost: evil.example\r\nContent-Length: 900000\r\n\r\n{"}
	for name, begin := range starts {
		var held []net.Conn
		for range maxSockets + 40 {
			c, err := net.Dial("tcp", addr)
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			held = append(held, c)
			_, _ = io.WriteString(c, begin) // those that were ended already may refuse it
		}
		stopOver(t, addr)
		s.sockets.mu.Lock()
		n := len(s.sockets.open)
		s.sockets.mu.Unlock()
		if n > maxSockets+1 {
			t.Errorf("%s: %d connections are open", name, n)
		}
		for _, c := range held {
			c.Close()
		}
	}
	if stops, orders := d.counts(); stops != len(starts) || orders != 0 {
		t.Errorf("%d stops, %d commands", stops, orders)
	}
}

func TestASlowHeaderIsNotWaitedForLongerThanItsTime(t *testing.T) {
	addr := listen(t, newServer(t, newDesk(t)))
	c, err := net.Dial("tcp", addr)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	ended := make(chan struct{})
	go func() {
		_, _ = io.Copy(io.Discard, c)
		close(ended)
	}()
	fmt.Fprintf(c, "GET / HTTP/1.1\r\nHost: %s\r\n", addr)
	for range 3 * int(headerTimeout/time.Second) { // a letter a second would last for ever
		select {
		case <-ended:
			return
		case <-time.After(time.Second):
			_, _ = io.WriteString(c, "X")
		}
	}
	t.Error("still waiting")
}

// fakeConn is a connection from an address that tests cannot have.
type fakeConn struct {
	net.Conn
	from   string
	closed bool
}

func (f *fakeConn) Close() error         { f.closed = true; return nil }
func (f *fakeConn) RemoteAddr() net.Addr { a, _ := net.ResolveTCPAddr("tcp", f.from); return a }

func TestOneSourceCannotTakeThePlacesOfOthers(t *testing.T) {
	s := sockets{all: maxSockets, from: maxFrom}
	var greedy, modest []*fakeConn
	open := func(from string) *fakeConn {
		c := &fakeConn{from: from}
		s.opened(t.Context(), c)
		return c
	}
	modest = append(modest, open("192.168.0.9:1"))
	for i := range 3 * maxFrom {
		greedy = append(greedy, open(fmt.Sprintf("[2001:db8::%x]:1", i+1))) // one source: they share a /64
	}
	ended := 0
	for i, c := range greedy {
		if c.closed {
			ended++
		} else if i < 2*maxFrom {
			t.Errorf("number %d is old and still open", i)
		}
	}
	if ended != 2*maxFrom {
		t.Errorf("%d of %d were ended; want all but %d", ended, len(greedy), maxFrom)
	}
	for i := range 3 * maxSockets { // many sources, a few places each
		modest = append(modest, open(fmt.Sprintf("10.%d.%d.1:1", i/2/200, i/2%200)))
	}
	if len(s.open) > maxSockets {
		t.Errorf("%d open", len(s.open))
	}
	if modest[len(modest)-1].closed {
		t.Error("the newcomer was shut out")
	}
}
