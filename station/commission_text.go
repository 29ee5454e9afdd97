package station

import (
	"fmt"

	"trivet/control/steptest"
	"trivet/safety"
)

// FindingText says in a sentence what commissioning has found, and in another what to do.
func FindingText(f steptest.Finding, u *Setup) (what, do string) {
	heater := func(i int) string {
		if i >= 0 && i < len(u.Heaters) {
			return u.Heaters[i].Label
		}
		return "another heater"
	}
	blower := func(i int) string {
		if i >= 0 && i < u.Limits.NBlowers {
			return u.Limits.Blowers[i].Name
		}
		return "another blower"
	}
	couple := "Its thermocouple"
	if f.Sensor >= 0 && f.Sensor < len(u.Sensors) {
		couple = "The thermocouple " + u.Sensors[f.Sensor].Label
	}
	h, b := heater(f.Heater), blower(f.Blower)
	const dead = "With the mains off at the isolator, " // every remedy that asks for hands inside
	switch f.Code {
	case steptest.NoReading:
		return couple + " of the heater " + h + " gave no reading at rest.", "Push its plug home and check its amplifier."
	case steptest.Noisy:
		return fmt.Sprintf("%s wanders by %.1f °C rms at rest; a sound one stays below 1 °C.", couple, f.By), "Look for a loose plug, a missing shield, or wires that run beside the heater's."
	case steptest.AirAlways:
		return b + " is proven although every blower is off: its contact sticks or is bridged.", dead + "check the airflow switch and its wires."
	case steptest.BlowerDead:
		return b + " was on alone, and no proof of air came.", dead + "check its fuse, its fan, its relay and the airflow switch."
	case steptest.AirCrossed:
		return fmt.Sprintf("%s was on alone, and the proof of %s came: two blowers, or two airflow switches, are exchanged.", b, lower(blower(f.Other))), dead + "put the wires right."
	case steptest.AirStays:
		return "The proof of " + lower(b) + " stays when it stops: its contact sticks, or its relay does.", dead + "check the airflow switch and the blower's relay."
	case steptest.AirNever:
		return "With every blower on, " + lower(b) + " is not proven.", dead + "check its supply: it may not carry all of them at once."
	case steptest.NoSensor:
		return h + " has no thermocouple of its own, so its loop cannot be measured.", "Fit one and name it in the machine file."
	case steptest.Deaf:
		return "With " + h + " on alone, no heater's thermocouple answered.", dead + "check its fuse, relay and element, and that its thermocouple sits in its place and is not shorted."
	case steptest.Crossed:
		return fmt.Sprintf("With %s on alone, the thermocouple of %s answered and its own did not: two relays' wires, or two thermocouples, are exchanged.", h, heater(f.Other)), dead + "find out which, and put them right."
	case steptest.Also:
		return fmt.Sprintf("With %s on alone, the thermocouple of %s answered too, by %.0f °C.", h, heater(f.Other), f.By), dead + "check that one relay switches one heater, and that each thermocouple sits at its own."
	case steptest.StaysHot:
		return couple + " did not fall below 60 °C, or not come to rest, in 25 minutes.", "Let the machine cool, look for what keeps it warm, and begin again."
	case steptest.Disturbed:
		return "The heat of " + h + " was held or taken away twice in the middle of its test.", "Look at the alarms of the time, mend their cause, and begin again."
	}
	return "Commissioning found something wrong.", "Begin again."
}

// testSentence says what a commissioning run is busy with.
func testSentence(s *Snapshot, u *Setup) (text, more string) {
	n := &s.Commission
	heater, blower := "", ""
	if n.Heater >= 0 && n.Heater < len(u.Heaters) {
		heater = u.Heaters[n.Heater].Label
	}
	if n.Blower >= 0 && n.Blower < u.Limits.NBlowers {
		blower = u.Limits.Blowers[n.Blower].Name
	}
	done := fmt.Sprintf(" %.0f %% done.", 100*n.Share)
	more = string(n.Step) + heater + blower
	switch n.Step {
	case steptest.Blowing:
		return "Commissioning: " + blower + " alone; does its proof come and go?" + done, more
	case steptest.Airing:
		return "Commissioning: all blowers on, before any heat." + done, more
	case steptest.Answering:
		return "Commissioning: " + heater + " alone for some seconds; which thermocouple answers?" + done, more
	case steptest.Stepping:
		return "Commissioning: step test of " + heater + ", " + Clock(n.Left) + " left at most. Hot." + done, more
	case steptest.Cooling:
		return "Commissioning: waiting for board and " + heater + " to be cool and quiet." + done, more
	}
	return "Commissioning: no heat, no air; how quiet is every sensor?" + done, more
}

// inputSentence says what the person who tests the inputs should do now.
func inputSentence(n *InputsNow, u *Setup) (text, meaning string) {
	name, kind := inputOf(n.At, u)
	meaning = fmt.Sprintf("inputs/%s/%d", n.Ask, n.At)
	switch n.Ask {
	case steptest.AskRest:
		if n.Open >= 0 {
			open, _ := inputOf(n.Open, u)
			return "Testing the inputs: everything must be closed first; " + open + " is open.", meaning + fmt.Sprint("/", n.Open)
		}
		return "Testing the inputs: next is " + name + ".", meaning
	case steptest.AskOpen:
		return "Testing the inputs: " + openText(name, kind), meaning
	case steptest.AskClose:
		back := "close " + name + " again."
		switch kind {
		case safety.EmergencyStop:
			back = "release " + name + "."
		case safety.Extraction:
			back = "switch " + name + " on again."
		case safety.Limiter:
			back = "reset " + name + " by hand, at the limiter."
		}
		return "Testing the inputs: " + back, meaning
	}
	return "Testing the inputs.", meaning
}

// InputText says what the person who tests the inputs should do now.
func InputText(n *InputsNow, u *Setup) string {
	text, _ := inputSentence(n, u)
	return text
}

// InputName names an input of the test by its number.
func InputName(i int, u *Setup) string {
	name, _ := inputOf(i, u)
	return name
}

func openText(name string, kind safety.InterlockKind) string {
	switch kind {
	case safety.EmergencyStop:
		return "press " + name + "."
	case safety.Extraction:
		return "switch " + name + " off."
	case safety.Limiter:
		return "make " + name + " trip with its test button; skip it if it has none. It is reset here as a trip afterwards."
	}
	return "open " + name + "."
}

// inputOf names an input of the test: interlocks first, then air proofs, mirror and load senses.
func inputOf(i int, u *Setup) (name string, kind safety.InterlockKind) {
	l := &u.Limits
	switch {
	case i < 0:
		return "nothing", ""
	case i < l.NInterlock:
		return l.Interlocks[i].Name, l.Interlocks[i].Kind
	case i < l.NInterlock+l.NBlowers:
		return "the proof of " + lower(l.Blowers[i-l.NInterlock].Name), ""
	case i == l.NInterlock+l.NBlowers:
		return "the contactor's mirror contact", ""
	case i-l.NInterlock-l.NBlowers-1 < l.NHeaters:
		return "the load sense of " + lower(l.Heaters[i-l.NInterlock-l.NBlowers-1].Name), ""
	}
	return "another input", ""
}
