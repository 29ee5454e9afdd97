package api

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"trivet/station"
)

// refusalsOfPeople provokes each refusal that has to do with who asks, how often and how late.
func refusalsOfPeople(t *testing.T) map[string]bool {
	t.Helper()
	seen := map[string]bool{}
	c, keep := newClock(), newShelf()
	d := newDesk(t)
	s := newServer(t, d, func(o *Options) { o.Now, o.Pairings = c.now, keep })
	try := func(r *http.Request) {
		_, code, _ := ask(t, s, r)
		seen[code] = true
	}
	with := func(r *http.Request, name, value string) *http.Request { r.Header.Set(name, value); return r }
	hold := func() *http.Request { return request("POST", "/api/v1/hold", "{}") }
	far := request("GET", "/api/v1/state", "")
	far.RemoteAddr = "203.0.113.9:1000"
	try(far)
	try(as("", hold()))
	try(as(tokenVic, hold()))
	try(as(tokenOla, hold()))
	try(with(hold(), "Idempotency-Key", ""))
	try(with(hold(), "If-Match", `"b1-0"`))
	try(with(hold(), "Idempotency-Key", "the-same-key"))
	try(with(request("POST", "/api/v1/restart", "{}"), "Idempotency-Key", "the-same-key"))
	c.pass(time.Minute / 2)
	try(with(hold(), "X-Trivet-Seen", "0"))
	try(as(tokenOla, request("POST", "/api/v1/controls/ask", "{}")))
	try(as(tokenSam, request("POST", "/api/v1/controls/ask", "{}")))
	try(request("POST", "/api/v1/controls/answer", `{"to":"vic","give":true}`))
	try(as(tokenSam, request("DELETE", "/api/v1/pairings/none", "{}")))
	pair := func(code string) *http.Request {
		return as("", request("POST", "/api/v1/pairing", fmt.Sprintf(`{"code":%q,"name":"Lin","role":"viewer"}`, code)))
	}
	try(pair("1"))
	keep.failing = errors.New("the disk is full")
	try(pair(s.PairingCode()))
	keep.failing = nil
	for range maxPairings - len(keep.list) {
		try(pair(s.PairingCode()))
	}
	try(pair(s.PairingCode()))
	for range freeTries {
		try(pair("1"))
	}
	try(pair("1"))
	return seen
}

// whose are the credentials of the matrix.
type whose struct {
	name, token string
	role        Role
	holds       bool
}

// TestTheMatrixOfNamesPagesPeopleAndRoutes asks every route of the table, by every method, under names and from pages that are ours or
// not, as everybody there is, and holds the answer against what the table says. A route that is added is in it by itself.
func TestTheMatrixOfNamesPagesPeopleAndRoutes(t *testing.T) {
	d := newDesk(t)
	d.change(func(d *desk) { d.answer = &station.Refusal{Code: "not_now", What: "No."} }) // nothing is to change between two cells
	s := newServer(t, d)
	dead := newServer(t, d) // its tokens are good elsewhere only
	_, stolen, err := dead.people.pair(pairRequest{code: dead.people.code, name: "Lin", role: RoleSupervisor, source: "x"})
	if err != nil {
		t.Fatal(err)
	}
	people := []whose{{"nobody", "", "", false}, {"a viewer", tokenVic, RoleViewer, false}, {"an operator", tokenOla, RoleOperator, false},
		{"the holder", tokenKim, RoleOperator, true}, {"a supervisor", tokenSam, RoleSupervisor, false}, {"another station's supervisor", stolen, "", false},
		{"a token cut short", tokenSam[:len(tokenSam)-1], "", false}, {"an id for a token", "sam", "", false}, {"a hash for a token", hashOf(tokenSam), "", false}}
	hosts := map[string]bool{"localhost:8420": true, "127.0.0.1:8420": true, "bench.example": true, "evil.example:8420": false, "192.168.0.9:8420": false, "station.local:8420": false, "": false}
	origins := map[string]bool{"-": true, "http://localhost:8420": true, "http://bench.example": true, "http://evil.example:8420": false, "http://localhost:9999": false, "null": false, "file://": false}
	everybody := s.people.all()
	cells, let := 0, 0
	for _, route := range s.Routes() {
		if route.Needs == "" {
			t.Fatalf("%s %s asks nothing of anybody and is open to nobody: say in the table what it needs", route.Method, route.Path)
		}
		path := strings.ReplaceAll(route.Path, "{id}", "none")
		for _, method := range []string{"GET", "POST", "DELETE"} {
			if path == "/readyz" && method == "GET" {
				d.change(func(d *desk) { d.frozen = false })
			}
			for host, hostOK := range hosts {
				for origin, originOK := range origins {
					for _, who := range people {
						cells++
						// Rebinding: the page's own name was made to point here, so that Host and Origin agree.
						from := origin
						if !hostOK && originOK && origin != "-" && host != "" {
							from, originOK = "http://"+host, false
						}
						r := as(who.token, request(method, path, "{}"))
						r.Host = host
						if from != "-" {
							r.Header.Set("Origin", from)
						}
						if path == streamPath {
							r.Header.Set("Connection", "Upgrade")
						}
						_, orders := d.counts()
						w := httptest.NewRecorder()
						s.Handler().ServeHTTP(w, careful(s, r))
						var p Problem
						_ = json.Unmarshal(w.Body.Bytes(), &p)
						if want := expected(s, route, method, hostOK, originOK, who); !want(w.Code, p.Code) {
							t.Fatalf("%s %s, host %q, from %q, by %s: %d %q", method, path, host, from, who.name, w.Code, p.Code)
						}
						if _, now := d.counts(); now != orders {
							if let++; !hostOK || !originOK || who.role.rank() < RoleOperator.rank() {
								t.Fatalf("%s %s, host %q, from %q, by %s: the station was told", method, path, host, from, who.name)
							}
						}
						s.people.list = everybody // as it was
						s.people.publish()
						s.controls.takeOver("kim")
					}
				}
			}
		}
	}
	t.Logf("%d cells; the station was told %d times", cells, let)
	if cells < 20_000 || let == 0 {
		t.Errorf("%d cells, the station was told %d times: the matrix has holes", cells, let)
	}
}

// expected says which answers are right in one cell.
func expected(s *Server, route Route, method string, hostOK, originOK bool, who whose) func(status int, code string) bool {
	only := func(want string) func(int, string) bool { return func(_ int, code string) bool { return code == want } }
	path := route.Path
	switch {
	case !hostOK:
		return only("host_not_allowed")
	case !originOK:
		return only("origin_not_allowed")
	case path == stopPath && method == "POST":
		return func(status int, _ string) bool { return status == http.StatusOK }
	}
	needs, known := s.needs[method+" "+path]
	rank := who.role.rank()
	switch {
	case path == stopPath, !known:
		return func(status int, _ string) bool {
			return status == http.StatusMethodNotAllowed || status == http.StatusNotFound
		}
	case needs == AccessOpen, needs == AccessLook: // all of this comes from the station's own computer
		return func(_ int, code string) bool {
			return code != "not_paired" && code != "role_too_low" && code != "controls_elsewhere" && code != "look_not_allowed"
		}
	case rank == 0:
		return func(status int, code string) bool { return status == http.StatusUnauthorized && code == "not_paired" }
	case (needs == AccessSupervise || needs == AccessCommission) && rank < 3, needs != AccessPaired && rank < 2:
		return only("role_too_low")
	case (needs == AccessControls || needs == AccessCommission) && !who.holds:
		return only("controls_elsewhere")
	}
	return func(_ int, code string) bool {
		return code != "not_paired" && code != "role_too_low" && (code != "controls_elsewhere" || strings.HasSuffix(path, "/take"))
	}
}

func TestWhoMayLookDependsOnWhereTheyAre(t *testing.T) {
	for _, c := range []struct {
		looking          Looking
		here, near, away bool
	}{{"", true, true, false}, {LookNearby, true, true, false}, {LookPaired, false, false, false}, {LookEverybody, true, true, true}} {
		s := newServer(t, newDesk(t), func(o *Options) { o.Looking = c.looking })
		for remote, want := range map[string]bool{"127.0.0.1:1": c.here, "[::1]:1": c.here, "192.168.0.9:1": c.near, "10.1.2.3:1": c.near, "172.20.0.1:1": c.near, "[fd00::9]:1": c.near,
			"[fe80::9%eth0]:1": c.near, "[::ffff:192.168.0.9]:1": c.near, "203.0.113.9:1": c.away, "172.32.0.1:1": c.away, "[2001:db8::9]:1": c.away, "?": c.away, "192.168.0.9.evil.example:1": c.away} {
			for _, path := range []string{"/api/v1/state", "/api/v1/trace", "/api/v1/runs", "/api/v1/runs/5/samples.csv", "/metrics", "/readyz", streamPath} {
				r := request("GET", path, "")
				r.RemoteAddr = remote
				status, code, _ := ask(t, s, r)
				if let := code != "look_not_allowed"; let != want || !let && status != http.StatusUnauthorized {
					t.Errorf("looking %q: %s from %s: %d %q", c.looking, path, remote, status, code)
				}
				if _, code, _ := ask(t, s, as(tokenVic, r)); code == "look_not_allowed" {
					t.Errorf("looking %q: a paired viewer at %s does not see %s", c.looking, remote, path)
				}
			}
			stop := as("", request("POST", stopPath, ""))
			stop.RemoteAddr = remote
			if status, _, _ := ask(t, s, stop); status != http.StatusOK {
				t.Errorf("looking %q: Stop from %s answered %d", c.looking, remote, status)
			}
		}
	}
	if _, err := New(Options{Station: newDesk(t), Live: newDesk(t), Archive: newDesk(t), Profiles: catalogue{}, Looking: "friends"}); err == nil {
		t.Error("an unknown word was taken")
	}
}

func TestAProxyTakesNearnessAway(t *testing.T) {
	s := newServer(t, newDesk(t))
	for _, header := range []string{"Forwarded", "X-Forwarded-For", "X-Real-Ip", "Via"} {
		r := request("GET", "/api/v1/state", "")
		r.Header.Set(header, "for=192.168.0.9")
		for _, last := range []string{"127.0.0.1:50000", "192.168.0.2:50000"} { // a proxy here, or on the same network
			r.RemoteAddr = last
			if _, code, _ := ask(t, s, r); code != "look_not_allowed" {
				t.Errorf("%s from %s: %q", header, last, code)
			}
		}
		r = request("GET", "/api/v1/pairing", "")
		r.Header.Set(header, "for=192.168.0.9")
		if _, _, text := ask(t, s, r); strings.Contains(text, s.PairingCode()) {
			t.Errorf("%s: the code is shown through a proxy", header)
		}
	}
	// One that says nothing of itself is given away by the name it passes on.
	r := request("GET", "/api/v1/pairing", "")
	r.Host = "bench.example"
	if _, _, text := ask(t, s, r); strings.Contains(text, s.PairingCode()) {
		t.Error("the code is shown under a name that others know")
	}
	if _, _, text := ask(t, s, request("GET", "/api/v1/pairing", "")); !strings.Contains(text, s.PairingCode()) {
		t.Error("the code is not shown at the station itself")
	}
}

func TestTheCookieIsAsGoodAsTheHeaderAndOfNoUseToScriptsAndForeignPages(t *testing.T) {
	d := newDesk(t)
	s := newServer(t, d)
	r := as("", request("POST", "/api/v1/pairing", fmt.Sprintf(`{"code":%q,"name":"Lin","role":"operator"}`, s.PairingCode())))
	w := recorded(s, r)
	if w.Code != http.StatusCreated || strings.Contains(w.Body.String(), "token") {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	c := w.Result().Cookies()
	if len(c) != 1 || !c[0].HttpOnly || c[0].SameSite != http.SameSiteStrictMode || c[0].Path != "/" || c[0].Name != "trivet_pairing_8420" || len(c[0].Value) < 43 {
		t.Fatalf("%+v", c)
	}
	hold := as("", request("POST", "/api/v1/controls/take", "{}"))
	hold.AddCookie(c[0])
	if _, code, _ := ask(t, s, hold); code != "controls_elsewhere" { // Kim has them, so Lin is known
		t.Errorf("with the cookie: %q", code)
	}
	for _, wrong := range []string{"Bearer wrong", "Bearer", "Basic " + tokenSam, tokenSam, ""} {
		hold.Header.Set("Authorization", wrong)
		if _, code, _ := ask(t, s, hold); code != "not_paired" {
			t.Errorf("%q was taken, or fell back on the cookie: %q", wrong, code)
		}
	}
	hold.Header["Authorization"] = []string{"Bearer " + tokenSam, "Bearer " + tokenKim}
	if _, code, _ := ask(t, s, hold); code != "not_paired" {
		t.Errorf("two headers: %q", code)
	}
	left := as("", request("POST", "/api/v1/pairing/leave", "{}"))
	left.AddCookie(c[0])
	if w := recorded(s, left); w.Code != http.StatusOK || w.Result().Cookies()[0].MaxAge >= 0 {
		t.Errorf("%d %v", w.Code, w.Result().Cookies())
	}
	hold.Header.Del("Authorization")
	if _, code, _ := ask(t, s, hold); code != "not_paired" {
		t.Errorf("after leaving: %q", code)
	}
}

func TestAForeignPageGetsNoStream(t *testing.T) {
	addr := listen(t, newServer(t, newDesk(t)))
	for name, head := range map[string]http.Header{
		"another page":          {"Origin": {"http://evil.example"}},
		"a page without origin": {"Origin": {"null"}},
		"another port":          {"Origin": {"http://127.0.0.1:1"}},
		"a rebound name":        {"Origin": {"http://evil.example:8420"}, "Host": {"evil.example:8420"}},
	} {
		head.Set("Authorization", "Bearer "+tokenSam) // were it the cookie of somebody who may do everything
		_, resp, err := websocket.DefaultDialer.Dial("ws://"+addr+streamPath, head)
		if err == nil || resp == nil || resp.StatusCode != http.StatusForbidden {
			t.Errorf("%s: %v %v", name, err, resp)
		}
	}
	c, _, err := websocket.DefaultDialer.Dial("ws://"+addr+streamPath, http.Header{"Origin": {"http://" + addr}})
	if err != nil {
		t.Fatalf("our own page: %v", err)
	}
	c.Close()
}
