package fault

import (
	"fmt"
	"strings"
)

// Class is how fast the machine must react, or what else must come of a fault. The words stand in the manual.
type Class string

// The classes. R times are from the fault to every relay line and heat-enable low, by the hazard study, which prices a second of delay.
const (
	R0      Class = "R0"      // the same tick
	R1      Class = "R1"      // 1 s
	R1Slow  Class = "R1+1.6"  // 2.6 s: the chip itself looks for an open couple only once in 16 conversions
	R2      Class = "R2"      // 2 s
	R5      Class = "R5"      // 5 s
	R30     Class = "R30"     // 30 s, bounded by ceilings meanwhile
	Hold10  Class = "H10"     // heat held, off after 10 s
	Refused Class = "refused" // the run ends before its heat, or never begins
	Told    Class = "told"    // an alarm, the run goes on
	Bounded Class = "bounded" // nothing sees it for what it is; the ceilings bound what it can do
)

// Seconds is the time a class allows; ok is false for classes that are not about time.
func (c Class) Seconds() (s float64, ok bool) {
	switch c {
	case R0:
		return 0.1, true
	case R1:
		return 1, true
	case R1Slow:
		return 2.6, true
	case R2:
		return 2, true
	case R5:
		return 5, true
	case R30:
		return 30, true
	case Hold10:
		return 10.1, true
	}
	return 0, false
}

// Phase is when a fault is put on. The words are those of the command line.
type Phase string

// The phases of a run in which faults are tried.
const (
	Before  Phase = "before"  // there from the start, and the run begins with the warm-up proof
	Idle    Phase = "idle"    // comes while the machine is at rest, then somebody wants to start
	Proof   Phase = "proof"   // during the warm-up proof
	Preheat Phase = "preheat" // joint 160…120 °C below liquidus, at least 45 °C
	Soak    Phase = "soak"    // joint 75…55 °C below liquidus
	Reflow  Phase = "reflow"  // joint 30…12 °C below liquidus
	Lift    Phase = "lift"    // at peak
	Cool    Phase = "cool"    // cooling by profile, no heat
	After   Phase = "after"   // the run is over, the air runs on
)

// Phases lists them in the order of a run.
func Phases() []Phase { return []Phase{Before, Idle, Proof, Preheat, Soak, Reflow, Lift, Cool, After} }

// Expect is what must come of a case in some phase.
type Expect struct {
	Class Class
	First string // what is named first: the code of a trip, of a refusal, of an ending or an alarm; several are separated by |
}

// Names lists what may be named first; it is empty when nothing may.
func (e Expect) Names() []string {
	if e.First == "" {
		return nil
	}
	return strings.Split(e.First, "|")
}

// Case is one row of the fault table: one thing that goes wrong, and what must come of it. Tests, the shipped fault scenarios and the page
// of the manual are made from these rows, and from nothing else.
type Case struct {
	ID       string
	Hazard   string // row of the hazard study
	Fault    Fault  // without its time; the phase gives it
	In       map[Phase]Expect
	Residual string // what is left, in words
	// Law is the law that steers the run; empty is the cascade, which needs to know nothing of the board.
	Law string
	// Shown names the test that shows a case which no injection at the machine's lines can make; such a case cannot be run.
	Shown string
}

// Text says in words what is injected.
func (c *Case) Text() string {
	if c.Shown != "" {
		return c.Residual
	}
	r, _ := Find(c.Fault.Kind)
	t := r.What
	if c.Fault.Target != "" {
		t = c.Fault.Target + ": " + t
	}
	if r.Value != "" {
		t += fmt.Sprintf(" (%g, %s)", c.Fault.Value, r.Value)
	}
	if c.Fault.With != "" {
		t += " (" + c.Fault.With + ")"
	}
	if c.Law != "" {
		t += ", in a run by the law that knows the board"
	}
	return t
}

// At returns the fault as it is put on in phase p of a run with a solder that is liquid at liquidus °C, varied by v from 0 to 1 inside
// the phase.
func (c *Case) At(p Phase, v, liquidus float64) (Fault, error) {
	f := c.Fault
	num := func(x float64) *float64 { return &x }
	switch p {
	case Before:
		// there from the start
	case Idle:
		f.Phase, f.AfterS = "idle", num(0.5+v)
	case Proof:
		f.Phase, f.AfterS = "proving_sensors", num(1+20*v)
	case Preheat:
		f.JointAboveC = num(max(45, liquidus-160+40*v))
	case Soak:
		f.JointAboveC = num(liquidus - 75 + 20*v)
	case Reflow:
		f.JointAboveC = num(liquidus - 30 + 18*v)
	case Lift:
		f.Phase, f.AfterS = "lift_window", num(1+4*v)
	case Cool:
		f.Phase, f.AfterS = "cooling", num(1+10*v)
	case After:
		f.Phase, f.AfterS = "run_on", num(1+5*v)
	default:
		return f, fmt.Errorf("phase is %q; allowed are %v", p, Phases())
	}
	return f, nil
}

// FindCase returns the row with an id.
func FindCase(id string) (Case, error) {
	for _, c := range Cases() {
		if c.ID == id {
			return c, nil
		}
	}
	return Case{}, fmt.Errorf("there is no fault %q; `trivet fault list` shows them all", id)
}
