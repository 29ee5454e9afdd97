package steptest

// Code says what was found wrong. The words are stored and sent: do not rename them.
type Code string

// The findings, in the order of the steps that make them.
const (
	NoReading  Code = "no_reading"   // a heater's own couple gives no reading
	Noisy      Code = "noisy"        // a sensor wanders more at rest than a sound one can; By is K rms
	AirAlways  Code = "air_always"   // a proof says that air flows although every blower is off
	BlowerDead Code = "blower_dead"  // no proof has come
	AirCrossed Code = "air_crossed"  // the proof of another blower has come: Other
	AirStays   Code = "air_stays"    // its proof does not go when it stops
	AirNever   Code = "air_unproven" // with all blowers on, the guard does not take this one's air for proven
	NoSensor   Code = "no_sensor"    // a heater has no couple of its own, so that its loop cannot be tested
	Deaf       Code = "deaf"         // nothing has answered a heater
	Crossed    Code = "crossed"      // the couple of another heater has answered: Other is that heater
	Also       Code = "answers_too"  // the couple of another heater has answered as well: Other
	StaysHot   Code = "stays_hot"    // board or heater do not cool down
	Disturbed  Code = "disturbed"    // the guard took or held the heat in mid step, twice
)

// Finding is one thing that is wrong. Indices are negative where they do not apply.
type Finding struct {
	Code   Code
	Heater int
	Sensor int
	Blower int
	Other  int     // a second heater or blower
	By     float64 // see the codes
}

// maxFindings is more than a machine can have with one finding per channel and step; what exceeds it is dropped, and a test that has
// found so much is not passed for want of one more.
const maxFindings = 32

func (t *Test) find(f Finding) {
	if t.nFinds < maxFindings {
		t.finds[t.nFinds] = f
		t.nFinds++
	}
}

// First returns what was found first, for the sentence that ends the run; the zero value with all indices negative when nothing was.
func (t *Test) First() Finding {
	if t.nFinds == 0 {
		return Finding{Heater: -1, Sensor: -1, Blower: -1, Other: -1}
	}
	return t.finds[0]
}
