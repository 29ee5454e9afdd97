package report

import (
	"fmt"
	"math"
	"strings"
	"time"

	"trivet/process"
	"trivet/process/chart"
	"trivet/process/unit"
	"trivet/station"
)

// traces says which columns of the record are what.
type traces struct {
	joints, bodies                   []int
	target, profile, estimate, doubt int // -1 for none
}

// tracesOf finds the columns: sensors by what they were judged as, or by their names where there is no verdict.
func tracesOf(in *Input) (t traces) {
	t.target, t.profile, t.estimate, t.doubt = -1, -1, -1, -1
	var names []string
	var at []int
	for i, c := range in.Channels[:min(len(in.Channels), station.MaxChannels)] {
		switch c.Kind {
		case "sensor":
			names, at = append(names, c.Name), append(at, i)
		case "target":
			t.target = i
		case "profile_time":
			t.profile = i
		case "estimate":
			t.estimate = i
		case "doubt":
			t.doubt = i
		}
	}
	judged := map[string]string{}
	if v := in.Run.End.Verdict; v != nil {
		for _, c := range v.Columns {
			judged[c.Name] = c.Role
		}
	}
	for k, role := range process.RolesFor(names) {
		if len(judged) > 0 {
			role = judged[names[k]]
		}
		switch role {
		case process.RoleJoint:
			t.joints = append(t.joints, at[k])
		case process.RoleBody:
			t.bodies = append(t.bodies, at[k])
		}
	}
	return t
}

// value is a cell of the record; false where nothing was read.
func value(r *station.Sample, i int) (float64, bool) {
	if i < 0 || i >= station.MaxChannels || r.Quality[i] != unit.Good {
		return 0, false
	}
	v := float64(r.Values[i])
	return v, v == v && !math.IsInf(v, 0)
}

// Measures of the chart, px. On paper a px is about 0.24 mm.
const (
	wide, high  = 760.0, 330.0
	left, right = 46.0, 752.0
	top, foot   = 34.0, 296.0
)

// Strokes differ by pattern and weight, so that they can be told apart in grey.
const (
	jointStroke    = `stroke="#000" stroke-width="1.9" stroke-linejoin="round"`
	otherStroke    = `stroke="#000" stroke-width="1" stroke-linejoin="round"`
	bodyStroke     = `stroke="#555" stroke-width="1.3" stroke-dasharray="9 3"`
	targetStroke   = `stroke="#333" stroke-width="0.9" stroke-dasharray="2.5 2.5"`
	estimateStroke = `stroke="#000" stroke-width="1.5" stroke-dasharray="0.5 3.5" stroke-linecap="round"`
	corridorFill   = `fill="#d9d9d9" stroke="#9a9a9a" stroke-width="0.5"`
	ruleStroke     = `stroke="#d0d0d0" stroke-width="0.6"`
	axisStroke     = `stroke="#444" stroke-width="0.8"`
)

// chart draws the run: corridor, plan, joints, body, what the joint was taken for.
func (p *page) chart(in *Input, t traces) {
	defer p.close("the chart")
	if len(in.Rows) < 2 {
		p.WriteString("<p>No samples were kept.</p>\n")
		return
	}
	var d chart.Drawing
	d.Begin(wide, high, fmt.Sprintf("Temperatures of run %d", in.Run.Head.ID), "Temperature over time: the corridor as a grey band, the plan as a fine dashed line, the joints as unbroken lines, the body as long dashes, the estimated joint as dots.")
	x := chart.Axis{Hi: math.Max(60, in.Rows[len(in.Rows)-1].At.Seconds()), From: left, To: right}
	most := 50.0
	for i := range in.Rows {
		for _, k := range append(append([]int{t.target, t.estimate}, t.joints...), t.bodies...) {
			if v, ok := value(&in.Rows[i], k); ok {
				most = math.Max(most, v)
			}
		}
	}
	y := chart.Axis{Lo: 0, Hi: 25 * math.Ceil((most+8)/25), From: foot, To: top}
	axes(&d, x, y)
	low, high, plan := corridor(in, t, x, y)
	d.Band(high, low, corridorFill)
	if in.Profile != nil {
		l := float64(in.Profile.Alloy.Liquidus)
		d.Line(left, y.At(l), right, y.At(l), `stroke="#000" stroke-width="0.5"`)
		d.Text(left+4, y.At(l)-3, `font-size="9"`, fmt.Sprintf("liquidus %g °C", l))
	}
	d.Path(plan, targetStroke)
	draw := func(k int, stroke string) {
		for _, piece := range pieces(in.Rows, k, x, y) {
			d.Path(piece, stroke)
		}
	}
	for _, k := range t.bodies {
		draw(k, bodyStroke)
	}
	draw(t.estimate, estimateStroke)
	for i, k := range t.joints {
		draw(k, map[bool]string{true: jointStroke, false: otherStroke}[i == 0])
	}
	for _, e := range in.Events {
		if e.Code == "lift:confirmed" {
			d.Line(x.At(e.At.Seconds()), top, x.At(e.At.Seconds()), foot, `stroke="#000" stroke-width="0.6" stroke-dasharray="1 2"`)
			d.Text(x.At(e.At.Seconds())+3, foot-5, `font-size="9"`, "lift confirmed")
		}
	}
	legend(&d, in, t, len(low) > 1)
	p.WriteString(d.End())
}

// axes draws rules and numbers: °C upward, minutes along.
func axes(d *chart.Drawing, x, y chart.Axis) {
	for _, v := range y.Ticks(10) {
		d.Line(left, y.At(v), right, y.At(v), ruleStroke)
		d.Text(left-5, y.At(v)+3.5, `text-anchor="end" font-size="10"`, fmt.Sprintf("%g", v))
	}
	minutes := chart.Axis{Hi: x.Hi / 60, From: x.From, To: x.To}
	for _, v := range minutes.Ticks(14) {
		d.Line(minutes.At(v), foot, minutes.At(v), foot+4, axisStroke)
		d.Text(minutes.At(v), foot+15, `text-anchor="middle" font-size="10"`, fmt.Sprintf("%g", v))
	}
	d.Line(left, foot, right, foot, axisStroke)
	d.Line(left, top, left, foot, axisStroke)
	d.Text(right, foot+29, `text-anchor="end" font-size="10"`, "minutes since the start")
	d.Text(left, foot+29, `font-size="10"`, "temperature, °C")
}

// corridor is between which temperatures the joint should have been, and the plan. The corridor moves with profile time, which stands still in waits and holds.
func corridor(in *Input, t traces, x, y chart.Axis) (low, high, plan []chart.Spot) {
	var course *process.Plan
	for i := 0; i < len(in.Rows); i += max(1, len(in.Rows)/1500) {
		r := &in.Rows[i]
		target, ok := value(r, t.target)
		if !ok {
			continue
		}
		if course == nil && in.Profile != nil {
			course, _ = process.NewPlan(*in.Profile, unit.Celsius(target)) // none: then there is no corridor
		}
		at := x.At(r.At.Seconds())
		plan = append(plan, chart.Spot{X: at, Y: y.At(target)})
		s, ok := value(r, t.profile)
		if course == nil || !ok {
			continue
		}
		now := time.Duration(s * float64(time.Second))
		a, b := course.Corridor(now)
		shift := target - float64(course.At(now).Target)
		low = append(low, chart.Spot{X: at, Y: y.At(float64(a) + shift)})
		high = append(high, chart.Spot{X: at, Y: y.At(float64(b) + shift)})
	}
	return low, high, plan
}

// pieces is a column as lines; where nothing was read there is no line.
func pieces(rows []station.Sample, k int, x, y chart.Axis) (out [][]chart.Spot) {
	var now []chart.Spot
	for i := range rows {
		v, ok := value(&rows[i], k)
		if ok {
			now = append(now, chart.Spot{X: x.At(rows[i].At.Seconds()), Y: y.At(v)})
			continue
		}
		if len(now) > 1 {
			out = append(out, now)
		}
		now = nil
	}
	if len(now) > 1 {
		out = append(out, now)
	}
	return out
}

// legend names the lines that are there.
func legend(d *chart.Drawing, in *Input, t traces, corridor bool) {
	at := left
	put := func(name, stroke string) {
		d.Line(at, 14, at+30, 14, stroke)
		d.Text(at+35, 18, `font-size="10.5"`, name)
		at += 48 + 6.1*float64(len([]rune(name)))
	}
	if corridor {
		fmt.Fprintf(d, "<rect x=\"%s\" y=\"9\" width=\"30\" height=\"10\" %s/>\n", chart.Px(at), corridorFill)
		d.Text(at+35, 18, `font-size="10.5"`, "corridor")
		at += 97
	}
	put("plan", targetStroke)
	for i, k := range t.joints {
		if i < 2 {
			put(short(in.Channels[k].Name, 18), map[bool]string{true: jointStroke, false: otherStroke}[i == 0])
		}
	}
	for i, k := range t.bodies {
		if i == 0 {
			put(short(in.Channels[k].Name, 18), bodyStroke)
		}
	}
	if t.estimate >= 0 {
		put("estimated joint", estimateStroke)
	}
}

// estimate compares what was measured at the coldest joint with what the law took it for.
func (p *page) estimate(in *Input, t traces) {
	p.WriteString("<h2>Measured and estimated joint</h2>\n")
	var n, inside, banded int
	var sum, worst, worstAt, peak, doubt float64
	// Once cooling has begun nothing is steered by the joint, and after a lift its thermocouple may be anywhere.
	heats := in.Run.LastAt
	for _, e := range in.Events {
		if e.Code == "phase:cooling" {
			heats = min(heats, e.At)
		}
	}
	for i := range in.Rows {
		r := &in.Rows[i]
		e, ok := value(r, t.estimate)
		if !ok || r.At > heats {
			continue
		}
		w, hasBand := value(r, t.doubt)
		if e > peak {
			peak, doubt = e, w
		}
		coldest, seen := math.Inf(1), false
		for _, k := range t.joints {
			if v, ok := value(r, k); ok {
				coldest, seen = math.Min(coldest, v), true
			}
		}
		if !seen {
			continue
		}
		off := e - coldest
		n, sum = n+1, sum+off*off
		if math.Abs(off) > math.Abs(worst) {
			worst, worstAt = off, r.At.Seconds()
		}
		if hasBand {
			if banded++; math.Abs(off) <= w {
				inside++
			}
		}
	}
	switch {
	case n > 0:
		said := fmt.Sprintf("Until cooling, over %d samples, the estimate was off by %.2f °C rms, at most by %+.1f °C (at %s).", n, math.Sqrt(sum/float64(n)), worst, clock(time.Duration(worstAt*1e9)))
		if banded > 0 {
			said += fmt.Sprintf(" The joint was inside the estimate's own 95 %% band for %.1f %% of them.", 100*float64(inside)/float64(banded))
		}
		p.say("<p>%s</p>\n", strings.ReplaceAll(said, "-", "−"))
	case peak > 0:
		p.say("<p>Nothing measured the joint. It was taken to have reached %s, with a 95 %% band of ± %s; that is what was judged.</p>\n", fmt.Sprintf("%.1f °C", peak), fmt.Sprintf("%.1f °C", doubt))
	default:
		p.WriteString("<p>No estimate was kept.</p>\n")
	}
	p.close("measured and estimated joint")
}
