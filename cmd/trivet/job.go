package main

import (
	"encoding/json"
	"fmt"
	"io"
	"net/url"
	"strings"
	"text/tabwriter"
	"time"

	"trivet/api"
	"trivet/process/job"
	"trivet/process/moisture"
)

// jobCmd keeps the jobs of the shop at the command line, through a station on this computer.
type jobCmd struct {
	URL   string `name:"url" help:"Address of the station on this computer." default:"http://127.0.0.1:8420"`
	Token string `help:"Token of a pairing. Without it the program pairs by the code that the station shows on its own computer, and ends that pairing again." env:"TRIVET_TOKEN"`
	By    string `help:"Who does it, for the record."`
	JSON  bool   `name:"json" help:"Print the job as JSON."`

	List     jobListCmd     `cmd:"" help:"The jobs, each with what comes next."`
	Show     jobShowCmd     `cmd:"" help:"One job: what is owed, its checklists, how moist the part is, what happened."`
	New      jobNewCmd      `cmd:"" help:"Open a job."`
	Done     jobDoneCmd     `cmd:"" help:"Record that a step is done, or was tried in vain. Steps with heat are recorded by the station."`
	Stay     jobStayCmd     `cmd:"" help:"Record where the part was: in the air, dry, or in an oven."`
	Sign     jobSignCmd     `cmd:"" help:"Sign the checklist of a step."`
	Override jobOverrideCmd `cmd:"" help:"Let a step go ahead in spite of a rule, once, with a reason."`
	Note     jobNoteCmd     `cmd:"" help:"Write a note into a job."`
	Verdict  jobVerdictCmd  `cmd:"" help:"Record what became of part, board or joint."`
	Start    jobStartCmd    `cmd:"" help:"Start the run of a step. It heats."`
}

type jobListCmd struct{}

type jobShowCmd struct {
	ID string `arg:""`
}

type jobNewCmd struct {
	ID       string   `arg:""`
	Board    string   `required:"" help:"Type of the board."`
	Serial   string   `help:"Serial number of the board."`
	Dry      bool     `help:"The board comes from dry storage or was baked."`
	Part     string   `required:"" help:"Type of the part."`
	Level    string   `required:"" help:"Moisture level of the part, from its label: 1, 2, 2a, 3, 4, 5, 5a or 6."`
	MM       float64  `name:"thickness-mm" required:"" help:"Thickness of the part's body."`
	LabelH   float64  `name:"label-h" help:"Floor life printed on the label, hours."`
	Large    bool     `help:"A BGA larger than 17 mm by 17 mm, or with stacked dies."`
	Customer string   `help:"The customer's reference."`
	Symptoms string   `help:"What is wrong."`
	Plan     []string `help:"Steps, separated by commas; all of them when left out."`
	Reflows  []int    `help:"Reflows that board and part have seen, separated by a comma." default:"0,0"`
}

type jobDoneCmd struct {
	ID     string `arg:""`
	Step   string `arg:""`
	Failed bool   `help:"It was tried in vain."`
	Heated bool   `help:"Solder was molten, elsewhere than on this station."`
	Text   string `help:"What there is to say."`
}

type jobStayCmd struct {
	ID    string    `arg:""`
	Where string    `arg:"" help:"exposed, dry or baking"`
	From  time.Time `required:"" help:"Like 2026-04-07T09:00:00Z."`
	To    time.Time `required:""`
	TempC float64   `help:"Of the air."`
	RH    float64   `name:"rh" help:"Of the air, per cent."`
	BakeC float64   `name:"bake-c" help:"Of the oven."`
}

type jobSignCmd struct {
	ID    string `arg:""`
	Step  string `arg:""`
	Point string `help:"Which point; all that are open when left out. Look before you sign."`
}

type jobOverrideCmd struct {
	ID     string `arg:""`
	Step   string `arg:""`
	Rule   string `arg:"" help:"bake, boardbake, reflows or checklist"`
	Reason string `required:""`
}

type jobNoteCmd struct {
	ID   string `arg:""`
	Text string `arg:""`
}

type jobVerdictCmd struct {
	ID      string `arg:""`
	Subject string `arg:"" help:"part, board or joint"`
	Word    string `arg:"" enum:"good,bad" help:"good or bad"`
	Text    string
}

type jobStartCmd struct {
	ID      string `arg:""`
	Step    string `arg:""`
	Profile string `required:"" help:"Name of the profile."`
	Proof   bool   `help:"Prove the thermocouples first."`
	NoJoint bool   `help:"Without a joint thermocouple."`
	Bounded bool   `name:"bounded-peak" help:"With --no-joint: at a lowered peak."`
}

// with talks to the station as an operator, or as a supervisor where the deed takes one, and prints the job afterwards.
func (c *jobCmd) with(e *env, role, id string, deed func(t *talk) error) error {
	t, err := newTalk(e.ctx, c.URL)
	if err != nil {
		return err
	}
	if deed != nil {
		name := c.By
		if name == "" {
			name = "trivet job"
		}
		leave, err := t.enter(c.Token, name, role)
		if err != nil {
			return err
		}
		defer leave()
		if err := deed(t); err != nil {
			return err
		}
	}
	var v api.JobView
	if err := t.ask("GET", "/jobs/"+url.PathEscape(id), nil, &v); err != nil {
		return err
	}
	if c.JSON {
		enc := json.NewEncoder(e.out)
		enc.SetIndent("", "  ")
		return enc.Encode(v)
	}
	return printJob(e.out, &v)
}

// add sends one event behind those that there are.
func (c *jobCmd) add(t *talk, id string, ev job.Event) error {
	var v api.JobView
	if err := t.ask("GET", "/jobs/"+url.PathEscape(id), nil, &v); err != nil {
		return err
	}
	return t.ask("POST", "/jobs/"+url.PathEscape(id)+"/events", map[string]any{"after": len(v.Job.Events), "event": ev, "by": c.By}, nil)
}

func (c *jobListCmd) Run(e *env, p *jobCmd) error {
	t, err := newTalk(e.ctx, p.URL)
	if err != nil {
		return err
	}
	var list []api.JobHead
	if err := t.ask("GET", "/jobs", nil, &list); err != nil {
		return err
	}
	if p.JSON {
		return json.NewEncoder(e.out).Encode(list)
	}
	w := tabwriter.NewWriter(e.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "job\topened\tboard\tserial\tpart\tnext\tagainst it")
	for _, h := range list {
		next := h.Next
		if next == "" {
			next = "nothing"
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t%d\n", h.ID, h.Opened.Format("2006-01-02 15:04"), h.Board, h.Serial, h.Part, next, h.Against)
	}
	return w.Flush()
}

func (c *jobShowCmd) Run(e *env, p *jobCmd) error { return p.with(e, "", c.ID, nil) }

func (c *jobNewCmd) Run(e *env, p *jobCmd) error {
	if len(c.Reflows) != 2 {
		return fmt.Errorf("--reflows has %d numbers; it takes two, of board and part", len(c.Reflows))
	}
	plan := job.Steps()
	if len(c.Plan) > 0 {
		plan = nil
		for _, s := range c.Plan {
			plan = append(plan, job.Step(s))
		}
	}
	return p.with(e, "operator", c.ID, func(t *talk) error {
		return t.ask("POST", "/jobs", api.JobOpening{ID: c.ID, Customer: c.Customer, Symptoms: c.Symptoms, Plan: plan, By: api.By{By: p.By},
			Board: job.Board{Type: c.Board, Serial: c.Serial, Dry: c.Dry, Reflows: c.Reflows[0]},
			Part:  job.Part{Type: c.Part, Reflows: c.Reflows[1], Body: moisture.Body{Level: moisture.Level(c.Level), ThicknessMM: c.MM, Large: c.Large, LabelH: c.LabelH}}}, nil)
	})
}

func (c *jobDoneCmd) Run(e *env, p *jobCmd) error {
	return p.with(e, "operator", c.ID, func(t *talk) error {
		return p.add(t, c.ID, job.Event{Kind: job.Done, Step: job.Step(c.Step), OK: !c.Failed, Heated: c.Heated, Text: c.Text})
	})
}

func (c *jobStayCmd) Run(e *env, p *jobCmd) error {
	s := moisture.Stay{From: c.From, To: c.To, Where: moisture.Where(c.Where), BakeC: c.BakeC}
	if s.Where == moisture.Baking {
		s.BakeRH = c.RH
	} else if c.TempC != 0 || c.RH != 0 {
		s.Air = moisture.Air{TempC: c.TempC, RH: c.RH, Known: true}
	}
	return p.with(e, "operator", c.ID, func(t *talk) error { return p.add(t, c.ID, job.Event{Kind: job.Stayed, Stay: &s}) })
}

func (c *jobSignCmd) Run(e *env, p *jobCmd) error {
	return p.with(e, "operator", c.ID, func(t *talk) error {
		points := []string{c.Point}
		if c.Point == "" {
			var v api.JobView
			if err := t.ask("GET", "/jobs/"+url.PathEscape(c.ID), nil, &v); err != nil {
				return err
			}
			points = v.Job.Unsigned(job.Step(c.Step))
		}
		for _, x := range points {
			if err := p.add(t, c.ID, job.Event{Kind: job.Signed, Step: job.Step(c.Step), Point: x}); err != nil {
				return err
			}
		}
		return nil
	})
}

func (c *jobOverrideCmd) Run(e *env, p *jobCmd) error {
	return p.with(e, "supervisor", c.ID, func(t *talk) error {
		return p.add(t, c.ID, job.Event{Kind: job.Overruled, Step: job.Step(c.Step), Rule: c.Rule, Text: c.Reason})
	})
}

func (c *jobNoteCmd) Run(e *env, p *jobCmd) error {
	return p.with(e, "operator", c.ID, func(t *talk) error { return p.add(t, c.ID, job.Event{Kind: job.Noted, Text: c.Text}) })
}

func (c *jobVerdictCmd) Run(e *env, p *jobCmd) error {
	return p.with(e, "operator", c.ID, func(t *talk) error {
		return p.add(t, c.ID, job.Event{Kind: job.Judged, Subject: c.Subject, OK: c.Word == "good", Text: c.Text})
	})
}

func (c *jobStartCmd) Run(e *env, p *jobCmd) error {
	return p.with(e, "operator", c.ID, func(t *talk) error {
		if err := t.ask("POST", "/controls/take", struct{}{}, nil); err != nil {
			return fmt.Errorf("somebody else holds the controls: %w", err)
		}
		body := map[string]any{"profile": c.Profile, "job": c.ID, "step": c.Step, "proof": c.Proof, "no_joint": c.NoJoint, "bounded_peak": c.Bounded}
		if p.By != "" {
			body["by"] = p.By
		}
		return t.order("/runs", body)
	})
}

// printJob is a job for people.
func printJob(out io.Writer, v *api.JobView) error {
	o := &v.Job.Opening
	fmt.Fprintf(out, "Job %s, opened %s by %s", o.ID, o.At.Format("2006-01-02 15:04"), o.By)
	if o.Customer != "" {
		fmt.Fprintf(out, ", for %s", o.Customer)
	}
	fmt.Fprintf(out, "\nBoard %s %s, %d reflows; part %s %s, level %s, %d reflows\n", o.Board.Type, o.Board.Serial, v.Board, o.Part.Type, o.Part.Serial, o.Part.Body.Level, v.Part)
	switch m := &v.Moisture; {
	case !m.Limited:
		fmt.Fprintln(out, "The part's floor life has no limit.")
	case m.Expired:
		fmt.Fprintf(out, "The part is moist: floor life exceeded by %.1f h.\n", m.Over)
	default:
		fmt.Fprintf(out, "Floor life: %.1f h used, %.1f h left in the air it is in.\n", m.Used, m.Left)
	}
	if v.Damaged != "" {
		fmt.Fprintf(out, "DAMAGED: %s.\n", v.Damaged)
	}
	fmt.Fprintln(out)
	for i, w := range v.Owed {
		mark := "later"
		if i == 0 {
			mark = "next "
		}
		fmt.Fprintf(out, "%s  %s\n", mark, w.Title)
		for _, r := range w.Against {
			if i > 0 && r.Rule == job.RuleOrder {
				continue // what comes first stands above
			}
			fmt.Fprintf(out, "         %s %s\n", r.What, r.Do)
			if r.Source != "" {
				fmt.Fprintf(out, "         source: %s\n", r.Source)
			}
		}
	}
	if len(v.Owed) == 0 {
		fmt.Fprintln(out, "Nothing is owed.")
	}
	fmt.Fprintln(out)
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	for _, e := range v.Job.Events {
		fmt.Fprintf(w, "%s\t%s\t%s\n", e.At.Format("2006-01-02 15:04"), e.By, eventWords(&e))
	}
	return w.Flush()
}

func eventWords(e *job.Event) string {
	switch e.Kind {
	case job.Done:
		if e.OK {
			return strings.TrimSpace(fmt.Sprintf("%s: done. %s", e.Step, e.Text))
		}
		return strings.TrimSpace(fmt.Sprintf("%s: tried in vain. %s", e.Step, e.Text))
	case job.Stayed:
		return fmt.Sprintf("part %s for %.1f h from %s", e.Stay.Where, e.Stay.To.Sub(e.Stay.From).Hours(), e.Stay.From.Format("2006-01-02 15:04"))
	case job.Signed:
		return fmt.Sprintf("%s: %s", e.Step, e.Point)
	case job.Overruled:
		return fmt.Sprintf("%s: lets it go ahead in spite of %q: %s", e.Step, e.Rule, e.Text)
	case job.Judged:
		return fmt.Sprintf("%s is %s. %s", e.Subject, map[bool]string{true: "good", false: "bad"}[e.OK], e.Text)
	case job.Attached:
		return fmt.Sprintf("attached %s, %d bytes", e.Name, e.Size)
	case job.Asked:
		return fmt.Sprintf("%s: another checklist of %d points", e.Step, len(e.Points))
	}
	return e.Text
}
