package api

import (
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/gorilla/websocket"
)

// heard is any message of the stream.
type heard struct {
	Type       string          `json:"type"`
	Seq        uint64          `json:"seq"`
	BootID     string          `json:"boot_id"`
	Resume     bool            `json:"resume"`
	State      *State          `json:"state"`
	Event      *EventState     `json:"event"`
	From       uint64          `json:"from"`
	To         uint64          `json:"to"`
	EventsLost bool            `json:"events_lost"`
	Raw        json.RawMessage `json:"-"`
}

func dial(t testing.TB, addr, query string) *websocket.Conn {
	t.Helper()
	c, resp, err := websocket.DefaultDialer.Dial("ws://"+addr+streamPath+query, nil)
	if err != nil {
		t.Fatalf("%v %v", err, resp)
	}
	return c
}

func next(t testing.TB, c *websocket.Conn) heard {
	t.Helper()
	_ = c.SetReadDeadline(time.Now().Add(5 * time.Second))
	_, text, err := c.ReadMessage()
	if err != nil {
		t.Fatalf("read the stream: %v", err)
	}
	var m heard
	if err := json.Unmarshal(text, &m); err != nil {
		t.Fatalf("%v: %s", err, text)
	}
	m.Raw = text
	return m
}

// until reads on until stop says so, and holds the stream to its promise: every number is received or named in a gap.
func until(t testing.TB, c *websocket.Conn, last *uint64, stop func(heard) bool) (all []heard) {
	t.Helper()
	for {
		m := next(t, c)
		if m.Type == "gap" {
			if m.From != *last+1 || m.To < m.From || m.Seq != m.To {
				t.Fatalf("gap %d to %d with number %d after number %d", m.From, m.To, m.Seq, *last)
			}
		} else if m.Seq != *last+1 {
			t.Fatalf("%s has number %d after %d", m.Type, m.Seq, *last)
		}
		*last = m.Seq
		all = append(all, m)
		if stop(m) {
			return all
		}
	}
}

func isEvent(code string) func(heard) bool {
	return func(m heard) bool { return m.Type == "event" && m.Event.Code == code }
}

func events(list []heard) string {
	var out []string
	for _, m := range list {
		if m.Type == "event" {
			out = append(out, m.Event.Code)
		}
	}
	return strings.Join(out, " ")
}

func TestTheStreamIsDenseAndCarriesStatesAndEvents(t *testing.T) {
	d := newDesk(t)
	addr := listen(t, newServer(t, d))
	c := dial(t, addr, "")
	defer c.Close()
	hello := next(t, c)
	if hello.Type != "hello" || hello.BootID != "b1" || hello.Resume {
		t.Fatalf("%s", hello.Raw)
	}
	last, states := hello.Seq, 0
	d.happen("one")
	for _, m := range until(t, c, &last, isEvent("one")) {
		if m.Type == "gap" {
			t.Errorf("a viewer that keeps up was told of a gap: %s", m.Raw)
		}
	}
	until(t, c, &last, func(m heard) bool {
		if m.Type == "state" {
			if states++; m.State.Sentence == "" || m.State.BootID != "b1" {
				t.Errorf("%s", m.Raw)
			}
		}
		return states == 3
	})
}

func TestAViewerThatComesBackGetsTheEventsItMissed(t *testing.T) {
	d := newDesk(t)
	addr := listen(t, newServer(t, d))
	c := dial(t, addr, "")
	last := next(t, c).Seq
	d.happen("seen")
	until(t, c, &last, isEvent("seen"))
	c.Close()

	other := dial(t, addr, "") // somebody else goes on listening, so that states are numbered too
	defer other.Close()
	n := next(t, other).Seq
	d.happen("missed-1")
	until(t, other, &n, isEvent("missed-1"))
	until(t, other, &n, func(m heard) bool { return m.Type == "state" })
	d.happen("missed-2")
	until(t, other, &n, isEvent("missed-2"))

	c = dial(t, addr, fmt.Sprintf("?since=%d&boot=b1", last))
	defer c.Close()
	if m := next(t, c); !m.Resume || m.Seq != last {
		t.Fatalf("%s; want to go on after %d", m.Raw, last)
	}
	d.happen("new")
	all := until(t, c, &last, isEvent("new"))
	if got := events(all); got != "missed-1 missed-2 new" {
		t.Errorf("events %q", got)
	}
	for _, m := range all {
		if m.EventsLost {
			t.Errorf("%s, but no event was lost", m.Raw)
		}
	}
}

func TestEventsWhileNobodyListensAreNotLost(t *testing.T) {
	d := newDesk(t)
	addr := listen(t, newServer(t, d))
	c := dial(t, addr, "")
	last := next(t, c).Seq
	until(t, c, &last, func(m heard) bool { return m.Type == "state" })
	c.Close()
	time.Sleep(50 * time.Millisecond)
	for i := range 40 {
		d.happen(fmt.Sprint("e", i))
	}
	c = dial(t, addr, fmt.Sprintf("?since=%d&boot=b1", last))
	defer c.Close()
	next(t, c)
	if got := strings.Count(events(until(t, c, &last, isEvent("e39"))), "e"); got != 40 {
		t.Errorf("%d events; want 40", got)
	}
}

func TestMoreEventsThanAreKeptAreAnnouncedAsAGap(t *testing.T) {
	for name, tooMany := range map[string]func(d *desk){
		"pushed out of our ring": func(d *desk) {
			for i := range eventRing + 100 {
				d.happen(fmt.Sprint("e", i))
			}
		},
		"gone before we looked": func(d *desk) {
			d.change(func(d *desk) { d.lostTo, d.events = d.lostTo+uint64(len(d.events))+300, nil })
			d.happen("after")
		},
	} {
		t.Run(name, func(t *testing.T) {
			d := newDesk(t)
			addr := listen(t, newServer(t, d))
			d.happen("first")
			c := dial(t, addr, "")
			last := next(t, c).Seq
			until(t, c, &last, func(m heard) bool { return m.Type == "state" })
			c.Close()
			tooMany(d)
			d.happen("end")
			c = dial(t, addr, fmt.Sprintf("?since=%d&boot=b1", last))
			defer c.Close()
			next(t, c)
			lost := false
			for _, m := range until(t, c, &last, isEvent("end")) {
				lost = lost || m.EventsLost
			}
			if !lost {
				t.Error("events were lost and nobody said so")
			}
		})
	}
}

func TestAfterARestartOfTheStationNothingIsResumed(t *testing.T) {
	d := newDesk(t)
	d.happen("old")
	addr := listen(t, newServer(t, d))
	for _, query := range []string{"?since=1&boot=other", "?since=1", "?since=99999&boot=b1"} {
		c := dial(t, addr, query)
		m := next(t, c)
		if m.Resume {
			t.Errorf("%s: resumed", query)
		}
		last := m.Seq
		d.happen("new" + query)
		if got := events(until(t, c, &last, isEvent("new"+query))); strings.Contains(got, "old") {
			t.Errorf("%s: old events were sent: %s", query, got)
		}
		c.Close()
	}
}

func TestAStoppedControlLoopIsSilence(t *testing.T) {
	d := newDesk(t)
	addr := listen(t, newServer(t, d))
	c := dial(t, addr, "")
	defer c.Close()
	last := next(t, c).Seq
	until(t, c, &last, func(m heard) bool { return m.Type == "state" })
	d.change(func(d *desk) { d.frozen = true })
	_ = c.SetReadDeadline(time.Now().Add(700 * time.Millisecond))
	for i := 0; ; i++ {
		if _, text, err := c.ReadMessage(); err != nil {
			break
		} else if i > 1 { // what was under way when the loop stopped
			t.Fatalf("a state although the loop does not tick: %.80s", text)
		}
	}
}

func TestTheStationIsLookedAtOnlyWhileSomebodyListens(t *testing.T) {
	d := newDesk(t)
	addr := listen(t, newServer(t, d))
	looks := func() int {
		d.mu.Lock()
		defer d.mu.Unlock()
		return d.looks
	}
	for range 2 { // a second time, after the last viewer has left
		before := looks()
		time.Sleep(250 * time.Millisecond)
		if n := looks() - before; n != 0 {
			t.Errorf("%d looks while nobody listened", n)
		}
		c := dial(t, addr, "")
		last := next(t, c).Seq
		until(t, c, &last, func(m heard) bool { return m.Type == "state" })
		c.Close()
		time.Sleep(150 * time.Millisecond) // for the server to notice
	}
}

// A viewer that takes nothing must be gone soon, and must cost the others nothing meanwhile.
func TestASlowViewerIsDroppedAndDelaysNobody(t *testing.T) {
	d := newDesk(t)
	d.change(func(d *desk) { d.setup.Board = strings.Repeat("x", 400_000) }) // so that buffers are full in a few states
	s := newServer(t, d)
	addr := listen(t, s)

	slow, err := net.Dial("tcp", addr)
	if err != nil {
		t.Fatal(err)
	}
	defer slow.Close()
	_ = slow.(*net.TCPConn).SetReadBuffer(4 << 10)
	fmt.Fprintf(slow, "GET %s HTTP/1.1\r\nHost: %s\r\nConnection: Upgrade\r\nUpgrade: websocket\r\nSec-WebSocket-Version: 13\r\nSec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n\r\n", streamPath, addr)

	c := dial(t, addr, "")
	defer c.Close()
	last := next(t, c).Seq
	for s.hub.count() < 2 { // until the slow one is in as well
		until(t, c, &last, func(m heard) bool { return m.Type == "state" })
	}
	worst, before := time.Duration(0), time.Now()
	gone := time.Time{}
	for time.Since(before) < 8*time.Second && gone.IsZero() {
		began := time.Now()
		until(t, c, &last, func(m heard) bool { return m.Type == "state" })
		worst = max(worst, time.Since(began))
		if s.hub.count() == 1 {
			gone = time.Now()
		}
	}
	if gone.IsZero() {
		t.Fatal("the slow viewer is still there")
	}
	if worst > time.Second { // ten times the period: it never waits for the two seconds the slow one is given
		t.Errorf("the other viewer waited %v for a state", worst)
	}
	if _, _, text := ask(t, s, request("GET", "/metrics", "")); !strings.Contains(text, "trivet_viewers_dropped_total 1") {
		t.Error("the drop was not counted")
	}
}

func TestAViewerThatTalksIsSentAway(t *testing.T) {
	addr := listen(t, newServer(t, newDesk(t)))
	for name, say := range map[string]string{"a command": `{"event":"start"}`, "a flood": strings.Repeat("x", 100_000)} {
		c := dial(t, addr, "")
		next(t, c)
		_ = c.WriteMessage(websocket.TextMessage, []byte(say))
		_ = c.SetReadDeadline(time.Now().Add(3 * time.Second))
		var err error
		for err == nil {
			_, _, err = c.ReadMessage()
		}
		if ne, ok := err.(net.Error); ok && ne.Timeout() {
			t.Errorf("%s: the connection is still open", name)
		}
		c.Close()
	}
}

func TestAViewersPingIsAnswered(t *testing.T) {
	addr := listen(t, newServer(t, newDesk(t)))
	c := dial(t, addr, "")
	defer c.Close()
	got := make(chan string, 1)
	c.SetPongHandler(func(s string) error { got <- s; return nil })
	if err := c.WriteControl(websocket.PingMessage, []byte("there?"), time.Now().Add(time.Second)); err != nil {
		t.Fatal(err)
	}
	for range 30 {
		next(t, c)
		select {
		case s := <-got:
			if s != "there?" {
				t.Errorf("pong %q", s)
			}
			return
		default:
		}
	}
	t.Error("no pong")
}

func TestThereIsRoomForSoManyViewersAndNoMore(t *testing.T) {
	d := newDesk(t)
	addr := listen(t, newServer(t, d))
	for range maxViewers {
		defer dial(t, addr, "").Close()
	}
	_, resp, err := websocket.DefaultDialer.Dial("ws://"+addr+streamPath, nil)
	if err == nil || resp == nil || resp.StatusCode != http.StatusServiceUnavailable {
		t.Fatalf("one too many: %v %v", err, resp)
	}
	resp, err = (&http.Client{Transport: &http.Transport{DisableKeepAlives: true}}).Post("http://"+addr+stopPath, "", nil)
	if err != nil || resp.StatusCode != http.StatusOK {
		t.Errorf("Stop with every place taken: %v %v", resp, err)
	}
	resp.Body.Close()
}

func TestOneAddressElsewhereCannotTakeEveryPlace(t *testing.T) {
	h := newServer(t, newDesk(t)).hub
	for range maxPerSource {
		h.viewers[&viewer{source: "192.168.0.9"}] = struct{}{}
	}
	defer clear(h.viewers)
	if h.join(&viewer{source: "192.168.0.9"}, 0, false) {
		t.Error("one more was let in")
	}
	if n := h.from(""); n != 0 {
		t.Errorf("%d viewers counted for the station itself", n)
	}
}

func TestAViewerWithTooManyEventsWaitingIsSentBackForThem(t *testing.T) {
	v := &viewer{wake: make(chan struct{}, 1), over: make(chan struct{})}
	for i := range uint64(queueLimit + 1) {
		v.offerEvent(message{seq: i})
	}
	select {
	case <-v.over:
		if v.code != closeOverflow {
			t.Errorf("closed with code %d", v.code)
		}
	default:
		t.Error("still connected")
	}
}

func TestViewersElsewhereAreToldOnlyOfStop(t *testing.T) {
	d := newDesk(t)
	s := newServer(t, d)
	for local, want := range map[bool]string{true: "[stop start]", false: "[stop]"} {
		d.mu.Lock()
		got := fmt.Sprint(stateOf(&d.snap, s.view(local)).Allowed)
		d.mu.Unlock()
		if got != want {
			t.Errorf("at the station %v: %s; want %s", local, got, want)
		}
	}
}
