package api

import (
	"context"
	"errors"
	"net/http"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"trivet/control/steptest"
	"trivet/safety"
	"trivet/station"
)

// Commissioning is what the API needs to know of what was found out about the machine. Safe from any goroutine.
type Commissioning interface {
	Status() station.CommissionStatus
	Reminders() []station.Reminder
	// RecordProofTest returns when it is on the disk, or a *station.Refusal for a list that is not complete.
	RecordProofTest(by string, done []string) error
}

// reminders are the notices of the state.
func (s *Server) reminders() []station.Reminder {
	if s.o.Commissioning == nil {
		return nil
	}
	return s.o.Commissioning.Reminders()
}

// CommissioningView is how commissioning stands and what to do next.
type CommissioningView struct {
	Needed    bool       `json:"needed" doc:"This machine runs nothing before it is commissioned; a simulated one needs none"`
	Standing  string     `json:"standing" enum:"never,stale,partly,faulty,lost,unused,sound" doc:"unused: done, and the program must be started again to work with the result"`
	Text      string     `json:"text"`
	Do        string     `json:"do" doc:"What to do next; empty when there is nothing"`
	Startable bool       `json:"startable" doc:"A commissioning run could start now"`
	Busy      bool       `json:"busy" doc:"A result is being worked out"`
	Steps     []StepView `json:"steps" nullable:"false" doc:"In the order in which they are done"`
	Inputs    InputsView `json:"inputs"`
	Run       StepNow    `json:"run"`

	Result    station.Commissioned `json:"result" doc:"What was found out, of this machine file or an earlier one; dates of year 1 stand for never"`
	Digest    string               `json:"digest" doc:"SHA-256 of the machine file in force; the result counts for its own"`
	Old       bool                 `json:"old" doc:"More than a year old: a reminder, no refusal"`
	Unsaved   string               `json:"unsaved" doc:"Why the newest result could not be saved; empty when it was"`
	ProofTest ProofTestView        `json:"proof_test"`
}

// StepView is one step of commissioning.
type StepView struct {
	Code  string `json:"code" enum:"inputs,layers,blowers,noise,channels,loops"`
	Title string `json:"title"`
	State string `json:"state" enum:"owed,active,done,faulty"`
	Text  string `json:"text" doc:"What was found, or what is missing"`
}

// InputsView is the test of the inputs by hand.
type InputsView struct {
	Active bool        `json:"active"`
	Ask    string      `json:"ask" enum:",rest,open,close"`
	At     int         `json:"at" doc:"The input that is asked for, from 0"`
	Text   string      `json:"text" doc:"What to do now; empty while nothing is asked"`
	List   []InputView `json:"list" nullable:"false"`
}

// InputView is one input.
type InputView struct {
	Name   string `json:"name"`
	Kind   string `json:"kind" enum:"emergency_stop,door,extraction,limiter"`
	Closed bool   `json:"closed" doc:"Now"`
	State  string `json:"state" enum:"untried,proven,skipped,wrong,joined"`
	Other  string `json:"other" doc:"Which input moved in its place or with it; empty for none"`
}

// StepNow is what a commissioning run is busy with.
type StepNow struct {
	Active bool    `json:"active"`
	Step   string  `json:"step" enum:",resting,blowing,airing,answering,cooling,stepping,over"`
	Heater string  `json:"heater" doc:"That is tested or waited for; empty for none"`
	Blower string  `json:"blower"`
	Left   float64 `json:"left_s" doc:"Of this step, at most; 0 where it is not known"`
	Share  float64 `json:"share" doc:"Done, 0 to 1, an estimate"`
}

// ProofTestView is the monthly proof test of the protective layers.
type ProofTestView struct {
	Due  bool            `json:"due"`
	Text string          `json:"text" doc:"Why it is due; empty when it is not"`
	Last string          `json:"last_utc" doc:"Empty for never"`
	By   string          `json:"by"`
	List []ProofTestItem `json:"list" nullable:"false" doc:"What belongs to it on this machine"`
}

// ProofTestItem is one line of the checklist.
type ProofTestItem struct {
	Code string `json:"code"`
	Text string `json:"text"`
}

// InputsOrder moves the test of the inputs on.
type InputsOrder struct {
	Do    string `json:"do" enum:"begin,skip,again,end" doc:"begin anew; skip the present one; again: one of them once more; end: leave it as it is"`
	Input int    `json:"input,omitempty" minimum:"0" maximum:"31" doc:"For again: which, from 0"`
	By
}

// ProofTestOrder records a proof test.
type ProofTestOrder struct {
	Done []string `json:"done" minItems:"1" maxItems:"16" nullable:"false" doc:"Codes of what was tested: all of the list"`
	By
}

func (s *Server) registerCommissioning(a huma.API) {
	later := func(op *huma.Operation) { op.DefaultStatus = http.StatusAccepted }
	operation(s, a, "GET", "/api/v1/commissioning", "commissioning", "What was proven of this machine channel by channel, and what is owed", AccessLook,
		func(context.Context, *struct{}) (*body[CommissioningView], error) {
			return &body[CommissioningView]{s.commissioning()}, nil
		})
	operation(s, a, "POST", "/api/v1/commissioning/inputs", "commission_inputs", "Test the inputs one by one, by hand, at rest", AccessControls, func(ctx context.Context, in *struct {
		Care
		Body InputsOrder
	}) (*Accepted, error) {
		return s.do(ctx, in.Care, station.Command{Event: station.InputTest, Inputs: station.InputStep(in.Body.Do), Subject: in.Body.Input}, in.Body.By, in.Body)
	}, later)
	operation(s, a, "POST", "/api/v1/commissioning/run", "commission_run", "Begin the run that proves and measures every channel, with an empty deck or a scrap board on the machine. It heats.", AccessCommission,
		func(ctx context.Context, in *struct {
			Care
			Body By
		}) (*Accepted, error) {
			name, err := s.named(ctx, in.Body)
			if err != nil {
				return nil, err
			}
			return s.do(ctx, in.Care, station.Command{Event: station.Start, Order: station.CommissionOrder(name)}, By{By: name}, in.Body)
		}, later)
	operation(s, a, "POST", "/api/v1/commissioning/proof-test", "proof_test", "Record that the protective layers were proof-tested", AccessSupervise, s.proofTest)
}

// proofTest records a proof test with who did it. The answer says whether it is on the disk, and it is accepted only when it is.
func (s *Server) proofTest(ctx context.Context, in *struct{ Body ProofTestOrder }) (*Accepted, error) {
	if s.o.Commissioning == nil {
		return nil, problem("no_commissioning", "This station keeps no result of commissioning.")
	}
	name, err := s.named(ctx, in.Body.By)
	if err != nil {
		return nil, err
	}
	v := visitorOf(ctx)
	if err := s.o.Commissioning.RecordProofTest(name, in.Body.Done); err != nil {
		var r *station.Refusal
		if errors.As(err, &r) {
			return nil, refusal(r)
		}
		return nil, problem("commissioning_not_kept", "The proof test cannot be written down.")
	}
	return accepted(s.audit(Deed{Code: "proof_test", Text: "The protective layers were proof-tested by " + name + "."}.by(&v)), nil)
}

// commissioning gathers the view.
func (s *Server) commissioning() CommissioningView {
	var snap station.Snapshot
	s.o.Station.Latest(&snap)
	u := s.o.Station.Setup()
	n := &snap.Commission
	out := CommissioningView{Standing: "sound", Text: "This station keeps no result of commissioning.", Startable: n.Startable, Inputs: inputsView(&snap, u), Run: stepNow(&snap, u)}
	var status station.CommissionStatus
	if s.o.Commissioning != nil {
		status = s.o.Commissioning.Status()
		out.Needed, out.Standing, out.Text, out.Do, out.Busy = status.Needed, standingWord(status.Standing), status.Text, status.Do, status.Busy
		out.Digest, out.Old, out.Unsaved = status.Now, status.Old, status.Unsaved
	}
	out.Result = whole(status.Result)
	out.Steps = stepsOf(&out, &status.Result, u)
	out.ProofTest = ProofTestView{Due: status.TestDue, Text: status.TestText, By: out.Result.ProofTestedBy, List: []ProofTestItem{}}
	if t := out.Result.ProofTestedUTC; !t.IsZero() {
		out.ProofTest.Last = t.UTC().Format(time.RFC3339)
	}
	for _, p := range station.ProofTests(u) {
		out.ProofTest.List = append(out.ProofTest.List, ProofTestItem(p))
	}
	return out
}

// whole puts empty lists where there are none, so that a program need not ask.
func whole(c station.Commissioned) station.Commissioned {
	fill(&c.Inputs)
	fill(&c.Blowers)
	fill(&c.Noise)
	fill(&c.Loops)
	fill(&c.Findings)
	fill(&c.ProofTested)
	fill(&c.Layers.Senses)
	fill(&c.Layers.NotSensed)
	return c
}

func fill[T any](list *[]T) {
	if *list == nil {
		*list = []T{}
	}
}

func standingWord(c safety.Commissioning) string {
	switch c {
	case safety.CommissionedSound:
		return "sound"
	case safety.CommissionStale:
		return "stale"
	case safety.CommissionPartly:
		return "partly"
	case safety.CommissionFaulty:
		return "faulty"
	case safety.CommissionLost:
		return "lost"
	case safety.CommissionUnused:
		return "unused"
	}
	return "never"
}

// inputsView shows the test by hand as it stands.
func inputsView(snap *station.Snapshot, u *station.Setup) InputsView {
	n := &snap.Commission.Inputs
	out := InputsView{Active: n.Active, Ask: string(n.Ask), At: n.At, List: []InputView{}}
	if n.Active {
		out.Text = station.InputText(n, u)
	}
	for i := range u.Limits.NInterlock {
		x := InputView{Name: u.Limits.Interlocks[i].Name, Kind: string(u.Limits.Interlocks[i].Kind), Closed: snap.Closed[i], State: string(n.Of[i].State)}
		if x.State == "" {
			x.State = string(steptest.Untried)
		}
		if s := n.Of[i].State; s == steptest.Wrong || s == steptest.Joined {
			x.Other = station.InputName(n.Of[i].Other, u)
		}
		out.List = append(out.List, x)
	}
	return out
}

// stepNow shows what a commissioning run is busy with.
func stepNow(snap *station.Snapshot, u *station.Setup) StepNow {
	n := &snap.Commission
	out := StepNow{Active: snap.State.Live() && snap.Run.Order != nil && snap.Run.Order.Commission}
	if !out.Active || snap.Phase != station.PhaseCommission {
		return out
	}
	out.Step, out.Left, out.Share = string(n.Step), seconds(n.Left), round(n.Share, 1000)
	if n.Heater >= 0 && n.Heater < len(u.Heaters) {
		out.Heater = u.Heaters[n.Heater].Label
	}
	if n.Blower >= 0 && n.Blower < u.Limits.NBlowers {
		out.Blower = u.Limits.Blowers[n.Blower].Name
	}
	return out
}
