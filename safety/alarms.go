package safety

import "time"

// Action is what an alarm does while it is true or latched. Later ones include earlier ones.
type Action uint8

// The actions, weakest first.
const (
	Tell     Action = iota // show it
	HoldHeat               // no heater may ask for more than it has
	ZoneOff                // the subject's own heaters go off in this tick
	CutHeat                // every heater off, heat-enable and heartbeat withheld, blowers stay on
)

// Subject says what a row of the table is evaluated for.
type Subject uint8

// The subjects.
const (
	Station Subject = iota
	EachSensor
	EachHeater
	EachBlower
	EachInterlock
)

// Alarm is one row: one thing that can be wrong with one kind of subject.
type Alarm struct {
	Code    string // stable; stored in records and sent over the API
	Title   string // %s is the subject's name
	Do      string // the first thing the operator should do
	Of      Subject
	Action  Action
	Armed   bool          // only while heat may be on the board
	After   time.Duration // how long it must be true
	Samples int           // and in how many ticks in a row, at least
	Show    time.Duration // it acts at once, but people hear of it only when it has lasted for so long
	Latch   bool          // stays until reset by a person, even when the cause is gone
	// Inspect says that somebody must look at the machine before it may heat again: such a trip is still there after a restart.
	Inspect bool
	// Explains names the alarms that follow from this one, so that people see one cause and not five.
	Explains []string
	True     func(l *Limits, f *Facts, p *past, i int) bool
	// Delay replaces After where it is in the machine file; nil: After.
	Delay func(l *Limits, i int) time.Duration
	// Asked says whether this tick can tell anything about the row at all; where it cannot, the row's memory stands still.
	// nil: every tick can.
	Asked func(l *Limits, f *Facts, p *past, i int) bool
}

// MaxLate is how late a tick may start before it counts as missed (hazard C-05: more than 300 ms).
const MaxLate = 300 * time.Millisecond

// Rows returns the table of alarms in first-out order. The slice is fresh: changing it changes nothing.
func Rows() []Alarm { return append([]Alarm(nil), rows[:]...) }

func overCeiling(l *Limits, f *Facts, _ *past, i int) bool {
	c, ok := f.Readings[i].Temp()
	limit := ceiling(l, f, i)
	return ok && limit > 0 && c >= limit
}

// without reports whether the run was begun without sensor i, as only a joint or the package top can be.
func without(l *Limits, f *Facts, i int) bool {
	r := l.Sensors[i].Role
	return f.Without.Has(i) && (r == RoleJoint || r == RolePackageTop)
}

// needed reports whether heat depends on sensor i now: it is a guard, not one the run was begun without, and not one of several
// joints of which another still reads.
func needed(l *Limits, f *Facts, i int) bool {
	if !l.Sensors[i].Guard || without(l, f, i) {
		return false
	}
	if l.Sensors[i].Role != RoleJoint {
		return true
	}
	for k := range l.NSensors {
		if k != i && l.Sensors[k].Role == RoleJoint && f.Readings[k].Usable() {
			return false
		}
	}
	return true
}

func noExtraction(l *Limits, f *Facts, _ *past, i int) bool {
	return l.Interlocks[i].Kind == Extraction && !f.Closed[i]
}
