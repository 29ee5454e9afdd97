// Package job is the record of one board and one part on their way through the shop, and the rules that say what may be done next. It
// is pure: events come in with their time, nothing is looked up, and nothing is ever taken out again.
//
// A job is the sequence of its events. What it stands for is worked out from them each time, so that a record can be checked by
// whoever has it.
package job

import (
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"trivet/process/moisture"
)

// Format names the way a job is written.
const Format = "trivet-job-v1"

// Step is one thing that is done with board or part. The words are stored: do not rename them.
type Step string

// The steps, in the order in which they are done.
const (
	TakeIn  Step = "take_in"
	Bake    Step = "bake"
	Remove  Step = "remove"
	Dress   Step = "dress"
	Test    Step = "test"
	Reball  Step = "reball"
	Place   Step = "place"
	Inspect Step = "inspect"
)

// Steps returns all steps in their order.
func Steps() []Step { return []Step{TakeIn, Bake, Remove, Dress, Test, Reball, Place, Inspect} }

// Hot reports whether the station heats in a step.
func (s Step) Hot() bool { return s == Remove || s == Dress || s == Reball || s == Place }

// heats says what a step heats: a reflow of the board's site, of the part.
func (s Step) heats() (board, part bool) {
	switch s {
	case Remove, Place:
		return true, true
	case Dress:
		return true, false
	case Reball:
		return false, true
	}
	return false, false
}

// after lists the steps that must be done first, where the job has them.
func (s Step) after() []Step {
	switch s {
	case TakeIn:
		return nil
	case Dress, Test, Reball:
		return []Step{TakeIn, Remove}
	case Place:
		return []Step{TakeIn, Remove, Dress, Reball}
	case Inspect:
		return []Step{TakeIn, Remove, Place}
	}
	return []Step{TakeIn}
}

// Board is one assembled board.
type Board struct {
	Type    string `json:"type"`
	Serial  string `json:"serial,omitempty"`
	Reflows int    `json:"reflows,omitempty"`      // that the site has seen before this job
	Most    int    `json:"most_reflows,omitempty"` // 0: the usual limit
	// Dry says that it comes from dry storage or was baked. A board of which that is not known owes a bake.
	Dry bool `json:"dry,omitempty"`
}

// Part is the one part that the job is about.
type Part struct {
	Type    string        `json:"type"`
	Serial  string        `json:"serial,omitempty"`
	Reflows int           `json:"reflows,omitempty"`
	Most    int           `json:"most_reflows,omitempty"`
	Body    moisture.Body `json:"body"`
}

// The usual limits. A part is qualified for three reflows by J-STD-020 (from memory); that a site bears six, its assembly of two sides included,
// is common practice without a source. A job can say otherwise.
const (
	mostPart  = 3
	mostBoard = 6
)

// boardBake is for a board nobody knows the storage of: common practice, no source. Mind what else is on it: labels, batteries, capacitors.
var boardBake = moisture.Bake{TempC: 105, Hours: 8, Source: "common practice, no source", Confidence: "common practice"}

// Opening is how a job begins.
type Opening struct {
	ID       string    `json:"id"`
	At       time.Time `json:"at"`
	By       string    `json:"by"`
	Customer string    `json:"customer"` // their reference
	Symptoms string    `json:"symptoms"`
	Board    Board     `json:"board"`
	Part     Part      `json:"part"`
	Plan     []Step    `json:"plan"` // the steps that this job has; order does not matter
}

// Kind says what an event is about. The words are stored.
type Kind string

// The kinds of event.
const (
	Done      Kind = "done"      // a step, or a try at one, is over
	Stayed    Kind = "stayed"    // where the part was
	Signed    Kind = "signed"    // a point of a step's checklist
	Asked     Kind = "asked"     // a step has another checklist from now on
	Overruled Kind = "overruled" // somebody lets a step go ahead in spite of a rule
	Noted     Kind = "noted"
	Attached  Kind = "attached"
	Judged    Kind = "judged" // what became of part, board or joint
)

// Event is one thing that happened. Only the fields of its kind are used.
type Event struct {
	At   time.Time `json:"at,omitempty,omitzero"`
	By   string    `json:"by,omitempty"`
	Kind Kind      `json:"kind"`
	Step Step      `json:"step,omitempty"`

	OK      bool           `json:"ok,omitempty"`      // done: it came out right; judged: good
	Heated  bool           `json:"heated,omitempty"`  // done: solder was molten, so a reflow counts even where it came out wrong
	Run     int64          `json:"run,omitempty"`     // done: the run's number in the record
	Stay    *moisture.Stay `json:"stay,omitempty"`    // stayed
	Point   string         `json:"point,omitempty"`   // signed
	Points  []string       `json:"points,omitempty"`  // asked
	Rule    string         `json:"rule,omitempty"`    // overruled: its code
	Text    string         `json:"text,omitempty"`    // noted, judged; overruled: the reason
	Name    string         `json:"name,omitempty"`    // attached
	Digest  string         `json:"digest,omitempty"`  // attached: SHA-256
	Size    int64          `json:"size,omitempty"`    // attached
	Subject string         `json:"subject,omitempty"` // judged: part, board or joint
}

// Job is one job.
type Job struct {
	Format  string  `json:"format"`
	Opening Opening `json:"opening"`
	Events  []Event `json:"events"`
}

// Bounds on what is kept, so that nobody fills a disk by a slip.
const (
	mostEvents = 2000
	mostText   = 4000
	mostWord   = 120
	mostPoints = 30
)

// Open begins a job, or says what is wrong with its opening.
func Open(o Opening) (*Job, error) {
	for _, f := range []struct{ name, v string }{{"id", o.ID}, {"by", o.By}, {"board type", o.Board.Type}, {"part type", o.Part.Type}} {
		if err := word(f.name, f.v, true); err != nil {
			return nil, err
		}
	}
	for _, f := range []struct{ name, v string }{{"customer", o.Customer}, {"board serial", o.Board.Serial}, {"part serial", o.Part.Serial}} {
		if err := word(f.name, f.v, false); err != nil {
			return nil, err
		}
	}
	if err := prose("symptoms", o.Symptoms); err != nil {
		return nil, err
	}
	if err := o.Part.Body.Check(); err != nil {
		return nil, fmt.Errorf("part: %w", err)
	}
	for _, n := range []int{o.Board.Reflows, o.Board.Most, o.Part.Reflows, o.Part.Most} {
		if n < 0 || n > 100 {
			return nil, fmt.Errorf("a count of reflows is %d; allowed are 0…100", n)
		}
	}
	if !slices.Contains(o.Plan, TakeIn) {
		return nil, fmt.Errorf("the plan has no take_in: every job begins with it")
	}
	for i, s := range o.Plan {
		if !slices.Contains(Steps(), s) {
			return nil, fmt.Errorf("plan: %q is no step; allowed are %v", s, Steps())
		}
		if slices.Contains(o.Plan[:i], s) {
			return nil, fmt.Errorf("plan: %s is there twice", s)
		}
	}
	if o.At.IsZero() {
		return nil, fmt.Errorf("the opening has no time")
	}
	return &Job{Format: Format, Opening: o, Events: []Event{}}, nil
}

// Add adds an event, or refuses it and leaves the job as it was. Whether a step may be begun is asked by May before; an event says what has
// happened, and what has happened is never refused for being against a rule.
func (j *Job) Add(e Event) error {
	if len(j.Events) >= mostEvents {
		return fmt.Errorf("the job has %d events, which is all it may have; open another one", mostEvents)
	}
	last := j.Opening.At
	if n := len(j.Events); n > 0 {
		last = j.Events[n-1].At
	}
	if e.At.Before(last) {
		return fmt.Errorf("the event's time, %s, is before that of the one ahead of it, %s", e.At.Format(time.DateTime), last.Format(time.DateTime))
	}
	if err := word("by", e.By, true); err != nil {
		return err
	}
	if err := prose("text", e.Text); err != nil {
		return err
	}
	if err := j.fits(&e); err != nil {
		return err
	}
	j.Events = append(j.Events, e)
	return nil
}

// fits checks the fields that an event's kind needs.
func (j *Job) fits(e *Event) error {
	planned := func() error {
		if !slices.Contains(j.Opening.Plan, e.Step) {
			return fmt.Errorf("%q is no step of this job; it has %v", e.Step, j.Opening.Plan)
		}
		return nil
	}
	switch e.Kind {
	case Done:
		return planned()
	case Signed:
		if err := planned(); err != nil {
			return err
		}
		if points := j.checklist(e.Step); !slices.Contains(points, e.Point) {
			return fmt.Errorf("%q is not on the checklist of %s; it has: %s", e.Point, e.Step, strings.Join(points, "; "))
		}
	case Asked:
		if len(e.Points) > mostPoints {
			return fmt.Errorf("%d points; at most %d are allowed", len(e.Points), mostPoints)
		}
		for _, p := range e.Points {
			if err := word("point", p, true); err != nil {
				return err
			}
		}
		return planned()
	case Overruled:
		if strings.TrimSpace(e.Text) == "" {
			return fmt.Errorf("to overrule %q takes a reason", e.Rule)
		}
		if !slices.Contains(overrulable, e.Rule) {
			return fmt.Errorf("%q cannot be overruled; these can: %v", e.Rule, overrulable)
		}
		return planned()
	case Stayed:
		if e.Stay == nil {
			return fmt.Errorf("where was the part? The stay is missing")
		}
		_, err := moisture.Clock(j.Opening.Part.Body, append(j.stays(), *e.Stay), e.At)
		return err
	case Noted:
		if strings.TrimSpace(e.Text) == "" {
			return fmt.Errorf("the note is empty")
		}
	case Attached:
		if err := word("name", e.Name, true); err != nil {
			return err
		}
		if len(e.Digest) != 64 || e.Size < 0 {
			return fmt.Errorf("an attachment has a SHA-256 of 64 digits and a size")
		}
	case Judged:
		if !slices.Contains([]string{"part", "board", "joint"}, e.Subject) {
			return fmt.Errorf("%q cannot be judged; allowed are part, board and joint", e.Subject)
		}
	default:
		return fmt.Errorf("%q is no kind of event", e.Kind)
	}
	return nil
}

// word checks a short text on one line.
func word(name, v string, must bool) error {
	switch {
	case must && strings.TrimSpace(v) == "":
		return fmt.Errorf("%s is missing", name)
	case utf8.RuneCountInString(v) > mostWord:
		return fmt.Errorf("%s has %d characters; at most %d are allowed", name, utf8.RuneCountInString(v), mostWord)
	case !utf8.ValidString(v) || strings.ContainsFunc(v, func(r rune) bool { return unicode.IsControl(r) || unicode.Is(unicode.Cf, r) }):
		return fmt.Errorf("%s has characters that cannot be seen", name)
	}
	return nil
}

// prose checks a longer text.
func prose(name, v string) error {
	switch {
	case len(v) > mostText:
		return fmt.Errorf("%s has %d bytes; at most %d are allowed", name, len(v), mostText)
	case !utf8.ValidString(v) || strings.ContainsFunc(v, func(r rune) bool { return unicode.IsControl(r) && r != '\n' && r != '\t' || unicode.Is(unicode.Cf, r) }):
		return fmt.Errorf("%s has characters that cannot be seen", name)
	}
	return nil
}
