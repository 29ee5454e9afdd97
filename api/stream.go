package api

import (
	"math"
	"net"
	"net/http"
	"slices"
	"strconv"
	"sync"
	"sync/atomic"
	"time"

	"github.com/gorilla/websocket"
)

const streamPath = "/api/v1/stream"

// Times and sizes of one connection. A connection whose peer does not take its data for writeWait is dropped; so is one
// that has not answered a ping for pongWait.
const (
	writeWait  = 2 * time.Second
	pingEvery  = 10 * time.Second
	pongWait   = 25 * time.Second
	readLimit  = 4 << 10
	sendBuffer = 64 << 10 // what the kernel may hold for a viewer: about a second of states, not a minute of stale ones
	queueLimit = eventRing + 128

	closeUnpaired = 4003 // private code: the pairing that this connection came with has been ended
	closeOverflow = 4001 // private code: too many events were waiting; come back with since and boot
)

// viewer is one connection. Its writer goroutine is the only one that writes to it.
// viewer has two goroutines: the handler's own, which only reads, and the writer. The library does not allow two writers
// at a time, and panics when it finds them; control messages are no exception here.
type viewer struct {
	ws     *websocket.Conn
	source string // its address, empty for one at the station

	pairing string // id, empty for none
	role    Role

	resumed bool   // set by join
	lost    uint64 // set by join: events up to this number are gone

	mu    sync.Mutex
	queue []message // events waiting, oldest first
	state *message  // newest state waiting; overwritten, never queued
	last  uint64    // number of the last message sent; the writer's own after join

	number uint64               // in the order of joining
	idle   atomic.Bool          // its writer waits for the ring
	place  atomic.Pointer[pace] // it was woken for a state, and others wait until it is done

	wake  chan struct{} // rung when something waits
	pongs chan string   // answers owed to the viewer's pings
	over  chan struct{} // closed once, when the connection is to end
	once  sync.Once
	code  int
	why   string
}

// serve upgrades a request and keeps the connection until it ends. Host and Origin have been checked by the gate.
func (h *hub) serve(w http.ResponseWriter, r *http.Request) {
	// Everything that can be refused is refused before the upgrade, as a problem document that says why. After it there are
	// only close codes.
	if !websocket.IsWebSocketUpgrade(r) {
		h.s.refuse(w, problem("not_a_websocket", "This address is a WebSocket."))
		return
	}
	since, resume, p := h.wanted(r)
	if p != nil {
		h.s.refuse(w, p)
		return
	}
	who := visitorOf(r.Context())
	v := &viewer{pairing: who.who.ID, role: who.who.Role, wake: make(chan struct{}, 1), pongs: make(chan string, 1), over: make(chan struct{})}
	if !who.here {
		v.source = who.limited
	}
	// Joining comes first, so that the places are counted before a handshake is paid for, and events from now on are queued.
	if !h.join(v, since, resume) {
		h.s.refuse(w, problem("too_many_viewers", "As many viewers as this station takes are connected."))
		return
	}
	defer h.leave(v)
	up := websocket.Upgrader{
		HandshakeTimeout: headerTimeout, ReadBufferSize: 1 << 10, WriteBufferSize: 4 << 10,
		CheckOrigin: func(*http.Request) bool { return true }, // by the gate, against a list: the default would pass a rebound name
		Error: func(w http.ResponseWriter, _ *http.Request, _ int, err error) {
			h.s.refuse(w, problem("not_a_websocket", "The WebSocket handshake is not right: "+clip(err.Error())+"."))
		},
	}
	ws, err := up.Upgrade(w, r, nil)
	if err != nil {
		return
	}
	// From here on the connection is ours: the server's deadlines are gone, and ours are set at each read and write.
	v.ws = ws
	// The system would let a buffer grow to megabytes. A viewer that stalls would then be fed states that are minutes old when
	// it wakes, and nobody would notice that it had stalled.
	if tcp, ok := ws.NetConn().(*net.TCPConn); ok {
		_ = tcp.SetWriteBuffer(sendBuffer) // the system may refuse; then a stalled viewer is noticed later
	}
	written := make(chan struct{})
	go func() {
		defer close(written)
		h.write(v)
	}()
	v.read()
	<-written
}

// wanted reads where a viewer wants to go on.
func (h *hub) wanted(r *http.Request) (since uint64, resume bool, p *Problem) {
	q := r.URL.Query()
	if q.Get("since") == "" {
		return 0, false, nil
	}
	since, err := strconv.ParseUint(q.Get("since"), 10, 64)
	if err != nil || since > math.MaxInt64 {
		return 0, false, problem("bad_field", "query.since: it must be the number of a message.")
	}
	return since, q.Get("boot") == h.s.o.BootID, nil
}

// offerEvent queues an event. A viewer that lets more wait than the ring holds is sent away; it can come back for them.
func (v *viewer) offerEvent(m message) {
	v.mu.Lock()
	// The limit leaves room for a whole ring that is sent again and some new events on top.
	full := len(v.queue) >= queueLimit
	if !full {
		v.queue = append(v.queue, m)
	}
	v.mu.Unlock()
	if full {
		v.quit(closeOverflow, "too many events are waiting")
		return
	}
	v.ring()
}

// offerState replaces the state that waits, if any. Whoever calls it rings afterwards.
func (v *viewer) offerState(m message) {
	v.mu.Lock()
	v.state = &m
	v.mu.Unlock()
}

func (v *viewer) ring() {
	select {
	case v.wake <- struct{}{}:
	default:
	}
}

// quit ends the connection from any goroutine, without waiting.
func (v *viewer) quit(code int, why string) {
	v.once.Do(func() {
		v.code, v.why = code, why
		close(v.over)
	})
}

// take empties what waits, in the order of the numbers.
func (v *viewer) take() []message {
	v.mu.Lock()
	defer v.mu.Unlock()
	out := v.queue
	v.queue = nil
	if v.state != nil {
		// Events are in order. The state goes where its number belongs: before the events that happened after it.
		i, _ := slices.BinarySearchFunc(out, v.state.seq, func(m message, seq uint64) int {
			if m.seq < seq {
				return -1
			}
			return 1
		})
		out = slices.Insert(out, i, *v.state)
		v.state = nil
	}
	return out
}

// read drains the connection, because pongs and closing are only seen while reading. A viewer has nothing to say here: commands
// go over HTTP, where they are checked.
func (v *viewer) read() {
	// A larger message ends the connection with an error from the library, before it is read.
	v.ws.SetReadLimit(readLimit)
	alive := func(string) error { return v.ws.SetReadDeadline(time.Now().Add(pongWait)) }
	_ = alive("")
	v.ws.SetPongHandler(alive)
	v.ws.SetPingHandler(func(data string) error { // the default one writes from here, and could block the reading
		select {
		case v.pongs <- data:
		default:
		}
		return alive("")
	})
	// One data message is enough to end it, so there is no loop.
	_, _, err := v.ws.NextReader()
	if err == nil {
		v.quit(websocket.ClosePolicyViolation, "this stream is read-only")
		return
	}
	v.quit(websocket.CloseNormalClosure, "")
}

// write sends until the connection is to end, then closes it.
func (h *hub) write(v *viewer) {
	// Closing the socket also ends the reader, wherever it waits.
	defer v.ws.Close()
	defer v.rest()
	ping := time.NewTicker(pingEvery)
	defer ping.Stop()
	// Hello is made for this viewer alone and goes out before anything that join has queued.
	err := v.send(h.prepare(helloMessage{"hello", v.last, h.s.o.BootID, h.s.o.Version, v.resumed}))
	for err == nil {
		for _, m := range v.take() {
			if err = h.sendInOrder(v, &m); err != nil {
				break
			}
		}
		if err != nil {
			break
		}
		var over bool
		if over, err = v.serveOwed(ping.C); over {
			if v.code == closeOverflow {
				h.s.metrics.dropped.Inc()
			}
			return
		}
	}
	// A deadline that passed is a viewer that did not take its data; any other error is one that has gone.
	if ne, ok := err.(net.Error); ok && ne.Timeout() {
		h.s.metrics.dropped.Inc() // too slow, as opposed to gone
	}
	v.quit(websocket.CloseNormalClosure, "")
}

// serveOwed waits until something is owed to the viewer besides messages, or messages wait, and pays it. The end goes before a ping, and a ping
// before more states: to a viewer that is behind, a choice by chance would send it seconds later. It reports whether the connection is over.
func (v *viewer) serveOwed(ping <-chan time.Time) (over bool, err error) {
	select {
	case <-v.over:
		return true, v.bye()
	default:
	}
	select {
	case <-ping:
		return false, v.control(websocket.PingMessage, nil)
	default:
	}
	v.rest()
	select {
	case <-v.wake:
		v.idle.Store(false)
		return false, nil
	case <-ping:
		return false, v.control(websocket.PingMessage, nil)
	case data := <-v.pongs:
		return false, v.control(websocket.PongMessage, []byte(data))
	case <-v.over:
		return true, v.bye()
	}
}

// bye says why the connection ends, to whoever still listens.
func (v *viewer) bye() error {
	return v.control(websocket.CloseMessage, websocket.FormatCloseMessage(v.code, v.why))
}

// sendInOrder sends a message, and before it a gap for the numbers that this viewer did not get.
func (h *hub) sendInOrder(v *viewer, m *message) error {
	// Numbers between are states that were overwritten before they could be sent or were sent while this viewer was away,
	// and events that are no longer kept.
	if from, to := v.last+1, m.seq-1; from <= to {
		if err := v.send(h.prepare(gapMessage{"gap", to, from, to, from <= v.lost})); err != nil {
			return err
		}
	}
	v.last = m.seq
	return v.send(m.text)
}

func (v *viewer) send(m *websocket.PreparedMessage) error {
	// For each message anew: the connection may have been quiet for long.
	if err := v.ws.SetWriteDeadline(time.Now().Add(writeWait)); err != nil {
		return err
	}
	return v.ws.WritePreparedMessage(m)
}

func (v *viewer) control(kind int, data []byte) error {
	return v.ws.WriteControl(kind, data, time.Now().Add(writeWait))
}
