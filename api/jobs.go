package api

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"trivet/process/job"
	"trivet/process/moisture"
	"trivet/station"
)

// JobHead is one line of the list of jobs.
type JobHead struct {
	ID       string    `json:"id"`
	Opened   time.Time `json:"opened_utc"`
	Customer string    `json:"customer"`
	Board    string    `json:"board"`
	Serial   string    `json:"board_serial"`
	Part     string    `json:"part"`
	Events   int       `json:"events"`
	Next     string    `json:"next" doc:"What comes next, in words; empty: nothing is owed"`
	NextStep string    `json:"next_step"`
	Against  int       `json:"against" doc:"How many rules stand against it now"`
}

// JobView is one job with what follows from it.
type JobView struct {
	Job       *job.Job               `json:"job"`
	Owed      []job.Owed             `json:"owed" nullable:"false"`
	Checklist map[string][]job.Point `json:"checklists" nullable:"false" doc:"By step"`
	Moisture  MoistureView           `json:"moisture"`
	Board     int                    `json:"board_reflows"`
	Part      int                    `json:"part_reflows"`
	Damaged   string                 `json:"damaged" doc:"What of the record is not as it was written; then nothing is added any more"`
}

// MoistureView is how the part stands.
type MoistureView struct {
	Limited bool            `json:"limited"`
	Expired bool            `json:"expired"`
	Used    float64         `json:"used_h" doc:"Of its floor life, as if spent at 30 °C and 60 %RH"`
	Left    float64         `json:"left_h"`
	Over    float64         `json:"over_h"`
	Bakes   []moisture.Bake `json:"bakes" nullable:"false" doc:"One of which is owed"`
	Notes   []string        `json:"notes" nullable:"false" doc:"What was assumed, and whose figures these are"`
}

// JobOpening is what a job is opened with. The time and the name are the station's.
type JobOpening struct {
	ID       string     `json:"id" minLength:"1" maxLength:"40" pattern:"^[A-Za-z0-9._-]+$"`
	Customer string     `json:"customer,omitempty" maxLength:"120"`
	Symptoms string     `json:"symptoms,omitempty" maxLength:"4000"`
	Board    job.Board  `json:"board"`
	Part     job.Part   `json:"part"`
	Plan     []job.Step `json:"plan" minItems:"1" maxItems:"8" nullable:"false"`
	By
}

// JobEvent is an event as it is sent: the fields of job.Event, and behind how many events it belongs.
type JobEvent struct {
	After int       `json:"after" minimum:"0" maximum:"2000" doc:"How many events the job had when it was looked at"`
	Event job.Event `json:"event"`
	By
}

func (s *Server) registerJobs(a huma.API) {
	operation(s, a, "GET", "/api/v1/jobs", "jobs", "Jobs, newest first, each with what comes next", AccessLook,
		func(ctx context.Context, in *struct {
			Limit int `query:"limit" default:"100" minimum:"1" maximum:"500"`
		}) (*body[[]JobHead], error) {
			list, err := s.jobs(ctx, in.Limit)
			return &body[[]JobHead]{list}, err
		})
	operation(s, a, "GET", "/api/v1/jobs/{id}", "job", "One job: its events, what is owed, its checklists, how moist the part is", AccessLook,
		func(ctx context.Context, in *struct {
			ID string `path:"id" maxLength:"40"`
		}) (*body[JobView], error) {
			j, damaged, err := s.job(ctx, in.ID)
			if err != nil {
				return nil, err
			}
			return &body[JobView]{s.jobView(j, damaged)}, nil
		})
	made := func(op *huma.Operation) { op.DefaultStatus = http.StatusCreated }
	operation(s, a, "POST", "/api/v1/jobs", "job_open", "Open a job", AccessOperate, s.openJob, made)
	operation(s, a, "POST", "/api/v1/jobs/{id}/events", "job_event", "Add an event to a job. To overrule a rule takes a supervisor and a reason.", AccessOperate, s.addToJob, made)
}

// jobs lists them.
func (s *Server) jobs(ctx context.Context, limit int) ([]JobHead, error) {
	if s.o.Jobs == nil {
		return []JobHead{}, nil
	}
	list, err := s.o.Jobs.Jobs(ctx, limit)
	if err != nil {
		return nil, problem("archive_failed", "The jobs cannot be read.")
	}
	out := make([]JobHead, 0, len(list))
	for _, j := range list {
		o := &j.Opening
		h := JobHead{ID: o.ID, Opened: o.At, Customer: o.Customer, Board: o.Board.Type, Serial: o.Board.Serial, Part: o.Part.Type, Events: len(j.Events)}
		if owed := j.Owed(s.o.Now()); len(owed) > 0 {
			h.Next, h.NextStep, h.Against = owed[0].Title, string(owed[0].Step), len(owed[0].Against)
		}
		out = append(out, h)
	}
	return out, nil
}

// job reads one. A damaged one is read as far as it holds.
func (s *Server) job(ctx context.Context, id string) (j *job.Job, damaged string, err error) {
	if s.o.Jobs == nil {
		return nil, "", problem("no_such_job", "This station keeps no jobs.")
	}
	j, err = s.o.Jobs.Job(ctx, id)
	var none station.ErrNoJob
	var bad station.ErrJobDamaged
	switch {
	case errors.As(err, &none):
		return nil, "", problem("no_such_job", fmt.Sprintf("There is no job %q.", id))
	case errors.As(err, &bad) && j != nil:
		return j, bad.What, nil
	case err != nil:
		return nil, "", problem("archive_failed", "The job cannot be read.")
	}
	return j, "", nil
}

func (s *Server) jobView(j *job.Job, damaged string) JobView {
	now := s.o.Now()
	v := JobView{Job: j, Owed: j.Owed(now), Checklist: map[string][]job.Point{}, Damaged: damaged}
	fill(&v.Owed)
	for _, step := range j.Opening.Plan {
		if list := j.Checklist(step); len(list) > 0 {
			v.Checklist[string(step)] = list
		}
	}
	v.Board, v.Part = j.Reflows()
	m, err := j.Moisture(now)
	if err != nil {
		m.Notes = append(m.Notes, err.Error())
	}
	v.Moisture = MoistureView{Limited: m.Limited, Expired: m.Expired, Used: m.Used.Hours(), Left: m.Left.Hours(), Over: m.Over.Hours(), Bakes: m.Bakes, Notes: m.Notes}
	fill(&v.Moisture.Bakes)
	fill(&v.Moisture.Notes)
	return v
}

// named is who does it: the name given, or that of the pairing.
func (s *Server) named(ctx context.Context, by By) (string, error) {
	name, err := cleanText("by", by.By)
	if err == nil && name == "" {
		v := visitorOf(ctx)
		name = v.name()
	}
	return name, err
}

func (s *Server) openJob(ctx context.Context, in *struct{ Body JobOpening }) (*body[JobView], error) {
	if s.o.Jobs == nil {
		return nil, problem("archive_failed", "This station keeps no jobs.")
	}
	name, err := s.named(ctx, in.Body.By)
	if err != nil {
		return nil, err
	}
	b := &in.Body
	j, err := job.Open(job.Opening{ID: b.ID, At: s.o.Now().UTC(), By: name, Customer: b.Customer, Symptoms: b.Symptoms, Board: b.Board, Part: b.Part, Plan: b.Plan})
	if err != nil {
		return nil, problem("bad_field", asSentence(err))
	}
	var exists station.ErrJobExists
	switch err := s.o.Jobs.OpenJob(ctx, j); {
	case errors.As(err, &exists):
		return nil, problem("job_exists", fmt.Sprintf("There is a job %q already.", b.ID))
	case err != nil:
		return nil, problem("archive_failed", "The job cannot be written down.")
	}
	v := visitorOf(ctx)
	s.audit(Deed{Code: "job:opened", Text: fmt.Sprintf("Job %s was opened by %s.", b.ID, name)}.by(&v))
	return &body[JobView]{s.jobView(j, "")}, nil
}

func (s *Server) addToJob(ctx context.Context, in *struct {
	ID   string `path:"id" maxLength:"40"`
	Body JobEvent
}) (*body[JobView], error) {
	name, err := s.named(ctx, in.Body.By)
	if err != nil {
		return nil, err
	}
	j, damaged, err := s.job(ctx, in.ID)
	if err != nil {
		return nil, err
	}
	if damaged != "" {
		return nil, problem("job_damaged", "Nothing is added to a record that was changed: "+damaged+".")
	}
	if in.Body.After != len(j.Events) {
		return nil, problem("moved_on", fmt.Sprintf("The job has %d events by now.", len(j.Events)))
	}
	e := in.Body.Event
	e.At, e.By = s.o.Now().UTC(), name
	v := visitorOf(ctx)
	if e.Kind == job.Overruled {
		if p := s.admit(&v, AccessSupervise); p != nil {
			return nil, p
		}
	}
	if e.Run != 0 { // who did what in a run is in the run's own record
		return nil, problem("bad_field", "body.event.run: only the station says which run a step was.")
	}
	if err := j.Add(e); err != nil {
		return nil, problem("bad_field", asSentence(err))
	}
	var moved station.ErrJobMoved
	switch err := s.o.Jobs.AppendJob(ctx, in.ID, in.Body.After, e); {
	case errors.As(err, &moved):
		return nil, problem("moved_on", fmt.Sprintf("The job has %d events by now.", moved.Has))
	case err != nil:
		return nil, problem("archive_failed", "The event cannot be written down.")
	}
	s.audit(Deed{Code: "job:" + string(e.Kind), Text: fmt.Sprintf("Job %s: %s %s by %s.", in.ID, e.Kind, e.Step, name)}.by(&v))
	return &body[JobView]{s.jobView(j, "")}, nil
}

// forJob checks whether a start may serve a step of a job: what stands against it is the refusal.
func (s *Server) forJob(ctx context.Context, id, step string) error {
	if id == "" && step == "" {
		return nil
	}
	if id == "" || step == "" {
		return problem("bad_field", "body: a start for a job names both job and step.")
	}
	j, damaged, err := s.job(ctx, id)
	if err != nil {
		return err
	}
	if damaged != "" {
		return problem("job_damaged", "The job's record was changed: "+damaged+".")
	}
	if !job.Step(step).Hot() {
		return problem("bad_field", fmt.Sprintf("body.step: %q is no step with heat.", step))
	}
	against := j.May(job.Step(step), s.o.Now())
	if len(against) == 0 {
		return nil
	}
	p := problem("job_owes", against[0].What)
	p.Do = against[0].Do
	if src := against[0].Source; src != "" {
		p.Do += " Source: " + src + "."
	}
	for _, r := range against {
		p.Errors = append(p.Errors, FieldError{Location: "job." + r.Rule, Message: r.What})
	}
	return p
}

// asSentence makes one of an error.
func asSentence(err error) string { return err.Error() + "." }
