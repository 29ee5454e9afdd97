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
	Latch   bool          // stays until reset by a person, even when the cause is gone
	True    func(l *Limits, f *Facts, i int) bool
	// Asked says whether this tick can tell anything about the row at all; where it cannot, the row's memory stands still.
	// nil: every tick can.
	Asked func(l *Limits, f *Facts, i int) bool
}

// The order of the rows is the order in which simultaneous causes are named as first-out (invariant I-20):
// what a person did comes first, then what would hurt the part, then what the machine did, then sensors.
//
// Source of times: reaction classes R0…R5 of the hazard study, which prices a second of delay at full power at
// no more than 0.9 °C of joint; tests hold every row to its class.
var rows = [...]Alarm{
	{
		Code: "emergency_stop", Title: "Emergency stop is pressed", Of: EachInterlock, Action: CutHeat, Armed: true, Latch: true,
		Do:   "Make the machine safe, turn the button to release it, then reset.",
		True: func(l *Limits, f *Facts, i int) bool { return l.Interlocks[i].Kind == EmergencyStop && !f.Closed[i] },
	},
	{
		Code: "limiter", Title: "Over-temperature limiter %s has tripped", Of: EachInterlock, Action: CutHeat, Latch: true,
		Do:   "Find out what overheated, reset the limiter by hand at the limiter, then reset here.",
		True: func(l *Limits, f *Facts, i int) bool { return l.Interlocks[i].Kind == Limiter && !f.Closed[i] },
	},
	{
		Code: "door", Title: "%s opened during heat", Of: EachInterlock, Action: CutHeat, Armed: true, Latch: true,
		Do:   "Close it, check the board, then reset.",
		True: func(l *Limits, f *Facts, i int) bool { return l.Interlocks[i].Kind == Door && !f.Closed[i] },
	},
	{
		Code: "over_ceiling", Title: "%s reached its ceiling", Of: EachSensor, Action: CutHeat, Samples: 2, Latch: true,
		Do:   "Let it cool below 60 °C, then check the profile, the sensor and the part before you reset.",
		True: overCeiling,
	},
	{
		// One sample is enough to take the heat away; only two in a row are enough to end the run (invariant I-15).
		Code: "at_ceiling", Title: "%s is at its ceiling", Of: EachSensor, Action: ZoneOff,
		Do:   "Wait; heat returns when it is cooler.",
		True: overCeiling,
	},
	{
		// The load sense sees current although the relay has been told to be off for the whole tick before, which is longer
		// than any zero-crossing delay: the usual way a solid-state relay dies. Only ticks with the relay told to be off can tell,
		// and at high duty those come singly, so two of them count whether or not ticks of drive lie between. Acts at rest too.
		Code: "relay_stuck", Title: "Relay of %s is stuck on", Of: EachHeater, Action: CutHeat, Samples: 2, Latch: true,
		Do:    "Switch the machine off at its isolator and replace the relay. Do not reset before that.",
		Asked: func(_ *Limits, f *Facts, i int) bool { return !f.Driven.Has(i) },
		True: func(l *Limits, f *Facts, i int) bool {
			return l.Heaters[i].Sense && f.Sensed.Has(i) && !f.Driven.Has(i)
		},
	},
	{
		Code: "contactor_welded", Title: "The series contactor does not open", Of: Station, Action: CutHeat, After: 800 * time.Millisecond, Latch: true,
		Do:   "Switch the machine off at its isolator and have the contactor checked.",
		True: func(l *Limits, f *Facts, _ int) bool { return l.Mirror && f.Mirror && !f.Enabled },
	},
	{
		Code: "contactor_open", Title: "The series contactor does not close", Of: Station, Action: CutHeat, Armed: true, After: time.Second, Latch: true,
		Do:   "Check the emergency stop, the limiter and the heartbeat relay; one of them holds the contactor open.",
		True: func(l *Limits, f *Facts, _ int) bool { return l.Mirror && !f.Mirror && f.Enabled },
	},
	{
		// A heater without air gains 12.8 °C/s at full power. Its head is off in the same tick, because the gate
		// wants proven air; the run ends when the air does not come back (class R2: element at most 26 °C hotter).
		Code: "air_lost", Title: "%s stopped blowing during heat", Of: EachBlower, Action: CutHeat, Armed: true, After: time.Second, Latch: true,
		Do:   "Check its fuse, its fan and the airflow switch. The element is still hot: keep away until it has cooled.",
		True: func(l *Limits, f *Facts, i int) bool { return f.BlowerOn[i] && l.Blowers[i].Proof && !f.AirFlows[i] },
	},
	{
		Code: "extraction_hold", Title: "%s is not extracting", Of: EachInterlock, Action: HoldHeat, Armed: true,
		Do:   "Switch the fume extraction on; heat is held until it runs.",
		True: noExtraction,
	},
	{
		Code: "extraction", Title: "%s did not come back", Of: EachInterlock, Action: CutHeat, Armed: true, Latch: true,
		Do:   "Switch the fume extraction on and check its flow switch, then reset.",
		True: noExtraction, // its delay is configured, see Guard.after
	},
	{
		// First bad sample of a sensor that heat depends on: no more heat than now (hazard S-01).
		Code: "sensor_bad", Title: "%s is not reading", Of: EachSensor, Action: HoldHeat, Armed: true,
		Do:   "Heat is held until it reads again.",
		True: func(l *Limits, f *Facts, i int) bool { return needed(l, f, i) && !f.Readings[i].Usable() },
	},
	{
		Code: "sensor_lost", Title: "%s is lost", Of: EachSensor, Action: CutHeat, Armed: true, Latch: true,
		Do:   "Push its plug home, check the wire at the board, then reset. If that does not help, try the probe on another input.",
		True: func(l *Limits, f *Facts, i int) bool { return needed(l, f, i) && !f.Readings[i].Usable() }, // delay: LostAfter
	},
	{
		// One of several joints is gone: the run goes on with the others, and says so.
		Code: "joint_missing", Title: "%s is lost; the run goes on with the other joints", Of: EachSensor, Action: Tell, Armed: true, After: time.Second,
		Do: "The coldest joint may now be one that nobody measures: lift only when you are sure. Mend it before the next run.",
		True: func(l *Limits, f *Facts, i int) bool {
			return l.Sensors[i].Guard && !needed(l, f, i) && !without(l, f, i) && !f.Readings[i].Usable()
		},
	},
	{
		// A dead sensor that nothing depends on is worth knowing about, no more.
		Code: "sensor_out", Title: "%s is not reading", Of: EachSensor, Action: Tell, After: 2 * time.Second,
		Do:   "Heat does not depend on it. Check its plug when convenient.",
		True: func(l *Limits, f *Facts, i int) bool { return !l.Sensors[i].Guard && !f.Readings[i].Usable() },
	},
	{
		Code: "bad_drive", Title: "The control law asked for an impossible power", Of: Station, Action: CutHeat, Latch: true,
		Do:   "This is a fault in the program: save the record and report it.",
		True: func(_ *Limits, f *Facts, _ int) bool { return f.BadDrive },
	},
	{
		Code: "late", Title: "The control loop was too late", Of: Station, Action: CutHeat, Armed: true, Latch: true,
		Do:   "Find what kept the computer busy, then reset.",
		True: func(_ *Limits, f *Facts, _ int) bool { return f.Late > MaxLate },
	},
	{
		Code: "silent", Title: "The control loop fell silent", Of: Station, Action: CutHeat, Latch: true,
		Do:   "Restart the program; if it happens again save the log and report it.",
		True: func(_ *Limits, f *Facts, _ int) bool { return f.Silent },
	},
	{
		Code: "run_too_long", Title: "Heat was on for longer than any run may take", Of: Station, Action: CutHeat, Armed: true, Latch: true,
		Do:   "Check the profile; a wait may never have been met.",
		True: func(l *Limits, f *Facts, _ int) bool { return f.HeatFor >= l.MaxRun },
	},
}

// MaxLate is how late a tick may start before it counts as missed (hazard C-05: more than 300 ms).
const MaxLate = 300 * time.Millisecond

// Rows returns the table of alarms in first-out order. The slice is fresh: changing it changes nothing.
func Rows() []Alarm { return append([]Alarm(nil), rows[:]...) }

func overCeiling(l *Limits, f *Facts, i int) bool {
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

func noExtraction(l *Limits, f *Facts, i int) bool {
	return l.Interlocks[i].Kind == Extraction && !f.Closed[i]
}
