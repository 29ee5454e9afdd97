package process

import (
	"fmt"
	"math"
)

// Judge measures a trace and compares it with a window. The error says why nothing could be judged; a run that
// misses a limit is not an error but a verdict.
//
// Joints are taken at their worst: the coldest for peak and least time above liquidus, the hottest for ceilings.
// Readings without a number are left out and told about, never guessed; short pauses are bridged by straight lines.
func Judge(t Trace, w Window) (Verdict, error) {
	if err := t.check(); err != nil {
		return Verdict{}, err
	}
	// Everything is measured first and compared afterwards: the same findings are shown as measures and judged by
	// limits, so the two can never differ.
	j := judged{window: w, found: map[string]finding{}}
	j.sort(t)
	if len(j.joints) == 0 {
		return Verdict{}, fmt.Errorf("no joint column has two usable readings")
	}
	j.measureJoints()
	j.measureCeilings()
	j.measureBody()
	v := Verdict{Window: w, Measures: j.measures(), Columns: j.columns, Notes: append(append([]string(nil), t.Notes...), j.notes...)}
	v.Pass = true
	for _, l := range w.Limits {
		for _, c := range j.checks(l) {
			v.Checks = append(v.Checks, c)
			v.Pass = v.Pass && (c.OK || c.Advisory)
		}
	}
	return v, nil
}

// finding is the value of one measure, with the column it was found on, so that a person knows which thermocouple to
// look at. A note says what the value is not.
type finding struct {
	value  float64
	column string
	note   string
}

// judged is the work in progress: the columns by role, what was found so far by measure, and what must be told.
type judged struct {
	window                 Window
	joints, bodies, boards []series
	columns                []ColumnRole
	found                  map[string]finding
	notes                  []string
}

func (j *judged) say(format string, a ...any) { j.notes = append(j.notes, fmt.Sprintf(format, a...)) }

// sort puts each column where it belongs and notes what could not be read.
func (j *judged) sort(t Trace) {
	gap := t.gapLimit()
	if gap > GapLimit.Seconds() {
		j.say("samples are %.3g s apart; crossings and slopes are straight lines between them", gap/3)
	}
	for _, c := range t.Columns {
		j.columns = append(j.columns, ColumnRole{Name: c.Name, Role: c.Role})
		// Air and targets are hotter than any limit here and say nothing about the board.
		if c.Role == RoleOther {
			continue
		}
		s := t.seriesOf(c, gap)
		if missing := len(t.Time) - len(s.t); missing > 0 {
			j.say("%s: %d of %d readings are missing", c.Name, missing, len(t.Time))
		}
		j.sayUnseen(s)
		if len(s.t) < 2 {
			j.say("%s: not judged, it has fewer than two usable readings", c.Name)
			continue
		}
		switch c.Role {
		case RoleJoint:
			j.joints = append(j.joints, s)
		case RoleBody:
			j.bodies = append(j.bodies, s)
		case RoleBoard:
			j.boards = append(j.boards, s)
		}
	}
}

// sayUnseen tells of the longest pause that is too long to bridge, hot or not: whoever reads a verdict should know what nobody saw.
func (j *judged) sayUnseen(s series) {
	n, at := 0, 0
	for i := 1; i < len(s.t); i++ {
		if d := s.t[i] - s.t[i-1]; d > s.gap {
			n++
			if at == 0 || d > s.t[at]-s.t[at-1] {
				at = i
			}
		}
	}
	switch {
	case n == 1:
		j.say("%s: not seen from %.0f to %.0f s", s.name, s.t[at-1], s.t[at])
	case n > 1:
		j.say("%s: not seen from %.0f to %.0f s, and in %d shorter pauses", s.name, s.t[at-1], s.t[at], n-1)
	}
}

// least keeps the smaller value of a measure: for what the worst joint must still reach.
func (j *judged) least(measure string, v float64, column string) {
	if f, ok := j.found[measure]; !ok || v < f.value {
		j.found[measure] = finding{value: v, column: column}
	}
}

// most keeps the larger value of a measure: for what no column may exceed.
func (j *judged) most(measure string, v float64, column string) {
	if f, ok := j.found[measure]; !ok || v > f.value {
		j.found[measure] = finding{value: v, column: column}
	}
}

// measureJoints takes what is judged on the coldest joint.
func (j *judged) measureJoints() {
	liquidus := float64(j.window.Alloy.Liquidus)
	coldest := j.joints[0]
	lowest := math.Inf(1)
	for _, s := range j.joints {
		c, _, _ := s.peak()
		j.least(MPeak, c, s.name)
		if c < lowest {
			lowest, coldest = c, s
		}
		seen, hidden, longest := s.above(liquidus)
		j.least(MAboveLiq, seen, s.name)
		if hidden > 0 {
			j.say("%s: %.0f s above liquidus were not recorded and do not count towards the least time above liquidus", s.name, hidden)
		}
		// A thermocouple that goes silent while molten hides how long the joint stayed so. In a removal that is how a
		// lift looks, because the thermocouple stays with the board or comes off with the part; anywhere else it is a
		// hole in the evidence, and counts as one.
		switch lost := s.lostHot(liquidus); {
		case lost > s.gap && j.window.Kind == Removal:
			j.say("%s: lost while molten, %.0f s before the record ends; usual when the part is lifted off its thermocouple", s.name, lost)
		case lost > s.gap:
			longest = max(longest, lost)
		case s.c[len(s.c)-1] > liquidus:
			j.say("%s: the record ends above liquidus, so the time above liquidus is not complete", s.name)
		}
		j.most(MUnseen, longest, s.name)
	}
	if v, ok := coldest.soak(float64(j.window.SoakFrom), float64(j.window.SoakTo)); ok {
		j.found[MSoak] = finding{value: v, column: coldest.name}
	}
	// How flat the peak was; of use to whoever sets the hold, and not judged on a joint.
	near, _, _ := coldest.above(lowest - 5)
	j.found[MNearPeak] = finding{value: near, column: coldest.name}
}

// measureCeilings takes what is judged on the hottest column.
func (j *judged) measureCeilings() {
	// Without a limit of its own the body keeps the joint's ceiling: somebody who does not know the part should not
	// get a pass for it.
	hot := j.joints
	if j.window.BodyLimit == nil {
		hot = append(append([]series(nil), hot...), j.bodies...)
	}
	for _, s := range hot {
		c, _, _ := s.peak()
		j.most(MHottest, c, s.name)
	}
	for _, s := range j.boards {
		c, _, _ := s.peak()
		j.most(MBoardPeak, c, s.name)
	}
	for _, s := range append(append([]series(nil), j.joints...), j.bodies...) {
		// Time that nobody saw counts here: for a ceiling the worst is assumed, as for a floor.
		seen, hidden, _ := s.above(float64(j.window.ClassificationFrom))
		j.most(MLongestAbove, seen+hidden, s.name)
		if v, ok := s.to25Peak(); ok {
			j.most(MToPeak, v, s.name)
		}
		if up, down, ok := s.ramps(); ok {
			j.most(MRampUp, up, s.name)
			j.most(MRampDown, down, s.name)
		}
	}
}

// measureBody takes what is judged on the body. Where none was recorded and there is a limit, the hottest joint
// stands in: it can show that the limit was passed, never that it was kept.
func (j *judged) measureBody() {
	bodies, note := j.bodies, ""
	if len(bodies) == 0 {
		if j.window.BodyLimit == nil {
			return
		}
		bodies, note = j.joints, "no body was recorded; the hottest joint stands in, and a body heated from above is hotter"
		j.say("%s", note)
	}
	for _, s := range bodies {
		c, _, _ := s.peak()
		j.most(MBodyPeak, c, s.name)
		if j.window.BodyLimit != nil {
			seen, hidden, _ := s.above(float64(*j.window.BodyLimit) - 5)
			j.most(MBodyNear, seen+hidden, s.name)
		}
	}
	// The note goes with each value that is a stand-in; it also keeps the value out of the measures.
	for _, m := range []string{MBodyPeak, MBodyNear} {
		if f, ok := j.found[m]; ok {
			f.note = note
			j.found[m] = f
		}
	}
}

// hundredths rounds to what is shown and judged: what a person reads and what was compared must not differ.
func hundredths(v float64) float64 { return math.Round(v*100) / 100 }

// measures returns the findings by name. A stand-in is not a measurement of the body, so it is left out.
func (j *judged) measures() Measures {
	get := func(name string) *float64 {
		f, ok := j.found[name]
		if !ok || f.note != "" {
			return nil
		}
		v := hundredths(f.value)
		return &v
	}
	return Measures{
		Peak: get(MPeak), AboveLiquidus: get(MAboveLiq), RampUp: get(MRampUp), RampDown: get(MRampDown), ToPeak: get(MToPeak), Soak: get(MSoak),
		NearPeak: get(MNearPeak), Hottest: get(MHottest), LongestAbove: get(MLongestAbove), BodyPeak: get(MBodyPeak),
		BodyNear: get(MBodyNear), BoardPeak: get(MBoardPeak), LongestUnseen: get(MUnseen),
	}
}

// checks compares one limit with its measure: one check per bound. A measure of the board that nobody recorded is no
// check at all; any other measure that could not be taken is a limit not shown to be kept.
func (j *judged) checks(l Limit) []Check {
	f, ok := j.found[l.Measure]
	if !ok && l.Measure == MBoardPeak {
		return nil
	}
	base := Check{Name: l.Name, Measure: l.Measure, Unit: l.Unit, Source: l.Source, Confidence: l.Confidence, Advisory: l.Advisory,
		Column: f.column, Note: f.note}
	if ok {
		v := hundredths(f.value)
		base.Value = &v
	} else {
		base.Note = "not in the trace"
	}
	var out []Check
	// One check per bound, with a plain number as limit: a script need not take "235…245" apart.
	if l.Min != nil {
		c := base
		c.Bound, c.Limit = BoundMin, *l.Min
		c.OK = ok && *base.Value >= *l.Min
		out = append(out, c)
	}
	if l.Max != nil {
		c := base
		c.Bound, c.Limit = BoundMax, *l.Max
		c.OK = ok && *base.Value <= *l.Max
		out = append(out, c)
	}
	return out
}
