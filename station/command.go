package station

import "trivet/safety"

// Command is something a person asks of the station. It goes through a bounded queue into the tick; nothing else
// from outside reaches it, and Stop does not need it.
type Command struct {
	Event   Event     // Start, Hold, Restart, Stop, Reset; or one of the next ones
	Order   *RunOrder // for Start
	TripID  uint32    // for Reset after a trip
	Alarm   string    // for Acknowledge: code
	Subject int       // for Acknowledge, and for InputTest with InputsAgain
	Inputs  InputStep // for InputTest: what to do
	By      string    // who asked
}

// Commands that do not move the state machine.
const (
	Acknowledge Event = "acknowledge"  // an alarm has been seen
	Lifted      Event = "confirm_lift" // the part is off, or for a placement: it sits
	InputTest   Event = "input_test"   // a person moves the inputs one by one, at rest
)

// InputStep is what to do in the test of the inputs. The words are sent: do not rename them.
type InputStep string

// What can be asked of the test of the inputs.
const (
	InputsBegin InputStep = "begin" // anew, with the first
	InputsSkip  InputStep = "skip"  // the present one is not fitted, or cannot be opened by hand
	InputsAgain InputStep = "again" // one of them once more: Subject
	InputsEnd   InputStep = "end"   // leave it as it is
)

// Refusal is why a command was not accepted, for the person who gave it.
type Refusal struct {
	Code string // stable: "not_now", "not_ready", "no_record", "stale", …
	What string // one sentence: what is wrong
	Do   string // one sentence: what to do
}

func (r *Refusal) Error() string {
	if r.Do == "" {
		return r.What
	}
	return r.What + " " + r.Do
}

// unready says which permissive keeps a run from starting, the first of the table.
func unready(l *safety.Limits, f *safety.Facts) *Refusal {
	for _, p := range PermissivesNow(l, f) {
		if !p.Holds {
			return &Refusal{Code: "not_ready", What: "No heat: " + p.Text + ".", Do: p.Do}
		}
	}
	return &Refusal{Code: "not_ready", What: "No heat: a condition does not hold.", Do: "Look at the list of conditions."}
}
