// Package fault describes what goes wrong on a simulated machine, as data: what, where, when and for how long.
// It has no clock and applies nothing; the simulated machine does, and refuses what it cannot apply.
package fault

import (
	"fmt"
	"sort"
	"strings"
	"time"
)

// Kind is one sort of fault. The words stand in scenario files: do not rename them.
type Kind string

// What a kind's target names.
const (
	AtSensor    = "sensor"
	AtHeater    = "heater"
	AtBlower    = "blower"
	AtInterlock = "interlock"
	AtMachine   = "machine"
)

// Row describes one kind: what it acts on, and what Value means for it.
type Row struct {
	Kind  Kind
	Of    string
	Value string // empty when the kind takes no value
	With  string // what the second name stands for; empty when the kind takes none
	What  string
}

// Rows returns the table of kinds. The slice is fresh.
func Rows() []Row { return append([]Row(nil), rows...) }

// Find returns the row of a kind.
func Find(k Kind) (Row, bool) {
	for _, r := range rows {
		if r.Kind == k {
			return r, true
		}
	}
	return Row{}, false
}

// Kinds lists every kind, for messages.
func Kinds() string {
	var out []string
	for _, r := range rows {
		out = append(out, string(r.Kind))
	}
	sort.Strings(out)
	return strings.Join(out, ", ")
}

// Fault is one thing that goes wrong once.
type Fault struct {
	Kind   Kind    `toml:"kind"`
	Target string  `toml:"target"` // name of the sensor, heater, blower or interlock
	With   string  `toml:"with"`   // for kinds that need two names
	Value  float64 `toml:"value"`
	// When: the first of these that is set and true. With none set it is there from the start.
	AtS         *float64 `toml:"at_s"`          // seconds after the run began
	JointAboveC *float64 `toml:"joint_above_c"` // true temperature of the coldest joint
	Phase       string   `toml:"phase"`         // when the station reaches this phase
	AfterS      *float64 `toml:"after_s"`       // so much later than joint_above_c or phase; at once when absent
	ForS        *float64 `toml:"for_s"`         // how long it lasts; for ever when absent
}

// Validate says what is wrong with the description itself; whether the target exists only the machine can say.
func (f Fault) Validate() error {
	r, ok := Find(f.Kind)
	switch {
	case !ok:
		return fmt.Errorf("kind is %q; allowed are %s", f.Kind, Kinds())
	case f.Target == "" && r.Of != AtMachine:
		return fmt.Errorf("target is missing; %s needs the name of a %s", f.Kind, r.Of)
	case f.With == "" && r.With != "":
		return fmt.Errorf("with is missing; %s needs %s", f.Kind, r.With)
	case f.With != "" && r.With == "":
		return fmt.Errorf("with is %q, but %s takes none", f.With, f.Kind)
	case r.With != "" && f.With == f.Target:
		return fmt.Errorf("with is %q, the same as target; it must be another", f.With)
	case r.Value == "" && f.Value != 0:
		return fmt.Errorf("value is %g, but %s takes none", f.Value, f.Kind)
	case !(f.Value > -10_000 && f.Value < 10_000):
		return fmt.Errorf("value is %g; it must be between -10000 and 10000", f.Value)
	case f.AtS != nil && !(*f.AtS >= 0 && *f.AtS <= 3*3600):
		return fmt.Errorf("at_s is %g; it must be between 0 and 10800", *f.AtS)
	case f.JointAboveC != nil && !(*f.JointAboveC >= -50 && *f.JointAboveC <= 500):
		return fmt.Errorf("joint_above_c is %g; it must be between -50 and 500", *f.JointAboveC)
	case f.AfterS != nil && !(*f.AfterS >= 0 && *f.AfterS <= 3600):
		return fmt.Errorf("after_s is %g; it must be between 0 and 3600", *f.AfterS)
	case f.AfterS != nil && f.JointAboveC == nil && f.Phase == "":
		return fmt.Errorf("after_s needs joint_above_c or phase to count from")
	case f.ForS != nil && !(*f.ForS > 0):
		return fmt.Errorf("for_s is %g; it must be above 0", *f.ForS)
	}
	return nil
}

// Moment is what a trigger is compared with.
type Moment struct {
	SinceStart time.Duration // since the run began; negative before
	Joint      float64       // true temperature of the coldest joint, °C
	Phase      string
}

// Timeline decides which faults are present. It remembers when each began.
type Timeline struct {
	faults []Fault
	began  []time.Duration // −1 while it has not
	met    []time.Duration // when its condition was first met, −1 while it has not been
	over   []bool
}

// NewTimeline returns a timeline of faults.
func NewTimeline(fs []Fault) *Timeline {
	t := &Timeline{faults: fs, began: make([]time.Duration, len(fs)), met: make([]time.Duration, len(fs)), over: make([]bool, len(fs))}
	for i := range t.began {
		t.began[i], t.met[i] = -1, -1
	}
	return t
}

// Step reports each fault that begins (on=true) or ends (on=false) at now. It allocates nothing.
func (t *Timeline) Step(now time.Duration, m Moment, do func(i int, f *Fault, on bool)) {
	for i := range t.faults {
		f := &t.faults[i]
		switch {
		case t.over[i]:
		case t.began[i] < 0:
			if t.met[i] < 0 && f.due(m) {
				t.met[i] = now
			}
			if t.met[i] >= 0 && (f.AfterS == nil || (now-t.met[i]).Seconds() >= *f.AfterS) {
				t.began[i] = now
				do(i, f, true)
			}
		case t.began[i] >= 0 && f.ForS != nil && (now-t.began[i]).Seconds() >= *f.ForS:
			t.over[i] = true
			do(i, f, false)
		}
	}
}

// Began returns when fault i began, and whether it has.
func (t *Timeline) Began(i int) (time.Duration, bool) { return t.began[i], t.began[i] >= 0 }

func (f *Fault) due(m Moment) bool {
	switch {
	case f.AtS != nil:
		return m.SinceStart >= 0 && m.SinceStart.Seconds() >= *f.AtS
	case f.JointAboveC != nil:
		return m.Joint >= *f.JointAboveC
	case f.Phase != "":
		return m.Phase == f.Phase
	}
	return true
}
