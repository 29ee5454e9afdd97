package main

import (
	"context"
	"io"
	"net"
	"os"
	"sync"
	"time"
)

// lane is a share of a hundredth of a second in which one actor of the simulated station acts. Virtual time goes on only when every
// goroutine waits, so actors of different lanes never act at once, and which goroutine the scheduler lets run first cannot show. Every
// period in the program is a multiple of 10 ms: whoever begins in a lane stays in it.
type lane int

const (
	laneLoop    lane = iota // control loop and keeper, who wait for each other
	laneClerk               // what the clerk asks of the disk
	laneAuditor             // what the auditor asks of it
	laneWatch               // the disk that failed is tried again
	laneFlush               // the clerk's second
	laneDesk                // the loop's answer reaches whoever asked
	laneWall                // the clock on the wall is put
	laneDisk                // the disk breaks and mends
	laneWorld               // begin and end
	lanePeople  lane = 20   // one lane each from here on
	laneViewers lane = 50
	laneConns   lane = 100 // four lanes for each connection

	laneCycle = 10 * time.Millisecond
	laneWidth = time.Microsecond
	connLanes = int(laneCycle/laneWidth) - int(laneConns)
)

// virtualTime counts from the begin of the simulation, in its bubble.
type virtualTime struct{ zero time.Time }

func (v virtualTime) now() time.Duration { return time.Since(v.zero) }

// wait sleeps until the next turn of a lane; not at all when it has its turn now.
func (v virtualTime) wait(l lane) {
	d := (time.Duration(l)*laneWidth - v.now()) % laneCycle
	if d < 0 {
		d += laneCycle
	}
	time.Sleep(d)
}

// fakeNet is a network in memory: connections with a buffer of a fixed size in each direction, deadlines, and a latency of up to 10 ms that
// comes from the lanes. Nothing of it is seen by the system, so that virtual time goes on while somebody waits for a byte.
type fakeNet struct {
	time   virtualTime
	accept chan net.Conn
	closed chan struct{}
	once   sync.Once

	mu   sync.Mutex
	port int
}

func newFakeNet(v virtualTime) *fakeNet {
	return &fakeNet{time: v, accept: make(chan net.Conn), closed: make(chan struct{}), port: 40000}
}

var stationAddr = &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 8420}

func (f *fakeNet) Accept() (net.Conn, error) {
	select {
	case c := <-f.accept:
		return c, nil
	case <-f.closed:
		return nil, net.ErrClosed
	}
}

func (f *fakeNet) Close() error {
	f.once.Do(func() { close(f.closed) })
	return nil
}

func (f *fakeNet) Addr() net.Addr { return stationAddr }

// Buffers of a connection: what the system would hold for a viewer is what the program asks for, see sendBuffer in package api.
const (
	toStation   = 64 << 10
	fromStation = 64 << 10
)

// dialer connects from an address. Each connection has lanes of its own: whoever comes again comes at another moment than those who were begun
// by the first visit, such as the hub's rounds.
func (f *fakeNet) dialer(from net.IP) func(ctx context.Context, network, addr string) (net.Conn, error) {
	return func(ctx context.Context, _, _ string) (net.Conn, error) {
		f.mu.Lock()
		f.port++
		at := &net.TCPAddr{IP: from, Port: f.port}
		l := laneConns + lane(4*f.port%connLanes)
		f.mu.Unlock()
		up, down := newHalf(toStation), newHalf(fromStation)
		turn := func(d lane) func() { return func() { f.time.wait(l + d) } }
		server := &fakeConn{in: up, out: down, local: stationAddr, remote: at, readTurn: turn(0), writeTurn: turn(2)}
		client := &fakeConn{in: down, out: up, local: at, remote: stationAddr, readTurn: turn(1), writeTurn: turn(3)}
		select {
		case f.accept <- server:
			return client, nil
		case <-f.closed:
			return nil, net.ErrClosed
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}
}

// half is one direction of a connection.
type half struct {
	mu                  sync.Mutex
	change              sync.Cond
	data                []byte
	room                int
	readGone, writeGone bool
	readBy, writeBy     deadline
	arrived, freed      time.Time // when something was last put in, or its end; when room was last made, or its end
}

func newHalf(room int) *half {
	h := &half{room: room}
	h.change.L = &h.mu
	return h
}

type deadline struct {
	at, put time.Time // when it is, and when it was set
	timer   *time.Timer
}

// over reports whether the deadline has passed, and whether that came about at this very moment.
func (d *deadline) over() (over, now bool) {
	n := time.Now()
	over = !d.at.IsZero() && !n.Before(d.at)
	return over, over && (n.Equal(d.at) || n.Equal(d.put))
}

// set is called with the lock of the half held.
func (d *deadline) set(at time.Time, h *half) {
	d.at, d.put = at, time.Now()
	if d.timer != nil {
		d.timer.Stop()
	}
	if !at.IsZero() && at.After(time.Now()) {
		d.timer = time.AfterFunc(time.Until(at), func() {
			h.mu.Lock()
			h.change.Broadcast()
			h.mu.Unlock()
		})
	}
	h.change.Broadcast()
}

// fakeConn is one end. Whatever the other end did at this very moment is noticed in the own lane: otherwise it would depend on the scheduler
// who came first.
type fakeConn struct {
	in, out             *half
	local, remote       net.Addr
	readTurn, writeTurn func()
}

// settle waits for a turn, without the lock.
func (h *half) settle(turn func()) {
	h.mu.Unlock()
	turn()
	h.mu.Lock()
}

func (c *fakeConn) Read(p []byte) (int, error) {
	h := c.in
	h.mu.Lock()
	defer h.mu.Unlock()
	for settled := false; ; {
		late, fresh := h.readBy.over()
		turn := c.readTurn
		if late || len(h.data) == 0 {
			turn = c.writeTurn // the end, of a wait or of everything, is another moment than the arrival of a byte
		}
		if !late {
			fresh = h.arrived.Equal(time.Now())
		}
		switch {
		case h.readGone:
			return 0, net.ErrClosed
		case !late && len(h.data) == 0 && !h.writeGone:
			h.change.Wait()
			settled = false
		case fresh && !settled:
			h.settle(turn)
			settled = true
		case late:
			return 0, os.ErrDeadlineExceeded
		case len(h.data) > 0:
			n := copy(p, h.data)
			h.data = h.data[n:]
			h.freed = time.Now()
			h.change.Broadcast()
			return n, nil
		default:
			return 0, io.EOF
		}
	}
}

func (c *fakeConn) Write(p []byte) (n int, err error) {
	h := c.out
	h.mu.Lock()
	defer h.mu.Unlock()
	for settled := false; ; {
		late, fresh := h.writeBy.over()
		fresh = fresh || h.freed.Equal(time.Now())
		switch {
		case h.writeGone:
			return n, net.ErrClosed
		case !late && !h.readGone && n < len(p) && len(h.data) >= h.room:
			h.change.Wait()
			settled = false
		case fresh && !settled:
			h.settle(c.writeTurn)
			settled = true
		case h.readGone:
			return n, io.ErrClosedPipe
		case late && n < len(p):
			return n, os.ErrDeadlineExceeded
		case n == len(p):
			return n, nil
		default:
			k := min(len(p)-n, h.room-len(h.data))
			h.data = append(h.data, p[n:n+k]...)
			n += k
			h.arrived = time.Now()
			h.change.Broadcast()
		}
	}
}

func (c *fakeConn) Close() error {
	c.in.mu.Lock()
	c.in.readGone, c.in.freed = true, time.Now()
	c.in.change.Broadcast()
	c.in.mu.Unlock()
	c.out.mu.Lock()
	if !c.out.writeGone {
		c.out.writeGone, c.out.arrived = true, time.Now()
	}
	c.out.change.Broadcast()
	c.out.mu.Unlock()
	return nil
}

func (c *fakeConn) LocalAddr() net.Addr  { return c.local }
func (c *fakeConn) RemoteAddr() net.Addr { return c.remote }

func (c *fakeConn) SetDeadline(t time.Time) error {
	_ = c.SetReadDeadline(t) // neither fails
	return c.SetWriteDeadline(t)
}

func (c *fakeConn) SetReadDeadline(t time.Time) error {
	c.in.mu.Lock()
	defer c.in.mu.Unlock()
	c.in.readBy.set(t, c.in)
	return nil
}

func (c *fakeConn) SetWriteDeadline(t time.Time) error {
	c.out.mu.Lock()
	defer c.out.mu.Unlock()
	c.out.writeBy.set(t, c.out)
	return nil
}
