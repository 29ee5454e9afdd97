package control

import (
	"time"

	"trivet/process/unit"
)

// Waypoint is one corner of a heater table: where air and area heaters are to be at a moment. Between corners set-points
// move in a straight line; before the first and after the last they stand.
type Waypoint struct {
	At                time.Duration // from the first heated tick
	Top, Bottom, Area unit.Celsius
}

// Table drives heaters along set-points by the clock and never looks at the joint: a zone table as a technician writes it,
// or, with many waypoints, the replay of a drive that was worked out beforehand. Cut-offs stand above it as above any law.
type Table struct {
	hands
	path  []Waypoint
	lead  bool // feed the loops the rate of the path
	begun time.Duration
	since bool
}

// NewTable returns a table at rest. Waypoints must be in order of time; with none, heaters stay at ambient. lead tells
// the heaters' loops how fast the path moves, which they otherwise find out by falling behind.
func NewTable(c Config, path []Waypoint, lead bool) *Table {
	return &Table{hands: hands{*New(c)}, path: path, lead: lead}
}

// Begin starts the table anew.
func (t *Table) Begin() {
	t.hands.Begin()
	t.since = false
}

// Step returns what to do from now until the next step.
func (t *Table) Step(now time.Duration, in *Inputs, out *Outputs) {
	dt := t.take(now, in, out)
	if !in.Heat {
		t.idle(dt, in, out)
		t.give(in, out)
		return
	}
	if !t.since {
		t.begun, t.since = now, true
	}
	here, slope := t.at(now - t.begun)
	var rate [MaxZones]float64
	for i, z := range t.cfg.Zones {
		k := int(min(z.Kind, Area))
		out.Set[i] = unit.Celsius(here[k])
		if t.lead {
			rate[i] = slope[k]
		}
	}
	t.hold(dt, &rate, in, out)
	t.give(in, out)
}

// at returns set-points in °C and their slopes in K/s by kind of heater.
func (t *Table) at(at time.Duration) (set, slope [3]float64) {
	for k := range set {
		set[k] = float64(t.cfg.Ambient)
	}
	if len(t.path) == 0 {
		return set, slope
	}
	i := 0
	for i+1 < len(t.path) && t.path[i+1].At <= at {
		i++
	}
	a := t.path[i]
	set = [3]float64{float64(a.Top), float64(a.Bottom), float64(a.Area)}
	if at < a.At || i+1 == len(t.path) {
		return set, slope
	}
	b := t.path[i+1]
	span, gone := (b.At - a.At).Seconds(), (at - a.At).Seconds()
	for k, end := range [3]float64{float64(b.Top), float64(b.Bottom), float64(b.Area)} {
		slope[k] = (end - set[k]) / span
		set[k] += slope[k] * gone
	}
	return set, slope
}

// Transfer has nothing to hand over: the clock goes on.
func (t *Table) Transfer(*Inputs) {}
