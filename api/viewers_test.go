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

	"trivet/safety"
)

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

func TestEveryViewerIsToldWhatItMayDo(t *testing.T) {
	d := newDesk(t)
	d.change(func(d *desk) {
		d.snap.Alarms[0] = safety.Active{Row: rowOf(t, "over_ceiling"), State: safety.Unacknowledged, True: true}
		d.snap.NAlarms = 1
	})
	s := newServer(t, d)
	addr := listen(t, s)
	for token, want := range map[string]string{"": "[stop]", tokenVic: "[stop]", tokenOla: "[stop acknowledge]", tokenKim: "[stop start acknowledge]"} {
		var st State
		_, _, text := ask(t, s, as(token, request("GET", "/api/v1/state", "")))
		if err := json.Unmarshal([]byte(text), &st); err != nil || fmt.Sprint(st.Allowed) != want {
			t.Errorf("%q: the state says %v; want %s", token, st.Allowed, want)
		}
		head := http.Header{}
		if token != "" {
			head.Set("Authorization", "Bearer "+token)
		}
		c, _, err := websocket.DefaultDialer.Dial("ws://"+addr+streamPath, head)
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close() // all of them stay, so that each kind of state is made side by side
		for m := next(t, c); ; m = next(t, c) {
			if m.Type == "state" {
				if fmt.Sprint(m.State.Allowed) != want {
					t.Errorf("%q: the stream says %v; want %s", token, m.State.Allowed, want)
				}
				break
			}
		}
	}
}
