package station

import (
	"time"

	"trivet/process/unit"
)

// Thermometer is what the loop needs to know about sensing. Read returns at once with the newest reading or the
// reason why there is none; it never blocks on a conversion and never allocates.
type Thermometer interface {
	Read(now time.Duration) unit.Reading
}

// Poller is a chip that must be served once per tick before its inputs are read.
type Poller interface {
	Poll(now time.Duration)
}

// Switch is an output: a heater relay, a blower, heat-enable, the heartbeat. It cannot be read back, because on
// real lines a read can turn an output into an input.
type Switch interface {
	Set(on bool) error
}

// Contact is an input.
type Contact interface {
	Read() bool
}

// Fan is the board cooling.
type Fan interface {
	SetDuty(share float64) error
}

// Hardware is everything the control goroutine touches. Only it does. Slices are in the order of Setup.
type Hardware struct {
	Pollers    []Poller
	Sensors    []Thermometer
	Relays     []Switch
	Blowers    []Switch
	Air        []Contact // proof of air per blower; nil where none is fitted
	Sense      []Contact // load sense per heater; nil where none is fitted
	Interlocks []Contact // true while the loop is closed
	Mirror     Contact   // true while the series contactor is closed; nil when not fitted
	Fan        Fan       // nil when not fitted
	Supply     Supply    // mains voltage; nil when not measured
}

// Lines are the two outputs of the safety goroutine. Nobody else has them.
type Lines struct {
	Enable    Switch
	Heartbeat Switch
	// Relays are the heaters' lines once more. The safety goroutine only ever switches them off, after heat-enable, when the control loop
	// has fallen silent: no drive outlives the loop that asked for it (invariant I-6). Empty where the lines cannot be shared.
	Relays []Switch
}
