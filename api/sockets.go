package api

import (
	"context"
	"net"
	"net/http"
	"sync"
	"sync/atomic"
)

// sockets bounds the connections that are not streams. One too many does not shut the newcomer out, who may be bringing a Stop: it ends the oldest
// connection of the greediest source that is not being answered, such as one that sends its headers a letter at a time, or one kept open
// for later.
type sockets struct {
	all, from int // how many in all, and from one source elsewhere; this computer itself may be a proxy for many

	mu   sync.Mutex
	n    uint64 // numbers them, the lower the older
	open map[net.Conn]*socket
}

type socket struct {
	source string
	number uint64
	busy   atomic.Int32 // requests that are being answered; 0 while it is idle or its headers are still coming
}

// socketKey carries the socket in a request's context.
type socketKey struct{}

// opened is told of each new connection before anything is read from it.
func (s *sockets) opened(ctx context.Context, c net.Conn) context.Context {
	source := sourceOf(c.RemoteAddr().String())
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.open == nil {
		s.open = map[net.Conn]*socket{}
	}
	counts := map[string]int{}
	for _, o := range s.open {
		counts[o.source]++
	}
	switch {
	case counts[source] >= s.from && !isLoopback(c):
		s.shed(source)
	case len(s.open) >= s.all:
		greedy, most := source, counts[source]
		for from, n := range counts {
			if n > most {
				greedy, most = from, n
			}
		}
		if !s.shed(greedy) {
			_ = raw(c).Close() // every place is being answered: there is nothing left to give
		}
	}
	s.n++
	o := &socket{source: source, number: s.n}
	s.open[c] = o
	return context.WithValue(ctx, socketKey{}, o)
}

// shed ends the oldest connection from a source that is not being answered, and reports whether there was one.
func (s *sockets) shed(source string) bool {
	var victim net.Conn
	for c, o := range s.open {
		if o.source == source && o.busy.Load() == 0 && (victim == nil || o.number < s.open[victim].number) {
			victim = c
		}
	}
	if victim == nil {
		return false
	}
	delete(s.open, victim)
	_ = raw(victim).Close()
	return true
}

// changed is told what becomes of a connection. A stream is counted by the hub from its handshake on.
func (s *sockets) changed(c net.Conn, state http.ConnState) {
	if state == http.StateClosed || state == http.StateHijacked {
		s.mu.Lock()
		delete(s.open, c)
		s.mu.Unlock()
	}
}

// busy marks the connection of a request as being answered, until the function that it returns is called.
func busy(r *http.Request) func() {
	o, ok := r.Context().Value(socketKey{}).(*socket)
	if !ok {
		return func() {}
	}
	o.busy.Add(1)
	return func() { o.busy.Add(-1) }
}

// raw is the connection below TLS, whose own way of closing would wait for the peer.
func raw(c net.Conn) net.Conn {
	if t, ok := c.(interface{ NetConn() net.Conn }); ok {
		return t.NetConn()
	}
	return c
}

func isLoopback(c net.Conn) bool {
	a, ok := c.RemoteAddr().(*net.TCPAddr)
	return ok && a.IP.IsLoopback()
}
