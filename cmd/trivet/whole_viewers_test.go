package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"time"

	"github.com/gorilla/websocket"
)

// viewer is somebody's screen: one that keeps up, one that is slow, or one that has gone to sleep and reads nothing.
type viewer struct {
	*life
	n    int
	rng  *rand.Rand
	dial *websocket.Dialer
	tape *stream
	boot string
	last uint64
}

func (l *life) newViewer(n int) *viewer {
	return &viewer{life: l, n: n, rng: l.draws(drawViewer + uint64(n) + uint64(l.n)<<32), tape: l.trace.stream(fmt.Sprintf("viewer %d", n)),
		dial: &websocket.Dialer{NetDialContext: l.net.dialer(source(n)), ReadBufferSize: 1 << 10, WriteBufferSize: 1 << 10}}
}

// watches comes and goes until the life ends.
func (v *viewer) watches(ctx context.Context) {
	for {
		v.wait(laneViewers + lane(v.n))
		if !asleep(ctx, time.Duration(v.rng.IntN(1500))*laneCycle) {
			return
		}
		v.once(ctx)
		v.trace.count("viewer connections")
	}
}

// once is one connection.
func (v *viewer) once(ctx context.Context) {
	url := "ws://" + wholeURL + "/api/v1/stream"
	if v.boot != "" && v.rng.IntN(2) == 0 {
		url += fmt.Sprintf("?since=%d&boot=%s", v.last, v.boot)
	}
	c, _, err := v.dial.DialContext(ctx, url, nil)
	if err != nil {
		v.tape.addf("%v refused", v.now())
		return
	}
	defer c.Close()
	began := v.now()
	stays := time.Duration(100+v.rng.IntN(6000)) * laneCycle
	pause, mute := time.Duration(0), false
	switch v.rng.IntN(5) {
	case 0:
		pause = time.Duration(2+v.rng.IntN(80)) * laneCycle
	case 1:
		mute = true
	}
	_ = c.SetReadDeadline(time.Now().Add(stays))
	for first := true; ; first = false {
		_, text, err := c.ReadMessage()
		if err != nil {
			v.tape.addf("%v gone: %v", v.now(), ended(err))
			return
		}
		v.message(text, first)
		if mute {
			asleep(ctx, stays)
			v.tape.addf("%v woke", v.now())
			v.trace.count("mute viewers")
			return
		}
		if pause > 0 && !asleep(ctx, pause) || v.now()-began > stays {
			return
		}
	}
}

// ended says how a connection ended, without what depends on the operating system.
func ended(err error) string {
	var c *websocket.CloseError
	if errors.As(err, &c) {
		return fmt.Sprint(c.Code)
	}
	var n net.Error
	if errors.As(err, &n) && n.Timeout() {
		return "left"
	}
	return "cut"
}

// message checks the numbers: each is received or named in a gap, and they only go up.
func (v *viewer) message(text []byte, first bool) {
	v.tape.add(text)
	v.trace.count("messages")
	var m struct {
		Type   string `json:"type"`
		Seq    uint64 `json:"seq"`
		From   uint64 `json:"from"`
		To     uint64 `json:"to"`
		BootID string `json:"boot_id"`
	}
	if err := json.Unmarshal(text, &m); err != nil {
		v.trace.violated("viewer %d: %v in %s", v.n, err, text)
		return
	}
	from := m.Seq
	switch {
	case first:
		if m.Type != "hello" {
			v.trace.violated("viewer %d: began with %s", v.n, text)
		}
		v.boot, v.last = m.BootID, m.Seq
		return
	case m.Type == "gap":
		v.trace.count("gaps")
		from = m.From
		if m.To != m.Seq || m.From > m.To {
			v.trace.violated("viewer %d: a gap from %d to %d under number %d", v.n, m.From, m.To, m.Seq)
		}
	}
	if from != v.last+1 {
		v.trace.violated("viewer %d: number %d (%s) after %d", v.n, from, m.Type, v.last)
	}
	v.last = m.Seq
}
