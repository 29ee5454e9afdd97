package api

import (
	"encoding/json"
	"fmt"
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
	s := newServer(t, d)
	addr := listen(t, s)
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
		for s.hub.count() > 0 { // until the server has noticed
			time.Sleep(10 * time.Millisecond)
		}
	}
}
