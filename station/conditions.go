package station

import (
	"fmt"

	"trivet/safety"
)

// PermissiveNow is one condition for heat as it stands.
type PermissiveNow struct {
	Code  string
	Title string // what holds when it holds
	Text  string // half a sentence: what is wrong, or what holds
	Do    string // empty when it holds
	Holds bool
}

// PermissivesNow lists the conditions that apply to this machine, the ones that do not hold first.
func PermissivesNow(l *safety.Limits, f *safety.Facts) []PermissiveNow {
	var bad, good []PermissiveNow
	for _, p := range safety.Permissives() {
		for i := range safety.MaxSensors {
			if !p.Applies(l, i) {
				continue
			}
			name := ""
			switch p.Of {
			case safety.EachSensor:
				name = l.Sensors[i].Name
			case safety.EachInterlock:
				name = l.Interlocks[i].Name
			}
			n := PermissiveNow{Code: p.Code, Title: fill(p.Title, name), Holds: p.Holds(l, f, i)}
			if n.Holds {
				n.Text = n.Title
				good = append(good, n)
				continue
			}
			n.Text, n.Do = fill(p.Not, name), p.Do
			if p.Code == "commissioned" {
				n.Text = f.Commissioned.Owed()
			}
			if p.Code == "sensor" {
				n.Text += " (" + f.Readings[i].Quality.Reason() + ")"
			}
			bad = append(bad, n)
		}
	}
	return append(bad, good...)
}

// fill puts the subject's name where the text has room for one.
func fill(format, name string) string {
	for i := 0; i+1 < len(format); i++ {
		if format[i] == '%' && format[i+1] == 's' {
			return fmt.Sprintf(format, name)
		}
	}
	return format
}

// Allowed lists the commands that would be accepted from a person now. Stop always is.
func Allowed(s *Snapshot) []Event {
	out := []Event{Stop}
	switch s.State {
	case Idle, Complete, Stopped:
		if (s.Verdict.Ready || s.ReadyBlind) && !s.Verdict.Tripped && s.Recording {
			out = append(out, Start)
		}
	case Running:
		if s.Phase == PhaseHeat || s.Phase == PhaseWait {
			out = append(out, Hold)
		}
	case Held, Holding:
		out = append(out, Restart)
	}
	if resettable(s) {
		out = append(out, Reset)
	}
	for i := range s.NAlarms {
		switch s.Alarms[i].State {
		case safety.Unacknowledged, safety.ReturnedUnacked, safety.LatchedUnacknowledged:
			return append(lift(s, out), Acknowledge)
		}
	}
	return lift(s, out)
}

// resettable reports whether there is a trip, the run it ended is at rest, and every cause is gone.
func resettable(s *Snapshot) bool {
	tripped := false
	for i := range s.NAlarms {
		if s.Alarms[i].TripID != 0 {
			tripped = true
			if s.Alarms[i].True {
				return false
			}
		}
	}
	return tripped && !s.State.Live()
}

func lift(s *Snapshot, out []Event) []Event {
	if s.Lift.Open {
		out = append(out, Lifted)
	}
	return out
}
