package api

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"trivet/process"
	"trivet/station"
)

func TestBadBodiesAreRefusedAndReachNobody(t *testing.T) {
	d := newDesk(t)
	s := newServer(t, d)
	good := `"profile":"test-part"`
	for name, c := range map[string]struct{ body, code string }{
		"nothing":                        {``, "bad_json"},
		"half an object":                 {`{"profile":`, "bad_json"},
		"two objects":                    {`{` + good + `}{}`, "bad_json"},
		"something behind":               {`{` + good + `} x`, "bad_json"},
		"not a number":                   {`{"profile":NaN}`, "bad_json"},
		"infinity":                       {`{"profile":Infinity}`, "bad_json"},
		"a comment":                      {`{` + good + `/* */}`, "bad_json"},
		"a name twice":                   {`{` + good + `,"profile":"other"}`, "bad_json"},
		"a name twice, further down":     {`{"part":{"a":1,"b":{"c":1,"c":2}}}`, "bad_json"},
		"bytes that are no text":         {"{\"profile\":\"\xff\xfe\"}", "bad_json"},
		"a name twice in other letters":  {`{` + good + `,"PROFILE":"other"}`, "bad_json"},
		"deep lists":                     {strings.Repeat(`[`, 100_000) + strings.Repeat(`]`, 100_000), "bad_json"},
		"deep objects":                   {strings.Repeat(`{"a":`, 20) + `1` + strings.Repeat(`}`, 20), "bad_json"},
		"a number beyond all":            {`{` + good + `,"part":1e999}`, "bad_json"},
		"two megabytes":                  {`{"profile":"` + strings.Repeat("x", 2<<20) + `"}`, "body_too_large"},
		"no profile":                     {`{}`, "bad_field"},
		"null":                           {`null`, "bad_field"},
		"a list":                         {`[]`, "bad_field"},
		"an unknown field":               {`{` + good + `,"max_c":500}`, "bad_field"},
		"a field in other letters":       {`{"Profile":"test-part"}`, "bad_json"},
		"a number for a name":            {`{"profile":7}`, "bad_field"},
		"an empty name":                  {`{"profile":""}`, "bad_field"},
		"a name without end":             {`{"profile":"` + strings.Repeat("x", 65) + `"}`, "bad_field"},
		"an unknown kind":                {`{` + good + `,"kind":"melting"}`, "bad_field"},
		"a name that turns the line":     {`{` + good + `,"by":"Kim\u202egnp"}`, "bad_field"},
		"a name nobody can see":          {`{` + good + `,"serial":"00\u200b42"}`, "bad_field"},
		"a line break in a name":         {`{` + good + `,"part":"U1\nU2"}`, "bad_field"},
		"half a character":               {`{` + good + `,"part":"\ud800"}`, "bad_field"},
		"a profile that is not there":    {`{"profile":"other"}`, "no_such_profile"},
		"a profile for another kind":     {`{` + good + `,"kind":"placement"}`, "wrong_kind"},
		"a profile that cannot be used":  {`{"profile":"broken"}`, "bad_profile"},
		"a path for a profile":           {`{"profile":"../../etc/passwd"}`, "no_such_profile"},
		"a profile with a name in quote": {`{"profile":"\"><script>"}`, "no_such_profile"},
	} {
		if status, code, text := ask(t, s, request("POST", "/api/v1/runs", c.body)); code != c.code {
			t.Errorf("%s: %d %q; want %q: %.200s", name, status, code, c.code, text)
		} else if len(text) > 2000 {
			t.Errorf("%s: the answer repeats the body: %d bytes", name, len(text))
		}
	}
	for _, body := range []string{`{"trip_id":-1}`, `{"trip_id":1.5}`, `{"trip_id":4294967296}`, `{"trip_id":"1"}`, `{"trip_id":1,"all":true}`} {
		if _, code, text := ask(t, s, request("POST", "/api/v1/reset", body)); code != "bad_field" {
			t.Errorf("reset %s: %q %s", body, code, text)
		}
	}
	if stops, commands := d.counts(); stops+commands != 0 {
		t.Errorf("%d commands and %d stops reached the station", commands, stops)
	}
}

func FuzzStrictDecodingAgreesWithTheStandardDecoderOrRefuses(f *testing.F) {
	for _, s := range []string{`{"a":1}`, `{"a":1,"a":2}`, `[[[]]]`, `nul`, "\xff", `1e999`, ` {} `} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		var strict, standard any
		if decodeStrict(data, &strict) != nil {
			return
		}
		if err := json.Unmarshal(data, &standard); err != nil {
			t.Fatalf("%q was taken, and the standard decoder says %v", data, err)
		}
		if fmt.Sprint(strict) != fmt.Sprint(standard) {
			t.Fatalf("%q: %v and %v", data, strict, standard)
		}
	})
}

func TestCommandsReachTheStationAsTheyWereGiven(t *testing.T) {
	for _, c := range []struct {
		path, body string
		want       station.Command
	}{
		{"/api/v1/hold", `{"by":" Kim "}`, station.Command{Event: station.Hold, By: "Kim"}},
		{"/api/v1/restart", `{}`, station.Command{Event: station.Restart, By: "Kim"}},
		{"/api/v1/confirm-lift", `{"by":"Kim"}`, station.Command{Event: station.Lifted, By: "Kim"}},
		{"/api/v1/reset", `{"trip_id":7,"by":"Kim"}`, station.Command{Event: station.Reset, TripID: 7, By: "Kim"}},
		{"/api/v1/reset", `{"by":"Kim"}`, station.Command{Event: station.Reset, By: "Kim"}},
		{"/api/v1/acknowledge", `{"code":"door","subject":2,"by":"Kim"}`, station.Command{Event: station.Acknowledge, Alarm: "door", Subject: 2, By: "Kim"}},
	} {
		d := newDesk(t)
		status, code, text := ask(t, newServer(t, d), request("POST", c.path, c.body))
		if status != http.StatusAccepted || text != "{\"accepted\":true,\"on_record\":false}\n" {
			t.Errorf("%s: %d %s %s", c.path, status, code, text)
		}
		if len(d.done) != 1 || d.done[0] != c.want {
			t.Errorf("%s: the station was told %+v; want %+v", c.path, d.done, c.want)
		}
	}
}

func TestAStartCarriesTheWholeOrder(t *testing.T) {
	d := newDesk(t)
	body := `{"profile":"test-part","kind":"removal","part":"U12","serial":"0042","proof":true,"by":"Kim"}`
	if status, _, text := ask(t, newServer(t, d), request("POST", "/api/v1/runs", body)); status != http.StatusAccepted {
		t.Fatalf("%d %s", status, text)
	}
	c := d.done[0]
	if c.Event != station.Start || c.By != "Kim" || c.Order == nil {
		t.Fatalf("%+v", c)
	}
	o := c.Order
	if o.Kind != process.Removal || o.Profile.Name != "test-part" || o.Part != "U12" || o.Serial != "0042" || o.By != "Kim" || o.Board != "panel 7" || !o.Proof {
		t.Errorf("%+v; want the order as given, with the board that lies on the machine", o)
	}
}

// TestEveryProblemCodeCanHappen provokes each code in the table, so that no row is decoration, and nothing is answered that
// the table does not explain.
func TestEveryProblemCodeCanHappen(t *testing.T) {
	seen := map[string]bool{}
	try := func(change func(d *desk), r *http.Request) {
		d := newDesk(t)
		if change != nil {
			change(d)
		}
		_, code, _ := ask(t, newServer(t, d), r)
		seen[code] = true
	}
	with := func(r *http.Request, change func(r *http.Request)) *http.Request { change(r); return r }
	start := `{"profile":"test-part"}`
	try(nil, with(request("GET", "/", ""), func(r *http.Request) { r.Host = "evil.example" }))
	try(nil, with(request("GET", "/", ""), func(r *http.Request) { r.Header.Set("Origin", "null") }))
	try(nil, with(request("POST", "/api/v1/runs", start), func(r *http.Request) { r.Header.Del("X-Trivet-Request") }))
	try(nil, with(request("POST", "/api/v1/runs", start), func(r *http.Request) { r.Header.Del("Content-Type") }))
	try(nil, request("GET", "/api/v1/nothing", ""))
	try(nil, request("POST", "/api/v1/state", "{}"))
	try(nil, request("POST", "/api/v1/runs", strings.Repeat(" ", 2<<20)))
	try(nil, request("POST", "/api/v1/runs", "{"))
	try(nil, request("POST", "/api/v1/runs", "{}"))
	try(nil, request("POST", "/api/v1/runs", `{"profile":"other"}`))
	try(nil, request("POST", "/api/v1/runs", `{"profile":"test-part","kind":"reball"}`))
	try(nil, request("POST", "/api/v1/runs", `{"profile":"broken"}`))
	try(nil, request("GET", "/api/v1/runs/77", ""))
	try(func(d *desk) { d.failing = errors.New("the disk is gone") }, request("GET", "/api/v1/runs/5", ""))
	try(func(d *desk) { d.panics = true }, request("GET", "/api/v1/runs", ""))
	try(nil, request("GET", streamPath, ""))
	for _, row := range problems[len(problems)-15:] {
		try(func(d *desk) { d.answer = &station.Refusal{Code: row.Code, What: "No."} }, request("POST", "/api/v1/runs", start))
	}
	for code := range refusalsOfPeople(t) {
		seen[code] = true
	}
	for code := range refusalsOfCommissioning(t) {
		seen[code] = true
	}
	for code := range refusalsOfJobs(t) {
		seen[code] = true
	}
	seen["body_too_slow"] = slowBody(t) == "body_too_slow"
	seen["too_many_viewers"] = oneTooMany(t) == "too_many_viewers"

	for _, p := range problems {
		if !seen[p.Code] {
			t.Errorf("nothing provoked %q", p.Code)
		}
		delete(seen, p.Code)
	}
	delete(seen, "")
	if len(seen) > 0 {
		t.Errorf("answered, but not in the table: %v", seen)
	}
}

// slowBody sends half a body and waits for what the server makes of it.
func slowBody(t *testing.T) string {
	addr := listen(t, newServer(t, newDesk(t)))
	c, err := net.Dial("tcp", addr)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	fmt.Fprintf(c, "POST /api/v1/hold HTTP/1.1\r\nHost: %s\r\nX-Trivet-Request: 1\r\nAuthorization: Bearer %s\r\nContent-Type: application/json\r\nContent-Length: 100\r\n\r\n{", addr, tokenKim)
	_ = c.SetReadDeadline(time.Now().Add(10 * time.Second))
	return problemOf(t, c)
}

func problemOf(t *testing.T, c net.Conn) string {
	t.Helper()
	resp, err := http.ReadResponse(bufio.NewReader(c), nil)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	var p Problem
	if err := json.NewDecoder(resp.Body).Decode(&p); err != nil {
		t.Fatal(err)
	}
	return p.Code
}

func oneTooMany(t *testing.T) string {
	addr := listen(t, newServer(t, newDesk(t)))
	for range maxViewers {
		defer dial(t, addr, "").Close()
	}
	_, resp, err := websocket.DefaultDialer.Dial("ws://"+addr+streamPath, nil)
	if err == nil {
		t.Fatal("let in")
	}
	text, _ := io.ReadAll(resp.Body)
	var p Problem
	if err := json.Unmarshal(text, &p); err != nil {
		t.Fatal(err)
	}
	return p.Code
}

func TestARefusalKeepsItsWords(t *testing.T) {
	d := newDesk(t)
	s := newServer(t, d)
	d.answer = &station.Refusal{Code: "not_ready", What: "No heat: the guard door is open.", Do: "Close it."}
	_, _, text := ask(t, s, request("POST", "/api/v1/runs", `{"profile":"test-part"}`))
	var p Problem
	if err := json.Unmarshal([]byte(text), &p); err != nil {
		t.Fatal(err)
	}
	if p.Status != 409 || p.Code != "not_ready" || p.Detail != "No heat: the guard door is open." || p.Do != "Close it." {
		t.Errorf("%+v", p)
	}
	d.answer = &station.Refusal{Code: "of_tomorrow", What: "Not on a Sunday."}
	if status, code, _ := ask(t, s, request("POST", "/api/v1/hold", `{}`)); status != 409 || code != "of_tomorrow" {
		t.Errorf("a refusal the table does not know: %d %q; want 409 and its own code", status, code)
	}
	d.answer = context.DeadlineExceeded
	if status, code, _ := ask(t, s, request("POST", "/api/v1/hold", `{}`)); status != 504 || code != "no_answer" {
		t.Errorf("a station that does not answer: %d %q", status, code)
	}
}

func TestTheTableOfProblemsIsServed(t *testing.T) {
	var got ProblemsView
	get(t, newServer(t, newDesk(t)), "/api/v1/problems", &got)
	if len(got.Problems) != len(problems) {
		t.Errorf("%d rows; want %d", len(got.Problems), len(problems))
	}
	codes := map[string]bool{}
	for _, p := range got.Problems {
		if codes[p.Code] || p.Title == "" || p.Status < 400 {
			t.Errorf("row %+v is incomplete or there twice", p)
		}
		codes[p.Code] = true
	}
}

func TestWrongParametersAreNamed(t *testing.T) {
	s := newServer(t, newDesk(t))
	for _, path := range []string{"/api/v1/runs?limit=0", "/api/v1/runs?limit=x", "/api/v1/runs?limit=1001", "/api/v1/runs?count=5", "/api/v1/runs/0", "/api/v1/runs/x",
		"/api/v1/runs/99999999999999999999", "/api/v1/trace?since_s=NaN", "/api/v1/trace?since_s=-1", "/api/v1/trace?since_s=Inf"} {
		if status, code, text := ask(t, s, request("GET", path, "")); code != "bad_field" {
			t.Errorf("%s: %d %q %s", path, status, code, text)
		}
	}
	addr := listen(t, s)
	for _, q := range []string{"?since=x&boot=b1", "?since=-1", "?since=1e3", "?since=99999999999999999999"} {
		_, resp, err := websocket.DefaultDialer.Dial("ws://"+addr+streamPath+q, nil)
		if err == nil || resp.StatusCode != http.StatusUnprocessableEntity {
			t.Errorf("%s: %v", q, resp)
		}
	}
}
