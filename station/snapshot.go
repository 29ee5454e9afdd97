package station

import (
	"time"

	"trivet/control/boardid"
	"trivet/control/learn"
	"trivet/process"
	"trivet/process/unit"
	"trivet/safety"
)

// MaxAlarms is how many raised alarms a snapshot carries; first-out order decides which are left out.
const MaxAlarms = 24

// Snapshot is one tick as the rest of the program sees it: a plain value of fixed size, copied once per tick.
type Snapshot struct {
	Seq   uint64        // ticks since the process began; dense
	At    time.Duration // monotonic, since the process began
	State State
	// Phase is finer than State, for people: what a running station is busy with.
	Phase Phase
	Ended Ending // how the last run ended; the zero value while none has

	Run     RunNow
	Sensors [safety.MaxSensors]unit.Reading
	Coldest int // index of the coldest usable joint sensor, negative for none
	Hottest int // index of the hottest usable joint sensor, negative for none
	Heaters [safety.MaxHeaters]HeaterNow
	Blowers [safety.MaxBlowers]BlowerNow
	Closed  [safety.MaxInterlocks]bool
	Fan     float64 // board fans, 0…1
	Ahead   *Ahead  // forecast of the law, nil while it has none; never changed once published
	NoGo    bool    // held before reflow because the forecast says that it cannot be reached
	Why     *Ahead  // the forecast that held it; what comes after is made standing still
	Lift    LiftNow
	Proof   ProofNow // meaningful in PhaseProof

	Commission CommissionNow

	Estimate EstimateNow
	Lesson   *learn.Lesson // what the run that has just ended has taught; nil during a run and where nothing was learned

	// The kink of melting has been seen in the reading of joint MeltSensor, beginning at MeltSeen.
	Melted     bool
	MeltSensor int
	MeltSeen   unit.Celsius

	// ReadyBlind says that a run without a joint thermocouple could start where one with it could not.
	ReadyBlind bool

	Verdict safety.Verdict
	Facts   safety.Facts // what the verdict was reached from, so that a page can list permissives
	Alarms  [MaxAlarms]safety.Active
	NAlarms int

	Mains       unit.Watt // drawn by the heaters in this tick
	Late        time.Duration
	HeatEnabled bool // heat-enable was given after this tick
	Recording   bool // the record keeps up; false shows the memory-only alarm
}

// Phase is what a running station is busy with. The words are sent: do not rename them.
type Phase string

// The phases.
const (
	PhaseNone     Phase = ""
	PhaseAir      Phase = "proving_air"     // blowers on, heat off, until air is proven
	PhaseProof    Phase = "proving_sensors" // warming one zone after the other to prove every thermocouple
	PhaseHeat     Phase = "heating"         // following the profile
	PhaseWait     Phase = "waiting"         // profile time stands still until the joint has caught up
	PhaseLift     Phase = "lift_window"     // at peak, for the technician
	PhaseCool     Phase = "cooling"
	PhaseRunOn    Phase = "run_on" // run is over, blowers still on until the heads are cool
	PhaseSafeCool Phase = "safe_to_touch"

	PhaseCommission Phase = "commissioning" // one channel after the other, each alone
)

// Ending says how a run ended.
type Ending struct {
	State  State
	Code   string // stable: "complete", "stopped", "trip:door", "power_lost", "no_air", …
	Reason string // one sentence for people
	By     string // who stopped it, when a person did
}

// RunNow is the run in progress, or the last one.
type RunNow struct {
	ID       int64 // 0 until the record has begun
	Order    *RunOrder
	Plan     *process.Plan // never changed once published
	Begun    time.Duration // monotonic time of the start
	Elapsed  time.Duration // real time since the start
	Profile  time.Duration // profile time; stands still in waits and holds
	Point    process.Point // what the plan says for now
	Waiting  bool
	HasPlan  bool
	Finished bool
}

// RunOrder is what somebody asked to be run. It is never changed once accepted.
type RunOrder struct {
	Kind    process.Kind
	Profile process.Profile
	Board   string // which board, in the shop's words
	Part    string
	Serial  string
	Job     string // what the run is for; empty for no job
	Step    string // and which of its steps
	By      string // who asked
	Proof   bool   // prove the thermocouples by a gentle warm-up first

	// Commission asks for no profile but for every channel to be proven and every loop to be measured; see CommissionOrder.
	Commission bool

	// NoJoint asks for a repeat with no thermocouple at the joint: steered by an estimate, always after a proof, and only on a
	// board that behaves like the ones its lesson is from.
	NoJoint bool
	// BoundedPeak lets such a run go without a lesson, without a package top, or with a board of another kind, at a lowered peak.
	BoundedPeak bool
	Lesson      *boardid.Theta // what earlier boards of this pairing have taught; nil for nothing
	Lessons     int            // how many of them
}

// EstimateNow is what a law that knows the board takes the coldest joint for.
type EstimateNow struct {
	Has   bool
	Joint unit.Celsius
	Doubt unit.Kelvin // half the width of the band that holds the true joint 95 % of the time
}

// HeaterNow is one heater in this tick.
type HeaterNow struct {
	Set     unit.Celsius // set-point of its own loop; meaningful while HasSet
	HasSet  bool
	Duty    float64 // asked, 0…1, after the power budget
	On      bool    // relay commanded on in this tick, after the gate
	Power   unit.Watt
	Allowed bool // the guard would let it be on
}

// BlowerNow is one head's air in this tick.
type BlowerNow struct {
	On     bool
	Flows  bool // the proof contact says so
	Proven bool // for long enough to heat
}

// LiftNow is the lift window. It opens when the coldest joint has been molten for long enough and closes before
// time above liquidus or the bounded hold runs out.
type LiftNow struct {
	Waiting   bool          // the profile has reached its lift segment
	MoltenFor time.Duration // coldest joint above liquidus plus margin, without a break
	Needed    time.Duration
	Open      bool
	Left      time.Duration // until it closes, while open
	Confirmed bool
	Missed    bool // closed without a confirmation
}

// Setup is what does not change while the process lives: names and numbers of this machine.
type Setup struct {
	Name      string
	Simulated bool
	Speed     float64 // 1 is real time; meaningful when simulated
	Limits    safety.Limits
	Sensors   []SensorInfo // same order as Limits.Sensors
	Heaters   []HeaterInfo // same order as Limits.Heaters
	Budget    unit.Watt    // mains power budget of all heaters together
	Period    time.Duration
	Ambient   unit.Celsius // assumed when no reading says better
	Board     string       // the board that lies on the machine, as far as is known
	BoardInfo BoardInfo
}

// SensorInfo describes one sensor to people.
type SensorInfo struct {
	Name  string // stable, as in the machine file
	Label string // for people
	Chip  string
	Type  string // thermocouple type letter
	Role  safety.Role
	Every time.Duration // sample period
}

// HeaterInfo describes one heater to people and to the control law.
type HeaterInfo struct {
	Name    string
	Label   string
	Kind    string // "hot_air_top", "hot_air_bottom", "area"
	Rated   unit.Watt
	Sensor  int // index of the sensor its own loop follows
	Ceiling unit.Celsius
}

// BoardInfo is what the shop knows of the board and part without measuring: what a calliper and a data sheet say.
type BoardInfo struct {
	Title                string
	WidthM, HeightM      float64
	ThicknessM           float64
	Layers               int
	PartWidthM           float64
	PartThicknessM       float64
	ArealHeatJPerM2K     float64 // estimated heat capacity per area, from layers and thickness
	PartArealHeatJPerM2K float64
}
