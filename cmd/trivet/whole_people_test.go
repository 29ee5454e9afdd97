package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"

	"trivet/sim/catalog"
	"trivet/station"
)

const wholeURL = "127.0.0.1:8420"

// populate lets people in, viewers, a disk that breaks and a clock that somebody puts.
func (l *life) populate(ctx context.Context, people, viewers *sync.WaitGroup) {
	r := l.draws(drawStory + uint64(l.n)<<32 + 1)
	for i := range 2 + r.IntN(2) {
		people.Go(func() { l.newPerson(i).works() })
	}
	for i := range 2 + r.IntN(4) {
		viewers.Go(func() { l.newViewer(i).watches(ctx) })
	}
	viewers.Go(func() { l.breakDisk(ctx) })
	viewers.Go(func() { l.putWallClock(ctx) })
}

// person is a program that is paired and gives commands, sensible ones mostly.
type person struct {
	*life
	n       int
	rng     *rand.Rand
	client  *http.Client
	token   string
	tape    *stream
	last    *seen         // what was seen last
	before  *http.Request // the last command
	counted string        // key of the last command whose answer was counted as a deed
	body    string
	keys    int
}

// seen is what a person reads in a state.
type seen struct {
	Version string `json:"version"`
	Stamp   uint64 `json:"stamp_ms"`
	State   string `json:"state"`
	Phase   string `json:"phase"`
	TripID  uint32 `json:"trip_id"`
	Lift    struct {
		Open      bool `json:"open"`
		Confirmed bool `json:"confirmed"`
	} `json:"lift"`
	Allowed []string `json:"allowed_commands"`
	Alarms  []struct {
		Code    string `json:"code"`
		Subject int    `json:"subject"`
	} `json:"alarms"`
	Controls struct {
		Asking *struct {
			ID string `json:"id"`
		} `json:"asking"`
	} `json:"controls"`
}

// source is where somebody is: at the station's own computer, or elsewhere in the shop.
func source(n int) net.IP {
	if n%2 == 0 {
		return net.IPv4(127, 0, 0, 1)
	}
	return net.IPv4(192, 168, 0, byte(9+n))
}

func (l *life) newPerson(n int) *person {
	dial := l.net.dialer(source(n))
	return &person{life: l, n: n, rng: l.draws(drawPerson + uint64(n) + uint64(l.n)<<32), tape: l.trace.stream(fmt.Sprintf("person %d", n)),
		client: &http.Client{Transport: &http.Transport{DialContext: dial, DisableKeepAlives: true, DisableCompression: true}}}
}

// works gives commands until a few seconds before the life ends.
func (p *person) works() {
	for {
		p.wait(lanePeople + lane(p.n))
		time.Sleep(time.Duration(10+p.rng.ExpFloat64()*400) * laneCycle)
		if p.now() > p.until-7*time.Second {
			return
		}
		p.acts()
	}
}

func (p *person) name() string { return fmt.Sprintf("Person %d of life %d", p.n, p.life.n) }

func (p *person) acts() {
	if p.token == "" {
		p.pairs()
		return
	}
	if p.last = p.looks(); p.last == nil {
		return
	}
	dice := p.rng.IntN(100)
	may := func(command string) bool { return slices.Contains(p.last.Allowed, command) }
	switch {
	case p.last.Lift.Open && !p.last.Lift.Confirmed && dice < 60:
		p.commands("/api/v1/confirm-lift", "{}")
	case p.last.State == "held" && dice < 50:
		p.commands("/api/v1/restart", "{}")
	case dice < 45 && may("start"):
		p.starts()
	case dice < 45 && may("reset"):
		p.commands("/api/v1/reset", fmt.Sprintf(`{"trip_id":%d}`, p.last.TripID))
	case p.calm && dice < 70:
		p.says("GET", "/api/v1/forecast", "", nil)
	case dice < 40: // nothing to be done
	case dice < 48:
		p.commands("/api/v1/hold", "{}")
	case dice < 53:
		p.commands("/api/v1/restart", "{}")
	case dice < 55, dice < 62 && !station.State(p.last.State).Heats(): // often where it does no harm
		p.says("POST", "/api/v1/stop", "", nil)
	case dice < 66 && len(p.last.Alarms) > 0:
		a := p.last.Alarms[p.rng.IntN(len(p.last.Alarms))]
		p.commands("/api/v1/acknowledge", fmt.Sprintf(`{"code":%q,"subject":%d}`, a.Code, a.Subject))
	case dice < 74:
		p.minds()
	case dice < 84:
		p.errs()
	case dice < 86 && p.rng.IntN(3) == 0:
		if status, _ := p.says("POST", "/api/v1/pairing/leave", "{}", nil); status == http.StatusOK {
			p.token = ""
		}
	default:
		paths := []string{"/api/v1/runs", "/api/v1/trace", "/api/v1/pairings", "/api/v1/audit", "/api/v1/runs/1", "/api/v1/runs/1/samples.csv", "/metrics", "/readyz", "/api/v1/forecast"}
		p.says("GET", paths[p.rng.IntN(len(paths))], "", nil)
	}
}

// pairs types the code that stands on the station's console.
func (p *person) pairs() {
	code := p.server.PairingCode()
	if p.rng.IntN(5) == 0 {
		code = "0000 0000"
	}
	role := []string{"operator", "supervisor", "supervisor", "viewer"}[p.rng.IntN(4)]
	_, text := p.says("POST", "/api/v1/pairing", fmt.Sprintf(`{"code":%q,"name":%q,"role":%q,"for":"program"}`, code, p.name(), role), nil)
	var me struct {
		Token string `json:"token"`
	}
	_ = json.Unmarshal(text, &me) // a refusal has none
	p.token = me.Token
}

func (p *person) looks() *seen {
	_, text := p.says("GET", "/api/v1/state", "", nil)
	var s seen
	if err := json.Unmarshal(text, &s); err != nil || s.Version == "" {
		return nil
	}
	if !slices.Contains(s.Allowed, "stop") {
		p.trace.violated("life %d: person %d may not stop: %s", p.life.n, p.n, text)
	}
	return &s
}

func (p *person) starts() {
	list := catalog.Profiles()
	p.commands("/api/v1/runs", fmt.Sprintf(`{"profile":%q,"proof":%v,"serial":"%d"}`, list[p.rng.IntN(len(list))], p.rng.IntN(4) == 0, p.rng.IntN(1000)))
}

// minds deals with who has the controls.
func (p *person) minds() {
	if a := p.last.Controls.Asking; a != nil && p.rng.IntN(2) == 0 {
		p.says("POST", "/api/v1/controls/answer", fmt.Sprintf(`{"to":%q,"give":%v}`, a.ID, p.rng.IntN(2) == 0), nil)
		return
	}
	p.says("POST", "/api/v1/controls/"+[]string{"take", "ask", "release", "take-over"}[p.rng.IntN(4)], "{}", nil)
}

// errs gives a command that must not be carried out, or not once more.
func (p *person) errs() {
	switch p.rng.IntN(4) {
	case 0: // once more
		if p.before != nil {
			p.trace.count("repeated commands")
			p.says("POST", p.before.URL.Path, p.body, p.before.Header.Clone())
		}
	case 1: // too late
		time.Sleep(6 * time.Second)
		p.commands("/api/v1/hold", "{}")
	case 2:
		p.commands("/api/v1/reset", fmt.Sprintf(`{"trip_id":%d}`, 1+p.rng.IntN(5)))
	case 3:
		p.says("POST", "/api/v1/hold", "{}", nil)
	}
}

// commands gives a command with everything that it must carry.
func (p *person) commands(path, body string) {
	p.keys++
	h := http.Header{}
	h.Set("Idempotency-Key", fmt.Sprintf("key-%d-%d-%d", p.life.n, p.n, p.keys))
	h.Set("If-Match", `"`+p.last.Version+`"`)
	h.Set("X-Trivet-Seen", fmt.Sprint(p.last.Stamp))
	p.before = &http.Request{URL: p.url(path), Header: h}
	p.body = body
	status, _ := p.says("POST", path, body, h)
	p.trace.count(fmt.Sprintf("command %s: %d", path, status))
}

// isOnDisk notes that an answer said that its deed is on record, and looks whether it lies on the disk at this moment: beside the memory that
// goes on when the disk fails, and not at the end, when all is paid.
func (p *person) isOnDisk(path string, again bool) {
	p.durable.Lock()
	defer p.durable.Unlock()
	if !again {
		p.onDisk[p.name()]++
	}
	runs, err := p.db.Runs(context.Background(), 1000)
	if err != nil {
		return // the disk fails just now; it is asked once more at the end
	}
	n := 0
	for i := range len(runs) + 1 {
		var id int64 // 0 is the station
		if i < len(runs) {
			id = runs[i].Head.ID
		}
		list, err := p.db.Events(context.Background(), id)
		if err != nil {
			return
		}
		for _, e := range list {
			if deedOnRecord(e) && e.By == p.name() {
				n++
			}
		}
	}
	p.trace.count("deeds looked up at once")
	if n < p.onDisk[p.name()] {
		p.trace.violated("life %d: %s was answered to be on record, and only %d of %d deeds of %s are on the disk", p.life.n, path, n, p.onDisk[p.name()], p.name())
	}
}

// deedOnRecord reports whether an event is a deed whose answer says whether it is on record. Stop's does not, and neither does that of pairing.
func deedOnRecord(e station.RunEvent) bool {
	kind, _, _ := strings.Cut(e.Code, ":")
	return kind == "command" && e.Code != "command:stop" || kind == "controls" && e.Code != "controls:lapsed" || e.Code == "pairing:ended"
}

// says makes one request and puts the answer into the trace.
func (p *person) says(method, path, body string, h http.Header) (status int, text []byte) {
	if h == nil {
		h = http.Header{}
	}
	h.Set("Content-Type", "application/json")
	h.Set("X-Trivet-Request", "1")
	if p.token != "" {
		h.Set("Authorization", "Bearer "+p.token)
	}
	req := &http.Request{Method: method, URL: p.url(path), Host: wholeURL, Header: h, Body: io.NopCloser(strings.NewReader(body)), ContentLength: int64(len(body))}
	asked := p.now()
	res, err := p.client.Do(req)
	if err != nil {
		p.trace.violated("life %d: person %d: %s %s: %v", p.life.n, p.n, method, path, err)
		return 0, nil
	}
	defer res.Body.Close()
	if text, err = io.ReadAll(res.Body); err != nil {
		p.tape.addf("%v %v %s %s: %d, broken off", asked, p.now(), method, path, res.StatusCode)
		return res.StatusCode, nil
	}
	if res.StatusCode >= 500 && res.StatusCode != http.StatusServiceUnavailable && path != "/readyz" {
		p.trace.count(fmt.Sprintf("status %d of %s", res.StatusCode, path))
	}
	p.trace.count("answers")
	if method == http.MethodPost && bytes.Contains(text, []byte(`"on_record":true`)) {
		// A repeated command gets the first answer again and is no second deed; its first one must be there all the same.
		key := h.Get("Idempotency-Key")
		p.isOnDisk(path, key != "" && key == p.counted)
		if key != "" {
			p.counted = key
		}
	}
	shown := text
	switch {
	case path == "/metrics": // of the process as well, whose memory is nobody's business here
		shown = nil
	case len(text) > 8<<10:
		sum := sha256.Sum256(withoutLabels(text))
		shown = sum[:]
	}
	p.tape.add(fmt.Appendf(nil, "%v %v %s %s %s: %d %s", asked, p.now(), method, path, body, res.StatusCode, bytes.TrimSpace(shown)))
	return res.StatusCode, text
}
