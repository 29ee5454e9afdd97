package api

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"
)

// pairFrom tries a code from an address and returns status, problem code and the whole answer.
func pairFrom(t testing.TB, s *Server, remote, code, name string) (int, string, string) {
	t.Helper()
	r := as("", request("POST", "/api/v1/pairing", fmt.Sprintf(`{"code":%q,"name":%q,"role":"operator","for":"program"}`, code, name)))
	r.RemoteAddr = remote
	return ask(t, s, r)
}

const (
	atBench   = "127.0.0.1:50000"
	elsewhere = "192.168.0.9:50000"
)

// wrongFor is a code of the right form that is not the present one.
func wrongFor(s *Server) string {
	if s.people.code == "00000000" {
		return "0000 0001"
	}
	return "0000 0000"
}

func TestTheCodePairsOnceAndWhoeverReadsItAloudIsUnderstood(t *testing.T) {
	var shownCodes []string
	s := newServer(t, newDesk(t), func(o *Options) { o.ShowCode = func(c string) { shownCodes = append(shownCodes, c) } })
	code := s.PairingCode()
	if len(shownCodes) != 1 || shownCodes[0] != code || len(code) != codeDigits+1 {
		t.Fatalf("the console shows %q, the page %q", shownCodes, code)
	}
	status, _, text := pairFrom(t, s, elsewhere, strings.ReplaceAll(" "+code, " ", "-"), "Lin")
	var got PairedView
	if err := json.Unmarshal([]byte(text), &got); err != nil || status != http.StatusCreated || got.You.Name != "Lin" || got.You.Role != "operator" || len(got.Token) < 43 {
		t.Fatalf("%d %s", status, text)
	}
	if _, problem, _ := pairFrom(t, s, elsewhere, code, "Lin"); problem != "wrong_code" {
		t.Errorf("the code works twice: %q", problem)
	}
	if len(shownCodes) != 2 || shownCodes[1] == code {
		t.Errorf("the console shows %q", shownCodes)
	}
	if _, ok := s.people.byToken(got.Token); !ok {
		t.Error("the token is not known")
	}
	if strings.Contains(fmt.Sprint(s.people.list), got.Token) {
		t.Error("the token itself is kept")
	}
}

func TestANameMustBeSomethingThatPeopleCanRead(t *testing.T) {
	s := newServer(t, newDesk(t))
	for _, name := range []string{"", "   ", "Kim\u202egnp", "Ki\u200bm", "Ki\nm", "\u00a0", strings.Repeat("x", 41)} {
		if _, code, text := pairFrom(t, s, atBench, s.PairingCode(), name); code != "bad_field" && code != "bad_json" {
			t.Errorf("%q: %q %s", name, code, text)
		}
	}
	if n := len(s.people.all()); n != 4 {
		t.Errorf("%d are paired", n)
	}
}

// TestGuessingIsSlowFromEverySourceAndTogetherAndNeverHoldsUpStop guesses as fast as it is let, for an hour, from one address and from a
// hundred.
func TestGuessingIsSlowFromEverySourceAndTogetherAndNeverHoldsUpStop(t *testing.T) {
	for name, c := range map[string]struct{ sources, most int }{
		"one source":                {1, 5 + 65},          // five, then one a minute
		"a hundred sources":         {100, allTries * 60}, // never more than twenty a minute
		"one machine's many IPv6es": {-100, 5 + 65},
	} {
		clock := newClock()
		s := newServer(t, newDesk(t), func(o *Options) { o.Now = clock.now })
		counted := 0
		for range 3600 {
			for i := range min(max(c.sources, -c.sources), 30) { // a hundred tries a second show nothing that thirty do not
				remote := fmt.Sprintf("192.168.0.%d:1", i)
				if c.sources < 0 {
					remote = fmt.Sprintf("[2001:db8::%x]:1", i+1)
				}
				_, _, err := s.people.pair(pairRequest{code: wrongFor(s), name: "Eve", role: RoleSupervisor, source: sourceOf(remote)})
				var p *Problem
				if !errors.As(err, &p) || p.Code != "wrong_code" && p.Code != "too_many_tries" {
					t.Fatalf("%s: %v", name, err)
				}
				if p.Code == "wrong_code" {
					counted++
				}
			}
			clock.pass(time.Second)
		}
		if counted > c.most {
			t.Errorf("%s: %d codes could be tried in an hour; at most %d", name, counted, c.most)
		}
		t.Logf("%s: %d codes tried in an hour", name, counted)
		stop := as("", request("POST", stopPath, ""))
		stop.RemoteAddr = "192.168.0.0:1"
		if status, _, _ := ask(t, s, stop); status != http.StatusOK {
			t.Errorf("%s: Stop answered %d", name, status)
		}
		if status, code, _ := pairFrom(t, s, atBench, s.PairingCode(), "Lin"); status != http.StatusCreated {
			t.Errorf("%s: the person at the panel cannot pair: %d %q", name, status, code)
		}
	}
}

func TestTooManyTriesSayHowLongToWait(t *testing.T) {
	clock := newClock()
	s := newServer(t, newDesk(t), func(o *Options) { o.Now = clock.now })
	var waits []string
	for len(waits) < 5 {
		status, code, text := pairFrom(t, s, elsewhere, wrongFor(s), "Eve")
		if code == "too_many_tries" {
			var p Problem
			_ = json.Unmarshal([]byte(text), &p)
			waits = append(waits, p.Do[:9])
			r := as("", request("GET", "/api/v1/pairing", ""))
			r.RemoteAddr = elsewhere
			var v PairingView
			_, _, text := ask(t, s, r)
			if err := json.Unmarshal([]byte(text), &v); err != nil || v.Wait <= 0 {
				t.Fatalf("%d: %s", status, text)
			}
			clock.pass(time.Duration(v.Wait * float64(time.Second)))
			if s.people.wait("192.168.0.9", false) > 0 {
				t.Fatal("the wait is longer than it says")
			}
		}
	}
	if got := strings.Join(waits, " "); got != "Wait 10 s Wait 20 s Wait 40 s Wait 60 s Wait 60 s" {
		t.Errorf("%s", got)
	}
	// The right code is no use while waiting, or guessing would go on.
	pairFrom(t, s, elsewhere, wrongFor(s), "Eve")
	if _, code, _ := pairFrom(t, s, elsewhere, s.PairingCode(), "Eve"); code != "too_many_tries" {
		t.Errorf("%q", code)
	}
}

func TestTheCodeChangesAfterWrongTriesButNotUnderSomebodysFingers(t *testing.T) {
	clock := newClock()
	s := newServer(t, newDesk(t), func(o *Options) { o.Now = clock.now })
	first := s.PairingCode()
	for i := range 2 * wrongBefore {
		pairFrom(t, s, fmt.Sprintf("192.168.0.%d:1", i), wrongFor(s), "Eve")
	}
	if s.PairingCode() != first {
		t.Error("it changed within its first minute")
	}
	clock.pass(codeLasts)
	pairFrom(t, s, "192.168.1.1:1", wrongFor(s), "Eve")
	if s.PairingCode() == first {
		t.Error("it is still the same")
	}
}

func TestSourcesThatGuessTakeBoundedMemory(t *testing.T) {
	var l tryLimit
	now := newClock().now()
	for i := range 3 * mostSources {
		l.wrong(fmt.Sprint(i), true, now.Add(time.Duration(i)*time.Millisecond))
	}
	if len(l.sources) > mostSources {
		t.Errorf("%d sources are remembered", len(l.sources))
	}
}

func TestPairingsThatCannotBeKeptAreNotGiven(t *testing.T) {
	keep := newShelf()
	s := newServer(t, newDesk(t), func(o *Options) { o.Pairings = keep })
	keep.failing = errors.New("the disk is full")
	if status, code, _ := pairFrom(t, s, atBench, s.PairingCode(), "Lin"); status != http.StatusServiceUnavailable || code != "pairings_not_kept" {
		t.Errorf("%d %q", status, code)
	}
	if n := len(s.people.all()); n != 4 {
		t.Errorf("%d are paired", n)
	}
	// Ending one is different: the token must be dead now, whatever becomes of the disk.
	if status, _, _ := ask(t, s, as(tokenSam, request("DELETE", "/api/v1/pairings/ola", "{}"))); status != http.StatusServiceUnavailable {
		t.Errorf("ending one: %d", status)
	}
	if _, code, _ := ask(t, s, as(tokenOla, request("POST", "/api/v1/controls/ask", "{}"))); code != "not_paired" {
		t.Errorf("a pairing that was ended: %q", code)
	}
	keep.failing = errors.New("the disk is gone")
	if _, err := New(Options{Station: newDesk(t), Live: newDesk(t), Archive: newDesk(t), Profiles: catalogue{}, Pairings: keep}); err == nil {
		t.Error("a server began without knowing who is paired")
	}
}

func TestAPairingThatSaysNothingWeKnowGivesNothing(t *testing.T) {
	keep := &shelf{list: []Pairing{{ID: "a", Name: "A", Role: "owner", Hash: hashOf("a")}, {ID: "b", Name: "B", Role: RoleSupervisor}, {Name: "C", Role: RoleSupervisor, Hash: hashOf("c")}}}
	s := newServer(t, newDesk(t), func(o *Options) { o.Pairings = keep })
	for _, token := range []string{"a", "", "c", hashOf("")} {
		if who, ok := s.people.byToken(token); ok {
			t.Errorf("%q is %+v", token, who)
		}
	}
}

func TestEveryAcceptedDeedIsOnRecordWithWhoAndWhereAndNoneThatWasRefused(t *testing.T) {
	var deeds []Deed
	d := newDesk(t)
	s := newServer(t, d, func(o *Options) { o.Audit = func(e Deed) *Receipt { deeds = append(deeds, e); return nil } })
	for _, o := range orders {
		r := request("POST", o.path, o.body)
		r.RemoteAddr = elsewhere
		ask(t, s, r)
	}
	ask(t, s, as(tokenVic, request("POST", "/api/v1/hold", "{}")))
	d.change(func(d *desk) { d.answer = errors.New("no") })
	ask(t, s, request("POST", "/api/v1/hold", "{}"))
	for range 5 { // one deed, however often it is pressed
		ask(t, s, as("", request("POST", stopPath, "")))
	}
	tell(t, s, tokenSam, "take-over", "{}")
	pairFrom(t, s, elsewhere, s.PairingCode(), "Lin")
	ask(t, s, as(tokenSam, request("DELETE", "/api/v1/pairings/vic", "{}")))
	var got []string
	for _, e := range deeds {
		got = append(got, strings.TrimSpace(fmt.Sprintf("%s %s %s", e.Code, e.Who, e.Source)))
		if e.Text == "" || e.At.IsZero() || e.Start != (e.Code == "command:start") || e.Who == "Kim" && (e.Role != RoleOperator || e.Pairing != "kim") {
			t.Errorf("%+v", e)
		}
	}
	want := `command:start Kim 192.168.0.9
command:hold Kim 192.168.0.9
command:restart Kim 192.168.0.9
command:confirm_lift Kim 192.168.0.9
command:reset Kim 192.168.0.9
command:acknowledge Kim 192.168.0.9
command:input_test Kim 192.168.0.9
command:stop a viewer at the station 127.0.0.1
controls:taken_over Sam 127.0.0.1
pairing:added Lin 192.168.0.9
pairing:ended Sam 127.0.0.1`
	if strings.Join(got, "\n") != want {
		t.Errorf("on record:\n%s\nwant:\n%s", strings.Join(got, "\n"), want)
	}
}
