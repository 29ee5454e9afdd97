package api

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"trivet/process/job"
	"trivet/station"
)

// folder keeps jobs in memory, as a store would.
type folder struct {
	jobs    []*job.Job
	damaged string // of every job
	failing error
}

func (f *folder) Jobs(context.Context, int) ([]*job.Job, error) { return f.jobs, f.failing }

func (f *folder) Job(_ context.Context, id string) (*job.Job, error) {
	for _, j := range f.jobs {
		if j.Opening.ID != id {
			continue
		}
		c := *j
		c.Events = append([]job.Event{}, j.Events...)
		if f.damaged != "" {
			return &c, station.ErrJobDamaged{ID: id, What: f.damaged}
		}
		return &c, f.failing
	}
	return nil, station.ErrNoJob{ID: id}
}

func (f *folder) OpenJob(ctx context.Context, j *job.Job) error {
	if _, err := f.Job(ctx, j.Opening.ID); err == nil {
		return station.ErrJobExists{ID: j.Opening.ID}
	}
	f.jobs = append(f.jobs, j)
	return nil
}

func (f *folder) AppendJob(_ context.Context, id string, seq int, e job.Event) error {
	for _, j := range f.jobs {
		if j.Opening.ID == id {
			if len(j.Events) != seq {
				return station.ErrJobMoved{ID: id, Has: len(j.Events)}
			}
			j.Events = append(j.Events, e)
			return nil
		}
	}
	return station.ErrNoJob{ID: id}
}

const opening = `{"id":"J-7","customer":"order 7","board":{"type":"controller"},"part":{"type":"processor","body":{"level":"3","thickness_mm":2.5}},"plan":["take_in","bake","remove","inspect"]}`

func withJobs(t *testing.T) (*Server, *folder, *desk) {
	t.Helper()
	f, d := &folder{}, newDesk(t)
	return newServer(t, d, func(o *Options) { o.Jobs = f }), f, d
}

// event sends an event behind the ones that there are.
func (f *folder) event(t *testing.T, s *Server, token, e string) (int, string, string) {
	t.Helper()
	return ask(t, s, as(token, request("POST", "/api/v1/jobs/J-7/events", fmt.Sprintf(`{"after":%d,"event":%s}`, len(f.jobs[0].Events), e))))
}

func TestAJobIsOpenedFollowedAndAsked(t *testing.T) {
	s, f, d := withJobs(t)
	if status, code, text := ask(t, s, request("POST", "/api/v1/jobs", opening)); status != http.StatusCreated {
		t.Fatalf("%d %s %s", status, code, text)
	}
	// A start for a step is refused while something is owed, and the reason and its source are in the answer.
	start := request("POST", "/api/v1/runs", `{"profile":"test-part","job":"J-7","step":"remove"}`)
	if _, code, text := ask(t, s, start); code != "job_owes" || !strings.Contains(text, "Take in comes first") {
		t.Errorf("%q: %s", code, text)
	}
	if _, n := d.counts(); n != 0 {
		t.Fatal("the station was told all the same")
	}
	for _, e := range []string{`{"kind":"done","step":"take_in","ok":true}`, `{"kind":"done","step":"bake","ok":true}`} {
		if status, _, text := f.event(t, s, tokenKim, e); status != http.StatusCreated {
			t.Fatalf("%s: %d %s", e, status, text)
		}
	}
	var v JobView
	_, _, text := ask(t, s, request("GET", "/api/v1/jobs/J-7", ""))
	if err := json.Unmarshal([]byte(text), &v); err != nil || strings.Contains(text, ":null") && !strings.Contains(text, `"at":null`) {
		t.Fatalf("%v: %s", err, text)
	}
	if len(v.Owed) != 2 || v.Owed[0].Step != job.Remove || v.Owed[0].Against[0].Rule != job.RuleChecklist || !v.Moisture.Limited {
		t.Errorf("%+v", v)
	}
	// The checklist is overruled: not by an operator, not without a reason, by a supervisor with one.
	over := `{"kind":"overruled","step":"remove","rule":"checklist","text":"%s"}`
	if _, code, _ := f.event(t, s, tokenKim, fmt.Sprintf(over, "no time")); code != "role_too_low" {
		t.Errorf("an operator overrules: %q", code)
	}
	if _, code, _ := f.event(t, s, tokenSam, fmt.Sprintf(over, "")); code != "bad_field" {
		t.Errorf("without a reason: %q", code)
	}
	if status, _, text := f.event(t, s, tokenSam, fmt.Sprintf(over, "a scrap board, for practice")); status != http.StatusCreated {
		t.Errorf("%d %s", status, text)
	}
	if status, code, text := ask(t, s, request("POST", "/api/v1/runs", `{"profile":"test-part","job":"J-7","step":"remove"}`)); status != http.StatusAccepted {
		t.Errorf("%d %s %s", status, code, text)
	}
	if o := d.done[0].Order; o.Job != "J-7" || o.Step != "remove" {
		t.Errorf("%+v", o)
	}
	_, _, text = ask(t, s, request("GET", "/api/v1/jobs", ""))
	if !strings.Contains(text, `"next":"Remove the part"`) {
		t.Errorf("%s", text)
	}
}

func TestEventsOfAJobComeInOneAfterTheOther(t *testing.T) {
	s, f, _ := withJobs(t)
	ask(t, s, request("POST", "/api/v1/jobs", opening))
	late := request("POST", "/api/v1/jobs/J-7/events", `{"after":3,"event":{"kind":"noted","text":"x"}}`)
	if _, code, _ := ask(t, s, late); code != "moved_on" {
		t.Errorf("%q", code)
	}
	if _, code, _ := f.event(t, s, tokenVic, `{"kind":"noted","text":"x"}`); code != "role_too_low" {
		t.Errorf("a viewer writes: %q", code)
	}
	if _, code, _ := f.event(t, s, tokenKim, `{"kind":"done","step":"remove","ok":true,"run":4}`); code != "bad_field" {
		t.Errorf("somebody names a run: %q", code)
	}
	if _, code, _ := f.event(t, s, tokenKim, `{"kind":"noted","text":"x","at":"2001-01-01T00:00:00Z","by":"Somebody Else"}`); code != "" || f.jobs[0].Events[0].By == "Somebody Else" || f.jobs[0].Events[0].At.Year() == 2001 {
		t.Errorf("%q: time and name are the station's: %+v", code, f.jobs[0].Events)
	}
}

// refusalsOfJobs provokes the problems that jobs have.
func refusalsOfJobs(t *testing.T) map[string]bool {
	t.Helper()
	seen := map[string]bool{}
	s, f, _ := withJobs(t)
	note := func(code string) { seen[code] = true }
	_, code, _ := ask(t, s, request("GET", "/api/v1/jobs/J-7", ""))
	note(code)
	ask(t, s, request("POST", "/api/v1/jobs", opening))
	_, code, _ = ask(t, s, request("POST", "/api/v1/jobs", opening))
	note(code)
	_, code, _ = ask(t, s, request("POST", "/api/v1/runs", `{"profile":"test-part","job":"J-7","step":"remove"}`))
	note(code)
	f.damaged = "event 1 is not as it was written"
	_, code, _ = f.event(t, s, tokenKim, `{"kind":"noted","text":"x"}`)
	note(code)
	f.damaged, f.failing = "", errors.New("the disk is gone")
	_, code, _ = ask(t, s, request("GET", "/api/v1/jobs/J-7", ""))
	note(code)
	return seen
}

// withFifth is a folder with a job under the number that the tests of all routes ask for.
func withFifth(t *testing.T) *folder {
	t.Helper()
	var o job.Opening
	if err := json.Unmarshal([]byte(opening), &o); err != nil {
		t.Fatal(err)
	}
	o.ID, o.By, o.At = "5", "Kim", time.Date(2026, 5, 4, 10, 0, 0, 0, time.UTC)
	j, err := job.Open(o)
	if err != nil {
		t.Fatal(err)
	}
	if err := j.Add(job.Event{At: o.At, By: "Kim", Kind: job.Noted, Text: "smells of flux"}); err != nil {
		t.Fatal(err)
	}
	return &folder{jobs: []*job.Job{j}}
}
