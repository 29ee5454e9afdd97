package api

import (
	"fmt"
	"strings"

	"trivet/control/steptest"
	"trivet/station"
)

// Titles of the steps, in the order in which they are done.
var commissionSteps = [...]StepView{
	{Code: "inputs", Title: "Each input, moved by hand"},
	{Code: "layers", Title: "Contactor, one-shot and relays"},
	{Code: "noise", Title: "Each sensor at rest"},
	{Code: "blowers", Title: "Each blower alone"},
	{Code: "channels", Title: "Each heater alone: whose thermocouple answers"},
	{Code: "loops", Title: "A step test of each heater"},
}

// stepOf says which step makes a finding.
func stepOf(code string) string {
	switch steptest.Code(code) {
	case steptest.Noisy, steptest.NoReading:
		return "noise"
	case steptest.AirAlways, steptest.BlowerDead, steptest.AirCrossed, steptest.AirStays, steptest.AirNever:
		return "blowers"
	case steptest.Deaf, steptest.Crossed, steptest.Also, steptest.NoSensor:
		return "channels"
	}
	return "loops"
}

// stepsOf says of each step how it stands, from the result that is kept and from what is going on.
func stepsOf(v *CommissioningView, r *station.Commissioned, u *station.Setup) []StepView {
	out := append([]StepView(nil), commissionSteps[:]...)
	current := r.Digest == v.Digest
	ran := current && !r.AtUTC.IsZero()
	for i := range out {
		s := &out[i]
		s.State, s.Text = "owed", "Owed."
		switch {
		case s.Code == "inputs":
			inputsStep(s, v, r, current)
		case ran:
			ranStep(s, r, u)
		}
		if v.Run.Active && s.Code == runningStep(v.Run.Step) {
			s.State, s.Text = "active", "Going on."
		}
	}
	return out
}

// inputsStep is the one that people do.
func inputsStep(s *StepView, v *CommissioningView, r *station.Commissioned, current bool) {
	if v.Inputs.Active {
		s.State, s.Text = "active", v.Inputs.Text
		return
	}
	if !current || r.InputsUTC.IsZero() {
		return
	}
	var bad, skipped []string
	tried := 0
	for _, p := range r.Inputs {
		switch p.State {
		case steptest.Wrong:
			bad = append(bad, fmt.Sprintf("when %s was to open, %s moved", p.Name, p.Other))
		case steptest.Joined:
			bad = append(bad, fmt.Sprintf("when %s opened, %s moved too", p.Name, p.Other))
		case steptest.Skipped:
			skipped = append(skipped, p.Name)
			tried++
		case steptest.Proven:
			tried++
		}
	}
	switch {
	case len(bad) > 0:
		s.State, s.Text = "faulty", upper(strings.Join(bad, "; "))+"."
	case tried < len(r.Inputs):
		s.Text = fmt.Sprintf("%d of %d done.", tried, len(r.Inputs))
	case len(skipped) > 0:
		s.State, s.Text = "done", "Done; skipped by a person: "+strings.Join(skipped, ", ")+"."
	default:
		s.State, s.Text = "done", "Each opened alone and closed again."
	}
}

// ranStep is one of the steps of a run.
func ranStep(s *StepView, r *station.Commissioned, u *station.Setup) {
	var found []string
	hurt := len(r.Findings) > 0
	for _, f := range r.Findings {
		if stepOf(f.Code) == s.Code {
			found = append(found, f.Text+" "+f.Do)
		}
	}
	if len(found) > 0 {
		s.State, s.Text = "faulty", strings.Join(found, " ")
		return
	}
	switch s.Code {
	case "layers":
		s.State, s.Text = "done", "Contactor and one-shot were seen to work, and each relay to switch its own load."
		switch {
		case !r.Layers.Tested:
			s.Text = "Nothing is fitted that could show it: no mirror contact and no load sense."
		case !r.Layers.Mirror:
			s.Text = "Each relay with a load sense switches its own load; without a mirror contact the contactor was not seen."
		case len(r.Layers.NotSensed) > 0:
			s.Text = "Contactor and one-shot were seen to work. Without a load sense: " + strings.Join(r.Layers.NotSensed, ", ") + "."
		}
	case "noise":
		s.State, s.Text = "done", fmt.Sprintf("%d sensors are as quiet as they should be.", count(r.Noise, func(n station.NoiseAtRest) bool { return n.Known }))
	case "blowers":
		n := count(r.Blowers, func(b station.BlowerProven) bool { return b.Proven })
		s.State, s.Text = "done", fmt.Sprintf("%d of %d were proven; the others have no proof of air fitted.", n, len(r.Blowers))
		if n == len(r.Blowers) {
			s.Text = "Each proof came and went with its own blower."
		}
	case "channels":
		if !hurt || len(r.Loops) > 0 {
			s.State, s.Text = "done", "Each relay heats its own zone."
		}
	case "loops":
		if len(r.Loops) == len(u.Heaters) {
			s.State, s.Text = "done", fmt.Sprintf("%d loops are measured.", len(r.Loops))
		}
	}
}

// runningStep is the step that a run is busy with.
func runningStep(step string) string {
	switch steptest.Step(step) {
	case steptest.Resting:
		return "noise"
	case steptest.Blowing, steptest.Airing:
		return "blowers"
	case steptest.Answering:
		return "channels"
	case steptest.Cooling, steptest.Stepping:
		return "loops"
	}
	return "layers"
}

func count[T any](list []T, is func(T) bool) (n int) {
	for _, x := range list {
		if is(x) {
			n++
		}
	}
	return n
}

func upper(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}
