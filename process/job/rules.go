package job

import (
	"fmt"
	"slices"
	"time"

	"trivet/process/moisture"
)

// Codes of the rules. They are stored with what overrules them.
const (
	RulePlanned   = "planned"   // the job has no such step
	RuleOrder     = "order"     // something comes first
	RuleBake      = "bake"      // the part is moist
	RuleBoardBake = "boardbake" // the board may be
	RuleReflows   = "reflows"   // part or board has seen its share
	RuleChecklist = "checklist" // not all is signed
)

// overrulable are the rules that a named supervisor may overrule with a reason. Order and plan are not among them: a step that is not
// there cannot be done, and what is not off cannot be put back.
var overrulable = []string{RuleBake, RuleBoardBake, RuleReflows, RuleChecklist}

// Reason is why a step may not be begun, or what is owed.
type Reason struct {
	Rule   string          `json:"rule"`
	Step   Step            `json:"step"`
	What   string          `json:"what"` // a sentence
	Do     string          `json:"do"`
	Source string          `json:"source"` // where the rule comes from, and how sure that is
	Bakes  []moisture.Bake `json:"bakes,omitempty"`
	// Overruled names who lets it go ahead all the same; empty: it stands.
	Overruled string `json:"overruled,omitempty"`
}

// May lists what stands against a step at now. What was overruled is not in it.
func (j *Job) May(s Step, now time.Time) []Reason {
	var out []Reason
	for _, r := range j.against(s, now) {
		if r.Overruled == "" {
			out = append(out, r)
		}
	}
	return out
}

// against lists every rule that a step breaks, with who has overruled it.
func (j *Job) against(s Step, now time.Time) []Reason {
	if !slices.Contains(j.Opening.Plan, s) {
		return []Reason{{Rule: RulePlanned, Step: s, What: fmt.Sprintf("This job has no step %s.", s), Do: "Open a job that has it."}}
	}
	var out []Reason
	add := func(r Reason) {
		r.Step = s
		r.Overruled = j.overruler(s, r.Rule)
		out = append(out, r)
	}
	for _, before := range s.after() {
		if slices.Contains(j.Opening.Plan, before) && !j.done(before) {
			add(Reason{Rule: RuleOrder, What: fmt.Sprintf("%s comes first.", title(before)), Do: fmt.Sprintf("Do it, or record that it is done: %s.", before)})
		}
	}
	board, part := s.heats()
	if part {
		if m, err := j.Moisture(now); err == nil && m.Expired {
			add(Reason{Rule: RuleBake, What: fmt.Sprintf("The part is moist: level %s, floor life used up.", j.Opening.Part.Body.Level), Do: bakeWords(m.Bakes), Source: m.Bakes[0].Source, Bakes: m.Bakes})
		}
	}
	if board && !j.Opening.Board.Dry && !j.done(Bake) {
		add(Reason{Rule: RuleBoardBake, What: "Nobody knows how dry the board is.", Do: bakeWords([]moisture.Bake{boardBake}) + " Mind what else is on it.", Source: boardBake.Source, Bakes: []moisture.Bake{boardBake}})
	}
	nb, np := j.Reflows()
	if most := or(j.Opening.Board.Most, mostBoard); board && nb >= most {
		add(Reason{Rule: RuleReflows, What: fmt.Sprintf("The board's site has seen %d reflows of %d.", nb, most), Do: "Have a supervisor decide.", Source: "common practice, no source"})
	}
	if most := or(j.Opening.Part.Most, mostPart); part && np >= most {
		add(Reason{Rule: RuleReflows, What: fmt.Sprintf("The part has seen %d reflows of %d.", np, most), Do: "Have a supervisor decide.", Source: "J-STD-020 qualifies parts for three (from memory)"})
	}
	if open := j.Unsigned(s); len(open) > 0 {
		add(Reason{Rule: RuleChecklist, What: fmt.Sprintf("%d points of the checklist are not signed; the next is: %s.", len(open), open[0]), Do: "Look, and sign them."})
	}
	return out
}

// Owed lists what has to be done next: every step of the plan that is not done, in order, each with what stands against it. The first one is next.
type Owed struct {
	Step    Step     `json:"step"`
	Title   string   `json:"title"`
	Against []Reason `json:"against"`
}

// Owed works it out at now.
func (j *Job) Owed(now time.Time) []Owed {
	var out []Owed
	for _, s := range Steps() {
		if !slices.Contains(j.Opening.Plan, s) || j.done(s) {
			continue
		}
		o := Owed{Step: s, Title: title(s), Against: j.May(s, now)}
		if o.Against == nil {
			o.Against = []Reason{}
		}
		out = append(out, o)
	}
	return out
}

// done reports whether a step has come out right. A removal that is done undoes nothing; a placement that failed its inspection is a new job.
func (j *Job) done(s Step) bool {
	return slices.ContainsFunc(j.Events, func(e Event) bool { return e.Kind == Done && e.Step == s && e.OK })
}

// Reflows counts what board and part have seen: before the job, and by every step in it that melted solder, right or not.
func (j *Job) Reflows() (board, part int) {
	board, part = j.Opening.Board.Reflows, j.Opening.Part.Reflows
	for _, e := range j.Events {
		if e.Kind != Done || !(e.OK || e.Heated) {
			continue
		}
		b, p := e.Step.heats()
		if b {
			board++
		}
		if p {
			part++
		}
	}
	return board, part
}

// stays is the part's history as it was recorded.
func (j *Job) stays() []moisture.Stay {
	var out []moisture.Stay
	for _, e := range j.Events {
		if e.Kind == Stayed && e.Stay != nil {
			out = append(out, *e.Stay)
		}
	}
	return out
}

// Moisture says how the part stands at now. A part of which no stay is recorded began to lie about when the job was opened.
func (j *Job) Moisture(now time.Time) (moisture.State, error) {
	history := j.stays()
	if len(history) == 0 {
		if now.Before(j.Opening.At) {
			now = j.Opening.At
		}
		history = []moisture.Stay{{From: j.Opening.At, To: now, Where: moisture.Exposed}}
	}
	return moisture.Clock(j.Opening.Part.Body, history, now)
}

// overruler names who overruled a rule for a step since it was last tried: a word counts once.
func (j *Job) overruler(s Step, rule string) string {
	by := ""
	for _, e := range j.Events {
		switch {
		case e.Kind == Overruled && e.Step == s && e.Rule == rule:
			by = e.By
		case e.Kind == Done && e.Step == s:
			by = ""
		}
	}
	return by
}

// checklist is what must be signed before a step: the usual points, or what was asked for in their place.
func (j *Job) checklist(s Step) []string {
	points := Checklist(s)
	for _, e := range j.Events {
		if e.Kind == Asked && e.Step == s {
			points = e.Points
		}
	}
	return points
}

// Point is one line of a checklist.
type Point struct {
	Text string     `json:"text"`
	By   string     `json:"by"` // who has signed; empty: nobody yet
	At   *time.Time `json:"at"`
}

// Checklist returns a step's points with who has signed them since the step was last tried.
func (j *Job) Checklist(s Step) []Point {
	var out []Point
	for _, text := range j.checklist(s) {
		p := Point{Text: text}
		for i := range j.Events {
			switch e := &j.Events[i]; {
			case e.Kind == Done && e.Step == s:
				p.By, p.At = "", nil
			case e.Kind == Signed && e.Step == s && e.Point == text:
				p.By, p.At = e.By, &e.At
			}
		}
		out = append(out, p)
	}
	return out
}

// Unsigned lists the points of a step that nobody has signed.
func (j *Job) Unsigned(s Step) []string {
	var out []string
	for _, p := range j.Checklist(s) {
		if p.By == "" {
			out = append(out, p.Text)
		}
	}
	return out
}

// Checklist returns the usual points of a step: common practice, no source. A shop puts its own in their place.
func Checklist(s Step) []string {
	hot := []string{"fume extraction is on", "the board is clamped level, with room to expand", "neighbours are shielded or may get hot", "a person stays at the machine"}
	switch s {
	case Remove:
		return append([]string{"flux is under the part", "the thermocouple sits at a corner ball", "the nozzle is centred with an even gap"}, hot...)
	case Dress:
		return append([]string{"wick and flux are at hand", "the site's thermocouple is fixed"}, hot...)
	case Reball:
		return []string{"the part's pads are clean and flat", "balls are of the right alloy and size", "fume extraction is on", "a person stays at the machine"}
	case Place:
		return append([]string{"the site is clean and fluxed", "the part is the right way round and centred", "the nozzle is centred with an even gap"}, hot...)
	}
	return nil
}

func bakeWords(list []moisture.Bake) string {
	text := "Bake it: "
	for i, b := range list {
		if i > 0 {
			text += ", or "
		}
		text += fmt.Sprintf("%g h at %g °C", b.Hours, b.TempC)
		if b.MostRH > 0 {
			text += fmt.Sprintf(" in air of at most %g %%RH", b.MostRH)
		}
	}
	return text + "."
}

func title(s Step) string {
	return map[Step]string{TakeIn: "Take in", Bake: "Bake", Remove: "Remove the part", Dress: "Dress the site", Test: "Test the part", Reball: "Reball the part", Place: "Place the part", Inspect: "Inspect"}[s]
}

func or(v, otherwise int) int {
	if v > 0 {
		return v
	}
	return otherwise
}
