package safety

import "trivet/process/unit"

// Permissive is one condition that must hold before a run may start.
type Permissive struct {
	Code  string
	Title string // what holds when it holds; %s is the subject's name
	Not   string // what is wrong when it does not
	Do    string // what to do then
	Of    Subject
	Holds func(l *Limits, f *Facts, i int) bool
}

// ColdEnough is the hottest a joint or board may be when a run starts: the plan begins from a cold board, and a
// hand has just been on it. 60 °C is the trade's touch limit for seconds (common practice, no source).
const ColdEnough = unit.Celsius(60)

// warmChip is the coldest an amplifier may be when a run starts.
const warmChip = unit.Celsius(5)

// Commissioning is how far a machine has been proven channel by channel. The zero value is never.
type Commissioning uint8

// How commissioning can stand.
const (
	CommissionNever   Commissioning = iota
	CommissionStale                 // the machine file has changed since
	CommissionPartly                // begun, and not finished
	CommissionFaulty                // something was found that has not been mended
	CommissionLost                  // its result cannot be read
	CommissionUnused                // done, and the program must be started again to work with the result
	CommissionedSound               // done
)

// Owed says what is wrong in half a sentence, and nothing for a machine that is commissioned.
func (c Commissioning) Owed() string {
	switch c {
	case CommissionedSound:
		return ""
	case CommissionStale:
		return "the machine file has changed since the machine was commissioned"
	case CommissionPartly:
		return "commissioning is not finished"
	case CommissionFaulty:
		return "commissioning has found something that is not mended yet"
	case CommissionLost:
		return "the result of commissioning cannot be read"
	case CommissionUnused:
		return "what commissioning has measured is not in use yet: restart the program"
	}
	return "the machine has not been commissioned"
}

var permissives = [...]Permissive{
	{
		Code: "whole", Title: "Machine connected", Not: "part of the machine could not be connected", Do: "See which part in the notices, mend it, and start the program again.", Of: Station,
		Holds: func(l *Limits, _ *Facts, _ int) bool { return !l.Unfit },
	},
	{
		Code: "emergency_stop", Title: "Emergency stop released", Not: "the emergency stop is pressed", Do: "Turn the button to release it.", Of: EachInterlock,
		Holds: func(l *Limits, f *Facts, i int) bool { return l.Interlocks[i].Kind != EmergencyStop || f.Closed[i] },
	},
	{
		Code: "limiter", Title: "%s not tripped", Not: "%s has tripped or its wire is broken", Do: "Reset it by hand at the limiter.", Of: EachInterlock,
		Holds: func(l *Limits, f *Facts, i int) bool { return l.Interlocks[i].Kind != Limiter || f.Closed[i] },
	},
	{
		Code: "door", Title: "%s closed", Not: "%s is open", Do: "Close it.", Of: EachInterlock,
		Holds: func(l *Limits, f *Facts, i int) bool { return l.Interlocks[i].Kind != Door || f.Closed[i] },
	},
	{
		Code: "extraction", Title: "%s runs", Not: "%s is not running", Do: "Switch the fume extraction on.", Of: EachInterlock,
		Holds: func(l *Limits, f *Facts, i int) bool { return l.Interlocks[i].Kind != Extraction || f.Closed[i] },
	},
	{
		Code: "sensor", Title: "%s reads", Not: "%s does not read", Do: "Push its plug home.", Of: EachSensor,
		Holds: func(l *Limits, f *Facts, i int) bool {
			return !l.Sensors[i].Guard || without(l, f, i) || f.Readings[i].Usable()
		},
	},
	{
		Code: "cold", Title: "%s is cool", Not: "%s is still hot", Do: "Wait until it is below 60 °C.", Of: EachSensor,
		Holds: func(l *Limits, f *Facts, i int) bool {
			r := l.Sensors[i].Role
			c, ok := f.Readings[i].Temp()
			return (r != RoleJoint && r != RoleBoard && r != RolePackageTop) || !ok || c < ColdEnough
		},
	},
	{
		// Near 0 °C the all-zero frame of a dead bus is a temperature that could be true (hazard B-01).
		Code: "frost", Title: "Amplifiers are warm enough", Not: "an amplifier is below 5 °C", Do: "Warm the room up.", Of: Station,
		Holds: func(l *Limits, f *Facts, _ int) bool {
			for i := range l.NSensors {
				if c, ok := f.Cold[i].Temp(); ok && !(c >= warmChip) {
					return false
				}
			}
			return true
		},
	},
	{
		Code: "supply", Title: "Mains voltage within −15…+10 %", Not: "the mains voltage is outside −15…+10 %", Do: "Find out what else is on the circuit.", Of: Station,
		Holds: func(l *Limits, f *Facts, _ int) bool { return !l.Supply || !poorSupply(f) },
	},
	{
		// Last, so that what can be put right by hand is named first. Not is the plainest case; Commissioning.Owed tells them apart.
		Code: "commissioned", Title: "The machine is commissioned", Not: "the machine is not commissioned", Do: "Prove it channel by channel: commission it.", Of: Station,
		Holds: func(l *Limits, f *Facts, _ int) bool { return !l.Commission || f.Commissioned == CommissionedSound },
	},
}

// Permissives returns the table. The slice is fresh.
func Permissives() []Permissive { return append([]Permissive(nil), permissives[:]...) }

// Applies reports whether permissive p concerns subject i at all on this machine.
func (p *Permissive) Applies(l *Limits, i int) bool {
	switch p.Of {
	case Station:
		switch p.Code {
		case "supply":
			return i == 0 && l.Supply
		case "whole":
			return i == 0 && l.Unfit
		case "commissioned":
			return i == 0 && l.Commission
		}
		return i == 0
	case EachInterlock:
		return i < l.NInterlock && string(l.Interlocks[i].Kind) == p.Code
	case EachSensor:
		if i >= l.NSensors {
			return false
		}
		r := l.Sensors[i].Role
		return (p.Code == "sensor" && l.Sensors[i].Guard) || (p.Code == "cold" && (r == RoleJoint || r == RoleBoard || r == RolePackageTop))
	}
	return false
}

// Ready reports whether every permissive holds for every subject it applies to. The guard asks it every tick; the station asks
// once more for a run that would do without a sensor.
func Ready(l *Limits, f *Facts) bool {
	for p := range permissives {
		for i := range subjects(l, permissives[p].Of) {
			if !permissives[p].Holds(l, f, i) {
				return false
			}
		}
	}
	return true
}
