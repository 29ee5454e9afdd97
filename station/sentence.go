package station

import (
	"fmt"
	"math"
	"strings"
	"time"

	"trivet/process"
	"trivet/process/unit"
	"trivet/safety"
)

// Sentence says in one sentence or two what the station is doing. The page, the terminal, the log and the API all show this
// text. meaning changes only when the sentence means something new, so that a screen reader speaks then and not at every tick.
func Sentence(s *Snapshot, u *Setup) (text, meaning string) {
	meaning = string(s.State) + "/" + string(s.Phase)
	if s.Commission.Inputs.Active && !s.State.Live() {
		return inputSentence(&s.Commission.Inputs, u)
	}
	switch s.State {
	case Idle:
		return idleSentence(s, u)
	case Running, Restarting:
		text, more := runningSentence(s, u)
		return text, meaning + "/" + more
	case Holding, Held:
		if s.NoGo && s.Why != nil {
			return "Held before reflow: " + lower(s.Why.Text) + " " + s.Why.Remedy, meaning + "/no_go"
		}
		return "Held. " + jointClause(s, u) + ". Continue or stop within 3 minutes of the hold.", meaning
	case Stopping:
		return "Stopping: heat is off. " + warm(s), meaning
	case Aborting:
		return "Cut off: " + lower(s.Ended.Reason), meaning + s.Ended.Code
	}
	return strings.TrimSpace(endWord(s) + " " + warm(s)), meaning + "/" + s.Ended.Code
}

func idleSentence(s *Snapshot, u *Setup) (text, meaning string) {
	for _, p := range PermissivesNow(&u.Limits, &s.Facts) {
		if !p.Holds && s.ReadyBlind {
			return "No joint reads: push its plug home, or repeat a board that was learned here without one.", "idle/no_joint"
		}
		if !p.Holds {
			return "No heat: " + p.Text + ". " + p.Do, "idle/" + p.Code
		}
	}
	if s.Verdict.Tripped {
		return "No heat: a trip has not been reset.", "idle/tripped"
	}
	if u.Board != "" {
		return "Ready. On the machine: " + u.Board + ".", "idle/ready"
	}
	return "Ready.", "idle/ready"
}

func runningSentence(s *Snapshot, u *Setup) (text, more string) {
	name := "Profile"
	if s.Run.HasPlan {
		name = title(s.Run.Plan.Profile().Segments[s.Run.Point.Segment].Name)
	}
	switch s.Phase {
	case PhaseLayers:
		return "Proving contactor, heartbeat and relays before any heat.", ""
	case PhaseAir:
		return "Proving the air before any heat.", ""
	case PhaseProof:
		return provingSentence(s, u)
	case PhaseCommission:
		return testSentence(s, u)
	case PhaseWait:
		return fmt.Sprintf("%s: waiting for the joint. %s.", name, jointClause(s, u)), name
	case PhaseLift:
		return liftSentence(s, u)
	case PhaseCool:
		if s.Lift.Confirmed && s.Run.Order.Kind == process.Removal {
			name = "Part is off. Cooling"
		}
	}
	if s.Verdict.Hold {
		return fmt.Sprintf("%s, heat held by an alarm. %s.", name, jointClause(s, u)), "hold"
	}
	return fmt.Sprintf("%s, %s left. %s.", name, Clock(s.Run.Point.SegmentLeft), jointClause(s, u)), name
}

func liftSentence(s *Snapshot, u *Setup) (text, more string) {
	switch {
	case s.Lift.Open && s.Run.Order.Kind == process.Removal:
		return fmt.Sprintf("Lift the part now: %s left. %s.", Clock(s.Lift.Left), jointClause(s, u)), "open"
	case s.Lift.Open:
		return fmt.Sprintf("Wetting: %s left. %s.", Clock(s.Lift.Left), jointClause(s, u)), "open"
	case s.Lift.MoltenFor > 0:
		return fmt.Sprintf("Peak: joint molten for %.0f s of %.0f s. %s.", s.Lift.MoltenFor.Seconds(), s.Lift.Needed.Seconds(), jointClause(s, u)), "molten"
	}
	return fmt.Sprintf("Peak: waiting for the joint to melt. %s.", jointClause(s, u)), "peak"
}

// jointClause says where the coldest joint is and how that compares with the plan.
func jointClause(s *Snapshot, u *Setup) string {
	var c unit.Celsius
	var out string
	switch {
	case s.Run.Order != nil && s.Run.Order.NoJoint && s.State.Live():
		if !s.Estimate.Has {
			return "The joint is not known yet"
		}
		c = s.Estimate.Joint
		out = fmt.Sprintf("Joint estimated at %s, give or take %.0f °C", c, math.Ceil(float64(s.Estimate.Doubt)))
	case s.Coldest >= 0:
		c, _ = s.Sensors[s.Coldest].Temp()
		out = "Coldest joint " + c.String()
	default:
		return "No joint reads"
	}
	if s.State.Heats() && s.Run.HasPlan && s.Phase != PhaseLift {
		switch d := c.Sub(s.Run.Point.Target); {
		case d >= 0.5:
			out += fmt.Sprintf(", %.1f °C above plan", float64(d))
		case d <= -0.5:
			out += fmt.Sprintf(", %.1f °C below plan", -float64(d))
		default:
			out += ", on plan"
		}
	}
	return out
}

func endWord(s *Snapshot) string {
	switch s.State {
	case Complete:
		return strings.TrimSpace("Complete. " + trimComplete(s.Ended))
	case Stopped:
		return "Stopped. " + s.Ended.Reason
	}
	return "Cut off: " + lower(s.Ended.Reason)
}

func trimComplete(e Ending) string {
	if e.Code == "complete" {
		return ""
	}
	return e.Reason
}

// warm says whether the board may be touched. Only a measurement can say that it may.
func warm(s *Snapshot) string {
	if s.Phase == PhaseSafeCool {
		return "Everything measured is below 45 °C."
	}
	hottest, known := unit.Celsius(0), false
	for i := range s.Sensors {
		if c, ok := s.Sensors[i].Temp(); ok {
			hottest, known = max(hottest, c), true
		}
	}
	if known {
		return fmt.Sprintf("Hot: up to %.0f °C, do not touch.", float64(hottest))
	}
	return "Nothing reads: treat everything as hot."
}

// Clock writes a duration as minutes and seconds.
func Clock(d time.Duration) string {
	s := int(d.Round(time.Second).Seconds())
	return fmt.Sprintf("%d:%02d", s/60, s%60)
}

func title(s string) string {
	if s == "" {
		return "Profile"
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

func lower(s string) string {
	if s == "" {
		return s
	}
	return strings.ToLower(s[:1]) + s[1:]
}

// FirstOutText is the first-out trip as a title and what to do; empty when none is latched.
func FirstOutText(s *Snapshot, u *Setup) (title, do string) {
	for i := range s.NAlarms {
		if a := &s.Alarms[i]; a.FirstOut {
			return safety.Title(&u.Limits, a.Row, a.Subject), safety.Rows()[a.Row].Do
		}
	}
	return "", ""
}
