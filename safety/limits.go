// Package safety decides when heat must stop.
//
// It is a pure function of what was measured, what is configured and what has latched: no clock, no goroutine,
// no I/O. It knows nothing of profiles, jobs or tuning, and it imports nothing but units, so that no change of a
// control law can weaken a cut-off. It can only remove heat, never ask for it.
package safety

import (
	"time"

	"trivet/process/unit"
)

// Sizes of the fixed tables. A machine file with more of anything is refused when it is read.
const (
	MaxSensors    = 16
	MaxHeaters    = 8
	MaxBlowers    = 4
	MaxInterlocks = 8
)

// Mask is a set of heaters, or where it says so of sensors, one bit each, bit 0 being number 0.
type Mask uint16

// All is the set of every heater.
const All = Mask(1<<MaxHeaters - 1)

// Has reports whether i is in the set.
func (m Mask) Has(i int) bool { return m&(1<<i) != 0 }

// With returns the set with i added.
func (m Mask) With(i int) Mask { return m | 1<<i }

// Role says what a sensor watches. The words are stored and sent: do not rename them.
type Role string

// The roles a sensor can have.
const (
	RoleJoint      Role = "joint"       // at a ball under the part
	RolePackageTop Role = "package_top" // on the part's lid or mould
	RoleBoard      Role = "board"       // on the board beside the part
	RoleNozzle     Role = "nozzle"      // air leaving a hot-air head
	RoleArea       Role = "area"        // on an area emitter
	RoleNeighbour  Role = "neighbour"   // on a part that must stay cool
)

// Sensor is how one sensor is guarded.
type Sensor struct {
	Name    string
	Role    Role
	Ceiling unit.Celsius // a valid sample at or above it removes heat in the same tick
	Heaters Mask         // whose heat it limits; All for joint, package top and neighbour (invariant I-15)
	// Guard says that heat depends on this sensor: losing it for LostAfter cuts all heat.
	Guard bool
	// LostAfter is how long no valid sample may arrive. At most 2 s (invariant I-12); 0.7 s leaves room for
	// one conversion and one tick inside the 1.0 s of reaction class R1.
	LostAfter time.Duration
	// Noise is the spread of its readings at rest, K rms, as found when the machine was commissioned; zero: not known.
	Noise float64
}

// Heater is how one heater is guarded.
type Heater struct {
	Name   string
	Blower int  // index of the blower whose air must be proven; negative for a heater that needs none
	Sense  bool // a load sense is fitted behind the relay
	Loop   Loop // what a step test has found; the zero value where there was none
}

// Loop is the heat balance of a heater and its own sensor, as a step test finds it:
// duty = (T − room)/Gain + Inertia·dT/dt, for a radiating heater with the fourth powers of the absolute temperatures.
type Loop struct {
	Sensor   int     // index of the heater's own sensor
	Gain     float64 // K above the room at full power, or K⁴; zero: not known, nothing is judged by it
	Inertia  float64 // s/K, extra duty per K/s
	Radiates bool
	// Band is how far, in K, reading and balance have come apart on a healthy machine, with room (the hazard study takes
	// 1.25 times the worst of many fault-free hours).
	Band float64
}

// Blower is the air of one head.
type Blower struct {
	Name  string
	Proof bool // an airflow switch, tacho or pressure switch is fitted
}

// InterlockKind says what an interlock contact stands for.
type InterlockKind string

// The kinds of interlock.
const (
	EmergencyStop InterlockKind = "emergency_stop"
	Door          InterlockKind = "door"
	Extraction    InterlockKind = "extraction"
	Limiter       InterlockKind = "limiter" // auxiliary contact of the independent over-temperature limiter
)

// Interlock is one normally-closed contact loop: open, or a broken wire, is the unsafe side.
type Interlock struct {
	Name string
	Kind InterlockKind
}

// Limits is everything configured that the guard judges by. It is a plain value: copying it copies all of it.
type Limits struct {
	Sensors    [MaxSensors]Sensor
	NSensors   int
	Heaters    [MaxHeaters]Heater
	NHeaters   int
	Blowers    [MaxBlowers]Blower
	NBlowers   int
	Interlocks [MaxInterlocks]Interlock
	NInterlock int

	MaxRun         time.Duration // longest time heat may be wanted without a break
	ExtractionHold time.Duration // how long extraction may fail before heat is cut; at most 30 s (hazard I-01)
	Mirror         bool          // a mirror contact reports the series contactor
	Supply         bool          // the mains voltage is measured
	StartTest      bool          // contactor, one-shot and relays are proven before each run
	Commission     bool          // this machine must have been commissioned before a run; simulated ones are born so
	Room           unit.Celsius  // assumed room temperature, for the heat balances
	Unfit          bool          // part of the machine could not be connected when the program started; no run may begin
}

// Facts is what the guard sees in one tick. The zero value reports nothing good: no reading, every contact open.
type Facts struct {
	Readings [MaxSensors]unit.Reading
	Cold     [MaxSensors]unit.Reading // the amplifier's cold junction; not read where the chip does not tell
	Closed   [MaxInterlocks]bool      // interlock contact closed
	BlowerOn [MaxBlowers]bool         // commanded
	AirFlows [MaxBlowers]bool         // proof contact says air flows
	Driven   Mask                     // heater relays that were commanded on since the last tick
	Sensed   Mask                     // load seen behind the relay
	Mirror   bool                     // contactor's mirror contact says closed
	Enabled  bool                     // heat-enable was given in the last tick
	Late     time.Duration            // how late this tick started against its schedule

	// Armed is true while the station may put heat on the board. A door opened at rest is not a trip.
	Armed   bool
	HeatFor time.Duration // how long heat has been wanted in this run
	// Ceiling tightens the station's ceiling for one role in this run; zero leaves the station's own.
	// A run can never loosen a ceiling: the lower of the two counts (invariant I-16).
	RunCeiling Ceilings
	// Without is the set of sensors this run was begun without: joints of a repeat that is steered by an estimate, and the package
	// top where its peak is bounded. Losing them means nothing; a ceiling they read still counts. No other role can be left out.
	Without Mask
	// Estimate is what the law says that the joint's thermocouple should read, worked out without looking at it; unusable when it cannot say.
	Estimate unit.Reading
	Supply   float64 // mains voltage relative to nominal; zero: not measured
	// Commissioned says how the machine's commissioning stands, and is done during the run that does it.
	Commissioned Commissioning
	// Testing is true while the start-up sequence proves contactor, one-shot and relays; Test is what it wants and has found.
	Testing  bool
	Test     StartOut
	BadDrive bool // the control law asked for something that is not a duty between 0 and 1
	Silent   bool // set by the keeper: no tick arrived in time
}

// Ceilings holds the run's tighter ceilings by role without allocating.
type Ceilings struct {
	Joint, PackageTop, Board, Neighbour unit.Celsius
}

// looser reports whether any ceiling of c lets through more than that of was.
func (c *Ceilings) looser(was *Ceilings) bool {
	up := func(now, then unit.Celsius) bool { return then > 0 && !(now > 0 && now <= then) }
	return up(c.Joint, was.Joint) || up(c.PackageTop, was.PackageTop) || up(c.Board, was.Board) || up(c.Neighbour, was.Neighbour)
}

// ceiling returns the ceiling of sensor i in force in this tick.
func ceiling(l *Limits, f *Facts, i int) unit.Celsius {
	c := l.Sensors[i].Ceiling
	run := unit.Celsius(0)
	switch l.Sensors[i].Role {
	case RoleJoint:
		run = f.RunCeiling.Joint
	case RolePackageTop:
		run = f.RunCeiling.PackageTop
	case RoleBoard:
		run = f.RunCeiling.Board
	case RoleNeighbour:
		run = f.RunCeiling.Neighbour
	}
	if run > 0 && run < c {
		return run
	}
	return c
}
