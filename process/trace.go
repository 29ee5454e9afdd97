package process

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"trivet/process/unit"
)

// Roles a column of a trace can have. The words are sent: do not rename them.
const (
	RoleJoint = "joint" // at a solder joint
	RoleBody  = "body"  // on the part's body
	RoleBoard = "board" // elsewhere on the board; only the board's own ceiling applies
	RoleOther = "other" // not on the board: air, heaters, targets, forecasts; not judged
)

// Column is one recorded sensor.
type Column struct {
	Name     string
	Role     string // one of the roles above
	Readings []unit.Reading
}

// Trace is a recorded run: one reading per column for each moment of Time, which must rise.
type Trace struct {
	Time    []time.Duration
	Columns []Column
	Notes   []string // what the reader of the file wants told beside the verdict
}

// GapLimit is the longest pause between two readings that is bridged by a straight line: in 10 s a joint can move by
// 60 °C at the most, and by 5–10 °C in practice. A trace sampled more slowly than that is judged with three times its
// own median spacing. Our judgement.
const GapLimit = 10 * time.Second

// roleWords are looked for in the words of a column's name, first row first. What is not on the board must come
// first: "top_air" is air, not the top of a body.
var roleWords = [...]struct {
	role  string
	words []string
}{
	{RoleOther, []string{"air", "nozzle", "heater", "element", "emitter", "bank", "area", "deck", "ambient", "room", "cold", "target", "plan", "set",
		"setpoint", "forecast", "predicted", "estimate", "estimated", "doubt", "low", "high", "error", "limit", "window", "hood", "exhaust", "relay", "head"}},
	{RoleJoint, []string{"joint", "joints", "ball", "balls", "solder", "corner", "centre", "center", "inner", "outer"}},
	{RoleBody, []string{"body", "top", "package", "lid", "case", "die", "mould"}},
	{RoleBoard, []string{"board", "pcb", "neighbour", "neighbor", "laminate", "site", "underside"}},
}

// RolesFor returns a role for each column name. A word counts where it stands alone or is followed by digits:
// "joint1_c" and "ball-corner" are joints, "jointly" is not. One single column is a joint whatever it is called.
// If no name says joint, every column without a known word is one; otherwise such a column is taken to be on the
// board.
func RolesFor(names []string) []string {
	roles := make([]string, len(names))
	for i, n := range names {
		roles[i] = roleOf(n)
	}
	if len(names) == 1 {
		roles[0] = RoleJoint
		return roles
	}
	// Where joints are named, a column of unknown name is not quietly judged as one more.
	unknown := RoleBoard
	if !slices.Contains(roles, RoleJoint) {
		unknown = RoleJoint
	}
	for i := range roles {
		if roles[i] == "" {
			roles[i] = unknown
		}
	}
	if slices.Contains(roles, RoleJoint) {
		return roles
	}
	for i := range roles { // nothing but boards and bodies: the nearest thing to a joint is the board
		if roles[i] == RoleBoard {
			roles[i] = RoleJoint
		}
	}
	return roles
}

// roleOf returns the role that the words of a name tell, or "" if they tell none.
func roleOf(name string) string {
	words := strings.FieldsFunc(strings.ToLower(name), func(r rune) bool { return !(r >= 'a' && r <= 'z' || r >= '0' && r <= '9') })
	for _, row := range roleWords {
		for _, w := range words {
			if slices.Contains(row.words, strings.TrimRight(w, "0123456789")) {
				return row.role
			}
		}
	}
	return ""
}

// check says what is wrong with the trace as a whole.
func (t Trace) check() error {
	if len(t.Time) < 2 {
		return fmt.Errorf("the trace has %d moments; at least 2 are needed", len(t.Time))
	}
	for i := 1; i < len(t.Time); i++ {
		if t.Time[i] <= t.Time[i-1] {
			return fmt.Errorf("time does not rise at sample %d: %v after %v", i+1, t.Time[i], t.Time[i-1])
		}
	}
	// A verdict is about joints. Air or a board alone cannot prove anything about one.
	joints := 0
	for _, c := range t.Columns {
		if len(c.Readings) != len(t.Time) {
			return fmt.Errorf("column %q has %d readings for %d moments", c.Name, len(c.Readings), len(t.Time))
		}
		if c.Role == RoleJoint {
			joints++
		}
	}
	if joints == 0 {
		return fmt.Errorf("no column is a joint; name one joint_… or ball_…, or record the joint alone")
	}
	return nil
}

// gapLimit returns the longest pause that is bridged in this trace, in seconds.
func (t Trace) gapLimit() float64 {
	// The median and not the mean, so that one long pause does not widen what counts as one.
	steps := make([]time.Duration, len(t.Time)-1)
	for i := range steps {
		steps[i] = t.Time[i+1] - t.Time[i]
	}
	slices.Sort(steps)
	return max(GapLimit, 3*steps[len(steps)/2]).Seconds()
}

// series is what one column really read: its usable readings only, so that a missing one is a pause and never a number.
type series struct {
	name, role string
	t, c       []float64 // s since the first moment of the trace, and °C
	end        float64   // when the trace ends, s
	gap        float64   // longest pause that is bridged, s
}

// seriesOf returns the usable readings of column c.
func (t Trace) seriesOf(c Column, gap float64) series {
	s := series{name: c.Name, role: c.Role, gap: gap, end: (t.Time[len(t.Time)-1] - t.Time[0]).Seconds()}
	for i, r := range c.Readings {
		if v, ok := r.Temp(); ok {
			s.t = append(s.t, (t.Time[i] - t.Time[0]).Seconds())
			s.c = append(s.c, float64(v))
		}
	}
	return s
}
