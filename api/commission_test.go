package api

import (
	"encoding/json"
	"errors"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"trivet/control/steptest"
	"trivet/safety"
	"trivet/station"
)

// findings stands in for what is kept of commissioning.
type findings struct {
	mu     sync.Mutex
	status station.CommissionStatus
	remind []station.Reminder
	tested []string
	by     string
	answer error
}

func (f *findings) Status() station.CommissionStatus { return f.status }
func (f *findings) Reminders() []station.Reminder    { return f.remind }
func (f *findings) RecordProofTest(by string, done []string) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.answer == nil {
		f.by, f.tested = by, done
	}
	return f.answer
}

func commissioned(t *testing.T, d *desk) (*Server, *findings) {
	f := &findings{status: station.CommissionStatus{Standing: safety.CommissionNever, Needed: true, Text: "No runs.", Do: "Test the inputs.", Now: "d"}}
	return newServer(t, d, func(o *Options) { o.Commissioning = f }), f
}

// refusalsOfCommissioning provokes each refusal that only commissioning gives.
func refusalsOfCommissioning(t *testing.T) map[string]bool {
	t.Helper()
	seen := map[string]bool{}
	try := func(s *Server) {
		_, code, _ := ask(t, s, as(tokenSam, request("POST", "/api/v1/commissioning/proof-test", `{"done":["door"]}`)))
		seen[code] = true
	}
	try(newServer(t, newDesk(t)))
	s, f := commissioned(t, newDesk(t))
	f.answer = &station.Refusal{Code: "not_complete", What: "The limiter is missing."}
	try(s)
	f.answer = errors.New("the disk is full")
	try(s)
	return seen
}

func look(t *testing.T, s *Server) (v CommissioningView) {
	t.Helper()
	_, _, text := ask(t, s, request("GET", "/api/v1/commissioning", ""))
	if err := json.Unmarshal([]byte(text), &v); err != nil {
		t.Fatalf("%v: %s", err, text)
	}
	if strings.Contains(text, ":null") {
		t.Errorf("something is null: %s", text)
	}
	return v
}

func TestACommissioningRunNeedsASupervisorWithTheControlsAndCare(t *testing.T) {
	d := newDesk(t)
	s, _ := commissioned(t, d)
	run := func() *http.Request { return request("POST", "/api/v1/commissioning/run", `{"by":"Sam at the panel"}`) }
	for token, want := range map[string]string{"": "not_paired", tokenVic: "role_too_low", tokenKim: "role_too_low", tokenOla: "role_too_low", tokenSam: "controls_elsewhere"} {
		if _, code, _ := ask(t, s, as(token, run())); code != want {
			t.Errorf("%q: %q; want %q", token, code, want)
		}
	}
	s.controls.takeOver("sam")
	for header, want := range map[string]string{"Idempotency-Key": "care_missing", "If-Match": "care_missing", "X-Trivet-Seen": "care_missing"} {
		r := as(tokenSam, run())
		r.Header.Set(header, "")
		if _, code, _ := ask(t, s, r); code != want {
			t.Errorf("without %s: %q", header, code)
		}
	}
	if _, n := d.counts(); n != 0 {
		t.Fatalf("the station was told %d times", n)
	}
	if status, _, text := ask(t, s, as(tokenSam, run())); status != http.StatusAccepted {
		t.Fatalf("%d %s", status, text)
	}
	c := d.done[0]
	if c.Event != station.Start || !c.Order.Commission || c.By != "Sam at the panel" || c.Order.By != c.By {
		t.Errorf("the station was told %+v, %+v", c, c.Order)
	}
}

func TestTheInputsAreTestedByWhoeverHoldsTheControls(t *testing.T) {
	d := newDesk(t)
	s, _ := commissioned(t, d)
	for body, want := range map[string]station.Command{`{"do":"begin"}`: {Inputs: station.InputsBegin}, `{"do":"skip"}`: {Inputs: station.InputsSkip},
		`{"do":"again","input":3}`: {Inputs: station.InputsAgain, Subject: 3}, `{"do":"end"}`: {Inputs: station.InputsEnd}} {
		if status, _, text := ask(t, s, request("POST", "/api/v1/commissioning/inputs", body)); status != http.StatusAccepted {
			t.Fatalf("%s: %d %s", body, status, text)
		}
		if got := d.done[len(d.done)-1]; got.Event != station.InputTest || got.Inputs != want.Inputs || got.Subject != want.Subject || got.By != "Kim" {
			t.Errorf("%s: %+v", body, got)
		}
	}
	for _, body := range []string{`{"do":"dance"}`, `{}`, `{"do":"again","input":-1}`, `{"do":"again","input":99}`} {
		if _, code, _ := ask(t, s, request("POST", "/api/v1/commissioning/inputs", body)); code != "bad_field" {
			t.Errorf("%s: %q", body, code)
		}
	}
}

func TestTheViewSaysWhatIsOwedAndWhatToDoNext(t *testing.T) {
	d := newDesk(t)
	s, f := commissioned(t, d)
	v := look(t, s)
	if v.Standing != "never" || !v.Needed || v.Text != "No runs." || v.Do == "" || len(v.Steps) != 6 || len(v.Inputs.List) != 1 || v.Inputs.List[0].State != "untried" {
		t.Errorf("%+v", v)
	}
	for _, x := range v.Steps {
		if x.State != "owed" || x.Title == "" {
			t.Errorf("%+v", x)
		}
	}
	d.change(func(d *desk) {
		n := &d.snap.Commission.Inputs
		n.Active, n.Ask, n.At, n.Open = true, steptest.AskOpen, 0, -1
	})
	if v = look(t, s); v.Steps[0].State != "active" || !strings.Contains(v.Inputs.Text, "open guard door") {
		t.Errorf("%+v, %+v", v.Steps[0], v.Inputs)
	}
	d.change(func(d *desk) {
		d.snap.Commission.Inputs = station.InputsNow{}
		d.snap.State, d.snap.Phase, d.snap.Run.Order = station.Running, station.PhaseCommission, station.CommissionOrder("Sam")
		d.snap.Commission.Step, d.snap.Commission.Heater, d.snap.Commission.Blower, d.snap.Commission.Left = steptest.Stepping, 1, -1, 90*time.Second
	})
	if v = look(t, s); !v.Run.Active || v.Run.Heater != "Deck" || v.Run.Left != 90 || v.Steps[5].State != "active" {
		t.Errorf("%+v, %+v", v.Run, v.Steps[5])
	}
	d.change(func(d *desk) { d.snap.State, d.snap.Phase = station.Complete, station.PhaseRunOn })
	at := time.Date(2031, 5, 1, 0, 0, 0, 0, time.UTC)
	f.status.Result = station.Commissioned{Digest: "d", AtUTC: at, InputsUTC: at, Inputs: []station.InputProven{{Name: "guard door", State: steptest.Wrong, Other: "fume hood"}},
		Findings: []station.CommissionFinding{{Code: "crossed", Text: "Upper head heats the deck.", Do: "Put it right."}}, ProofTestedUTC: at}
	v = look(t, s)
	if v.Steps[0].State != "faulty" || !strings.Contains(v.Steps[0].Text, "fume hood") || v.Steps[4].State != "faulty" || v.Steps[5].State != "owed" || v.ProofTest.Last == "" {
		t.Errorf("%+v", v.Steps)
	}
	f.status.Now = "another"
	if v = look(t, s); v.Steps[0].State != "owed" || v.Steps[4].State != "owed" {
		t.Errorf("what was proven of another machine file counts: %+v", v.Steps)
	}
}

func TestAProofTestIsRecordedByASupervisorAndRemindedOf(t *testing.T) {
	d := newDesk(t)
	s, f := commissioned(t, d)
	f.remind = []station.Reminder{{Code: "proof_test_due", Text: "It is due.", Do: "Do it."}}
	var state State
	_, _, text := ask(t, s, request("GET", "/api/v1/state", ""))
	if err := json.Unmarshal([]byte(text), &state); err != nil || len(state.Notices) != 1 || state.Notices[0].Code != "proof_test_due" {
		t.Errorf("%v, %+v", err, state.Notices)
	}
	order := func() *http.Request {
		return request("POST", "/api/v1/commissioning/proof-test", `{"done":["door","heartbeat","earth","rcd"],"by":"Ada"}`)
	}
	if _, code, _ := ask(t, s, order()); code != "role_too_low" {
		t.Errorf("an operator records it: %q", code)
	}
	if status, _, text := ask(t, s, as(tokenSam, order())); status != http.StatusOK || f.by != "Ada" || len(f.tested) != 4 {
		t.Errorf("%d %s, %+v", status, text, f.tested)
	}
	if v := look(t, s); len(v.ProofTest.List) != 4 {
		t.Errorf("a machine with a door and nothing else is to test %+v", v.ProofTest.List)
	}
}
