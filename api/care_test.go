package api

import (
	"fmt"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"trivet/station"
)

// orders are a command of each kind that moves heat, as they are given.
var orders = []struct{ path, body string }{{"/api/v1/runs", `{"profile":"test-part"}`}, {"/api/v1/hold", `{}`}, {"/api/v1/restart", `{}`}, {"/api/v1/confirm-lift", `{}`},
	{"/api/v1/reset", `{"trip_id":3}`}, {"/api/v1/acknowledge", `{"code":"door"}`}, {"/api/v1/commissioning/inputs", `{"do":"begin"}`}}

// TestEveryRouteThatCommandsHasCare finds out whether a route that reaches the station was added without it.
func TestEveryRouteThatCommandsHasCare(t *testing.T) {
	known := map[string]bool{}
	for _, o := range orders {
		known[o.path] = true
	}
	for _, r := range newServer(t, newDesk(t)).Routes() {
		if r.Path == "/api/v1/commissioning/run" || r.Path == "/api/v1/commissioning/proof-test" {
			continue // a supervisor's: commission_test.go
		}
		if strings.HasPrefix(r.Path, "/api/v1/jobs") {
			continue // moves nothing; what comes late or twice is refused by the number of events: jobs_test.go
		}
		if r.Commands && !known[r.Path] && !strings.HasPrefix(r.Path, "/api/v1/pairing") && !strings.HasPrefix(r.Path, "/api/v1/controls/") {
			t.Errorf("%s %s is not among the commands these tests try", r.Method, r.Path)
		}
	}
}

func TestACommandWithoutCareIsNotCarriedOut(t *testing.T) {
	d := newDesk(t)
	s := newServer(t, d)
	for _, o := range orders {
		for header, values := range map[string]map[string]string{
			"Idempotency-Key": {"": "care_missing", "short": "bad_field", strings.Repeat("x", 65): "bad_field", "a key with spaces": "bad_field", "ключ-ключ-ключ": "bad_field"},
			"If-Match":        {"": "care_missing", "*": "moved_on", `"b0-1"`: "moved_on", `W/"b1-1"`: "moved_on", `"b1-1","b1-2"`: "moved_on"},
			"X-Trivet-Seen":   {"": "care_missing", "-1": "bad_field", "99999999999": "bad_field", "1e3": "bad_field", "now": "bad_field", "0x1": "bad_field"},
		} {
			for value, want := range values {
				r := request("POST", o.path, o.body)
				r.Header.Set(header, value)
				if _, code, text := ask(t, s, r); code != want {
					t.Errorf("%s with %s %q: %q; want %q: %s", o.path, header, value, code, want, text)
				}
			}
		}
	}
	if _, n := d.counts(); n != 0 {
		t.Errorf("the station was told %d times", n)
	}
}

func TestARepeatedCommandIsCarriedOutOnceAndGetsTheFirstAnswer(t *testing.T) {
	for _, refused := range []error{nil, &station.Refusal{Code: "not_now", What: "Not now."}} {
		for i, o := range orders {
			d := newDesk(t)
			s := newServer(t, d)
			d.answer = refused
			key := fmt.Sprintf("the-same-key-%d", i)
			give := func() (int, string) {
				r := request("POST", o.path, o.body)
				r.Header.Set("Idempotency-Key", key)
				status, _, text := ask(t, s, r)
				return status, text
			}
			first, text := give()
			d.change(func(d *desk) { d.answer = &station.Refusal{Code: "tripped", What: "By now something else is wrong."} })
			d.change(func(d *desk) { d.snap.State = station.Aborted }) // and the machine has moved on
			for range 3 {
				if status, again := give(); status != first || again != text {
					t.Errorf("%s: first %d %s, again %d %s", o.path, first, text, status, again)
				}
			}
			if _, n := d.counts(); n != 1 {
				t.Errorf("%s was carried out %d times", o.path, n)
			}
		}
	}
}

func TestAKeyBelongsToOneCommandOfOnePerson(t *testing.T) {
	d := newDesk(t)
	s := newServer(t, d)
	give := func(token, path, body string) string {
		r := as(token, request("POST", path, body))
		r.Header.Set("Idempotency-Key", "the-same-key")
		_, code, _ := ask(t, s, r)
		return code
	}
	if code := give(tokenKim, "/api/v1/runs", `{"profile":"test-part","serial":"1"}`); code != "" {
		t.Fatal(code)
	}
	if code := give(tokenKim, "/api/v1/runs", `{"profile":"test-part","serial":"2"}`); code != "key_used" {
		t.Errorf("another order: %q", code)
	}
	if code := give(tokenKim, "/api/v1/hold", `{}`); code != "key_used" {
		t.Errorf("another command: %q", code)
	}
	s.controls.takeOver("ola")
	if code := give(tokenOla, "/api/v1/hold", `{}`); code != "" {
		t.Errorf("somebody else's command with the same key: %q", code)
	}
	if code := give(tokenKim, "/api/v1/runs", `{"profile":"test-part","serial":"1"}`); code != "controls_elsewhere" {
		t.Errorf("a repetition by somebody who has lost the controls: %q", code)
	}
}

func TestTheSameCommandTwiceAtOnceIsOneCommand(t *testing.T) {
	d := newDesk(t)
	s := newServer(t, d)
	var all sync.WaitGroup
	for range 20 {
		r := request("POST", "/api/v1/runs", `{"profile":"test-part"}`)
		r.Header.Set("Idempotency-Key", "the-same-key")
		careful(s, r)
		all.Go(func() {
			if w := recorded(s, r); w.Code != http.StatusAccepted {
				t.Errorf("%d %s", w.Code, w.Body)
			}
		})
	}
	all.Wait()
	if _, n := d.counts(); n != 1 {
		t.Errorf("carried out %d times", n)
	}
}

func TestACommandThatComesLateIsRefused(t *testing.T) {
	c, d := newClock(), newDesk(t)
	s := newServer(t, d, func(o *Options) { o.Now = c.now })
	for _, o := range orders {
		for age, want := range map[time.Duration]string{0: "", freshFor: "", freshFor + time.Millisecond: "too_old", time.Hour: "too_old"} {
			s.controls.takeOver("kim")
			r := careful(s, request("POST", o.path, o.body))
			c.pass(age)
			s.controls.takeOver("kim") // an hour without a sign of life is another refusal
			if _, code, _ := ask(t, s, r); code != want {
				t.Errorf("%s, %v old: %q; want %q", o.path, age, code, want)
			}
		}
	}
}

// What a person decides by is what they saw. Each change of that kind, between looking and pressing, refuses the command.
func TestACommandForAMachineThatHasMovedOnIsRefused(t *testing.T) {
	for name, change := range map[string]func(d *desk){
		"another run":       func(d *desk) { d.snap.Run.Order = &station.RunOrder{} },
		"the run ended":     func(d *desk) { d.snap.State = station.Aborted },
		"it was held":       func(d *desk) { d.snap.State = station.Held },
		"a trip":            func(d *desk) { d.snap.Alarms[0].TripID, d.snap.NAlarms = 9, 1 },
		"the forecast":      func(d *desk) { d.snap.NoGo = true },
		"the window opened": func(d *desk) { d.snap.Lift.Open = true },
	} {
		d := newDesk(t)
		d.running(t)
		s := newServer(t, d)
		for _, o := range orders {
			r := careful(s, request("POST", o.path, o.body))
			before := d.snap
			d.change(change)
			if status, code, text := ask(t, s, r); status != http.StatusPreconditionFailed || code != "moved_on" || !strings.Contains(text, `"do":`) {
				t.Errorf("%s, %s: %d %q", name, o.path, status, code)
			}
			d.change(func(d *desk) { seq := d.snap.Seq; d.snap = before; d.snap.Seq = seq })
		}
		if _, n := d.counts(); n != 0 {
			t.Errorf("%s: the station was told %d times", name, n)
		}
	}
}

func TestWhatMovesAllTheTimeDoesNotMakeACommandStale(t *testing.T) {
	d := newDesk(t)
	d.running(t)
	s := newServer(t, d)
	r := careful(s, request("POST", "/api/v1/hold", "{}"))
	d.change(func(d *desk) {
		d.snap.Seq += 20
		d.snap.Run.Elapsed += 2 * time.Second
		d.snap.State = station.Restarting // passes by itself
		d.snap.NAlarms = 1                // an alarm that cuts nothing off
	})
	if _, code, text := ask(t, s, r); code != "" {
		t.Errorf("%q %s", code, text)
	}
}

func TestASnapshotThatComesLateDoesNotLookLikeAChange(t *testing.T) {
	var v versions
	idle, running := &station.Snapshot{Seq: 7, State: station.Idle}, &station.Snapshot{Seq: 8, State: station.Running}
	a, b := v.of(idle), v.of(running)
	if c := v.of(idle); a == b || c != b {
		t.Errorf("versions %d, %d, and for the old snapshot %d", a, b, c)
	}
}

func TestRememberedAnswersAreBoundedAndYoungOnesAreNeverPushedOut(t *testing.T) {
	var a answers
	now := newClock().now()
	for i := range mostKept {
		if !a.room(now) {
			t.Fatalf("no room after %d", i)
		}
		a.list = append(a.list, kept{at: now})
	}
	if a.room(now.Add(freshFor)) {
		t.Error("an answer whose command could still be repeated was forgotten")
	}
	if !a.room(now.Add(freshFor+1)) || len(a.list) >= mostKept {
		t.Error("no room although none can be repeated any more")
	}
	if a.room(now.Add(keptFor)); len(a.list) != 0 {
		t.Errorf("%d are kept for ever", len(a.list))
	}
}
