package api

import (
	"cmp"
	"context"
	"encoding/json"
	"slices"
	"sync"
	"time"

	"github.com/gorilla/websocket"
	"go.uber.org/zap"

	"trivet/station"
)

// Sizes and times of the stream.
const (
	eventRing   = 512                    // events kept for viewers that come back
	statePeriod = 100 * time.Millisecond // between states, in the mean; wall clock, whatever the speed of a simulation

	// How often the station is looked at for a new state. At the rate of the ticks a state would be shown 50 ms late on average, and one
	// would be left out each time the beats of the two clocks crossed. A look at an unchanged station is a copy of some kilobytes.
	lookPeriod = statePeriod / 5
)

const streamDoc = `Read-only. Every message has a number seq. On one connection each number is either received or named in a gap message, so a viewer ` +
	`can tell what it missed. States are latest-wins: a slow viewer misses some, and the gap says so with events_lost false. With since and boot of ` +
	`a broken connection the events missed since then are sent again, up to 512; if more were missed the gap says events_lost true, and what ` +
	`happened is in the record of the run. A state is sent only when the control loop has ticked: silence means that it has not.`

// message is one thing to send, encoded once for all viewers, or for all of a kind.
type message struct {
	seq  uint64
	text *websocket.PreparedMessage
}

// hub numbers the messages and hands them to the viewers. It looks at the station only while somebody listens. Handing over
// never waits for a viewer, so the slowest one costs the others nothing.
type hub struct {
	s *Server

	mu      sync.Mutex
	viewers map[*viewer]struct{}
	seq     uint64    // number of the last message
	ring    []message // the last events, oldest first
	lost    uint64    // number of the newest event that is no longer in ring
	seen    uint64    // the station's number of the last event taken over
	tick    uint64    // Snapshot.Seq of the last state sent
	sent    bool      // tick means something
	due     time.Time // the next state is not sent before
	end     context.CancelFunc
	closed  bool
	joined  uint64         // viewers so far
	work    sync.WaitGroup // the poller and every viewer
	snap    station.Snapshot
}

func newHub(s *Server) *hub { return &hub{s: s, viewers: map[*viewer]struct{}{}} }

// join admits a viewer and gives it what it missed. It returns false when there are too many, or none are taken any more.
// Where a viewer wants to go on is a number it has seen, together with the boot_id under which it saw it. After a restart of
// the station numbers begin anew, so an old number means nothing then.
func (h *hub) join(v *viewer, since uint64, resume bool) bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	if l := &h.s.o.Limits; h.closed || len(h.viewers) >= l.Viewers || h.from(v.source) >= l.ViewersPerSource {
		return false
	}
	h.takeEvents() // what happened while nobody listened is numbered now, and may be among what this viewer missed
	v.resumed = resume && since <= h.seq
	// A viewer that does not resume begins with the next number. One that does begins after the last number it has seen,
	// and its writer announces what lies between as a gap, apart from the events that are sent again.
	v.last = h.seq
	if v.resumed {
		v.last, v.lost = since, h.lost
		for i := range h.ring {
			if h.ring[i].seq > since {
				v.queue = append(v.queue, h.ring[i])
			}
		}
	}
	h.viewers[v] = struct{}{}
	h.joined++
	v.number = h.joined
	h.work.Add(1)
	// The context belongs to the poller, not to this viewer's request: the others go on when this one leaves.
	if len(h.viewers) == 1 {
		ctx, cancel := context.WithCancel(context.Background())
		h.end = cancel
		h.work.Add(1)
		go h.poll(ctx)
	}
	return true
}

// from counts the viewers from one address. Those at the station do not count: there may be a proxy.
func (h *hub) from(source string) int {
	n := 0
	for v := range h.viewers {
		if source != "" && v.source == source {
			n++
		}
	}
	return n
}

// leave forgets a viewer, and stops looking at the station with the last one.
// It is called once for each viewer that joined, when both of its goroutines are done.
func (h *hub) leave(v *viewer) {
	h.mu.Lock()
	defer h.mu.Unlock()
	delete(h.viewers, v)
	if len(h.viewers) == 0 && h.end != nil {
		h.end()
		h.end = nil
	}
	h.work.Done()
}

// pairings lists the pairings that have a page open.
func (h *hub) pairings() (list []string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for v := range h.viewers {
		if v.pairing != "" && !slices.Contains(list, v.pairing) {
			list = append(list, v.pairing)
		}
	}
	return list
}

// count returns how many viewers there are.
func (h *hub) count() int {
	h.mu.Lock()
	defer h.mu.Unlock()
	return len(h.viewers)
}

// close ends every connection and waits until its goroutines are gone.
func (h *hub) close() {
	h.mu.Lock()
	h.closed = true
	for v := range h.viewers {
		v.quit(websocket.CloseGoingAway, "the station ends")
	}
	h.mu.Unlock()
	h.work.Wait()
}

// poll looks at the station until ctx ends.
func (h *hub) poll(ctx context.Context) {
	defer h.work.Done()
	// A ticker drops ticks when a look takes too long, which is what is wanted: the newest state, not every state.
	t := time.NewTicker(lookPeriod)
	defer t.Stop()
	pace := newPace()
	for n := 0; ; n++ {
		if n%int(statePeriod/lookPeriod) == 0 {
			h.tend()
		}
		pace.wake(ctx, h.look(ctx, time.Now()))
		select {
		case <-ctx.Done():
			return
		case <-t.C:
		}
	}
}

// tend keeps the controls: an open page is a sign of life of its pairing. It may announce something, so it is called without the lock.
func (h *hub) tend() {
	for _, id := range h.pairings() {
		h.s.controls.alive(id)
	}
	h.s.sweep()
}

// look hands over what is new: events first, then the state if the loop has ticked since the last one. It returns whom to wake for
// the state, in the order in which they joined; that is done without the lock.
func (h *hub) look(ctx context.Context, now time.Time) []*viewer {
	h.mu.Lock()
	defer h.mu.Unlock()
	if ctx.Err() != nil {
		return nil // the last viewer has left; another poller may be at work for the next one
	}
	h.takeEvents()
	h.s.o.Station.Latest(&h.snap)
	// The same tick again. Sending it would make a station that stands still look alive (the page greys its numbers after a
	// second without a state).
	if h.sent && h.snap.Seq == h.tick {
		return nil
	}
	// Ten a second in the mean: a tick that comes early after one that was late is not left out, a simulation at a hundred
	// times real time is thinned.
	if now.Before(h.due) {
		return nil
	}
	if h.due = h.due.Add(statePeriod); h.due.Before(now.Add(-statePeriod)) {
		h.due = now.Add(-statePeriod)
	}
	h.tick, h.sent = h.snap.Seq, true
	h.seq++
	// States differ in what the viewer may do. One is made for each kind of viewer there is, whatever their number: encoding takes
	// 14 µs, and half of the processor time of eight viewers was encoding before (design measurement M4).
	holder, _ := h.s.controls.standing()
	var made [kindsOfViewers]*websocket.PreparedMessage
	round := make([]*viewer, 0, len(h.viewers)) // not kept: an earlier poller may still be waking its own
	for v := range h.viewers {
		may := mayOf(v.role, v.pairing, holder)
		if made[may] == nil {
			made[may] = h.prepare(stateMessage{"state", h.seq, stateOf(&h.snap, h.s.view(&h.snap, may))})
		}
		v.offerState(message{h.seq, made[may]})
		round = append(round, v)
	}
	slices.SortFunc(round, func(a, b *viewer) int { return cmp.Compare(a.number, b.number) })
	return round
}

// announce numbers an event that this program made itself, keeps it and hands it out like the station's own.
func (h *hub) announce(e EventState) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.takeEvents() // those that came before it
	h.event(e)
}

// dismiss ends every connection of a pairing that has been ended.
func (h *hub) dismiss(pairing string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for v := range h.viewers {
		if pairing != "" && v.pairing == pairing {
			v.quit(closeUnpaired, "this pairing has been ended")
		}
	}
}

// takeEvents numbers the station's new events, keeps them and hands them out.
func (h *hub) takeEvents() {
	// The station keeps the last few hundred itself, so those that happened while nobody listened are still there.
	list, gap := h.s.o.Live.EventsSince(h.seen)
	if gap {
		h.seq++ // a number that nobody will ever receive stands for those that are gone
		h.lost = h.seq
	}
	for i := range list {
		e := &list[i]
		h.seen = e.Seq
		h.event(EventState{seconds(e.At), e.Code, e.Text, e.By})
	}
}

// event numbers one event, keeps it and hands it out. The caller holds the lock.
func (h *hub) event(e EventState) {
	h.seq++
	m := message{h.seq, h.prepare(eventMessage{"event", h.seq, e})}
	// The ring is a slice that is moved down: 512 small structs, a few times a minute.
	if h.ring = append(h.ring, m); len(h.ring) > eventRing {
		h.lost = h.ring[0].seq
		h.ring = append(h.ring[:0], h.ring[1:]...)
	}
	for v := range h.viewers {
		v.offerEvent(m)
	}
}

// The messages as they are sent. seq is explained in streamDoc. The first one, hello, has the number after which the stream
// begins, so that a viewer can count from there.
type helloMessage struct {
	Type    string `json:"type"`
	Seq     uint64 `json:"seq"`
	BootID  string `json:"boot_id"`
	Version string `json:"version"`
	Resume  bool   `json:"resume"`
}

type stateMessage struct {
	Type  string `json:"type"`
	Seq   uint64 `json:"seq"`
	State State  `json:"state"`
}

type eventMessage struct {
	Type  string     `json:"type"`
	Seq   uint64     `json:"seq"`
	Event EventState `json:"event"`
}

// gapMessage names numbers that this viewer will not get. It carries the last of them as its own number.
type gapMessage struct {
	Type       string `json:"type"`
	Seq        uint64 `json:"seq"`
	From       uint64 `json:"from"`
	To         uint64 `json:"to"`
	EventsLost bool   `json:"events_lost"`
}

// prepare makes a message that any number of connections can send without encoding it again.
func (h *hub) prepare(v any) *websocket.PreparedMessage {
	text, err := json.Marshal(v)
	if err != nil { // strings and finite numbers only; a viewer would take it for silence, so it must be heard of
		h.s.log.Error("encode a message of the stream", zap.Error(err))
		text = []byte("{}")
	}
	m, err := websocket.NewPreparedMessage(websocket.TextMessage, text)
	if err != nil {
		h.s.log.Error("prepare a message of the stream", zap.Error(err))
	}
	return m
}
