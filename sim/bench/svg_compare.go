package bench

import (
	"fmt"
	"math"
	"slices"
	"time"

	"trivet/process/chart"
	"trivet/station"
)

// stroke is how a law is drawn: by pattern and weight as well as by colour, so that it can be told from the others in grey.
type stroke struct {
	colour string
	width  float64
	dash   string
}

// strokes by law. Colours differ in lightness too; the two laws with the most to show have unbroken lines.
var strokes = map[string]stroke{
	"schedule":    {"#8d6e63", 1.4, "1 3"},
	"table":       {"#8b8b86", 1.8, "1.5 3.5"},
	"pid":         {"#c2571a", 1.5, "7 3"},
	"cascade-pid": {"#9a4f96", 1.5, "9 3 1.5 3"},
	"cascade":     {"#2f7fb8", 1.6, "14 4"},
	"full":        {"#0f5c47", 2.4, ""},
	"clairvoyant": {"#111111", 0.9, ""},
}

func (s stroke) String() string {
	out := fmt.Sprintf(`stroke="%s" stroke-width="%g" stroke-linejoin="round"`, s.colour, s.width)
	if s.dash != "" {
		out += fmt.Sprintf(` stroke-dasharray="%s"`, s.dash)
	}
	return out
}

// Measures of the chart, px.
const (
	chartWide, chartHigh  = 960.0, 700.0
	chartLeft, chartRight = 62.0, 940.0
	upperTop, upperFoot   = 106.0, 424.0
	lowerTop, lowerFoot   = 458.0, 622.0
	ink, faint, rule      = "#22262b", "#63696f", "#dedbd2"
	afterHeat             = 50.0 // s of cooling that are shown
)

// SVG draws the comparison: above, the corridor, the plan by the clock and the true joint under each law; below, how far each was from the
// plan as it walked it, up to the end of heat. It is a picture: nothing in it moves or runs.
func (c *Comparison) SVG() string {
	var d chart.Drawing
	d.Begin(chartWide, chartHigh, c.title(), c.about())
	d.Text(chartLeft, 30, `font-size="17" font-weight="600" fill="`+ink+`"`, c.Parts.Board.Title)
	d.Text(chartLeft, 49, `fill="`+faint+`"`, fmt.Sprintf("How near each law keeps the joint to the plan. %s on %s.", c.Parts.Profile.Name, c.Parts.Machine.Name))
	c.legend(&d)
	last := afterHeat
	for i := range c.Laws {
		last = math.Max(last, float64(c.Laws[i].Heats)+afterHeat)
	}
	t := chart.Axis{Hi: last, From: chartLeft, To: chartRight}
	limit, cut := c.reach()
	top := chart.Axis{Lo: c.floor(), Hi: niceTop(c.highest()), From: upperFoot, To: upperTop}
	low := chart.Axis{Lo: -limit, Hi: limit, From: lowerFoot, To: lowerTop}
	fmt.Fprintf(&d, `<clipPath id="u"><rect x="%g" y="%g" width="%g" height="%g"/></clipPath><clipPath id="l"><rect x="%g" y="%g" width="%g" height="%g"/></clipPath>`+"\n",
		chartLeft, upperTop, chartRight-chartLeft, upperFoot-upperTop, chartLeft, lowerTop, chartRight-chartLeft, lowerFoot-lowerTop)
	c.zones(&d, t, top)
	grid(&d, t, top, 7, "Joint, °C")
	grid(&d, t, low, 6, "Error, °C")
	clock(&d, t)
	c.upper(&d, t, top)
	c.lower(&d, t, low)
	foot := "Below: each law against the plan as its own run walked it, until cooling begins. A run may wait for the joint, or slow down where the machine cannot follow."
	d.Text(chartLeft, chartHigh-27, small, foot)
	if cut {
		d.Text(chartLeft, chartHigh-11, small, fmt.Sprintf("Errors beyond ±%g °C are cut off. ", limit)+truth)
	} else {
		d.Text(chartLeft, chartHigh-11, small, truth)
	}
	return d.End()
}

// truth says what the lines are.
const truth = "True temperatures of the simulated outer joint. A cross marks a run that the guard stopped before its end."

const small = `font-size="11" fill="` + faint + `"`

func (c *Comparison) title() string {
	return fmt.Sprintf("%s: how near each law keeps the joint to the plan", c.Parts.Board.Title)
}

// about says in words what the picture shows.
func (c *Comparison) about() string {
	s := fmt.Sprintf("Two charts over time for profile %s on %s. Above, the joint temperature planned and reached; below, the error. Root mean square errors while heating:", c.Parts.Profile.Name, c.Parts.Machine.Name)
	for i := range c.Laws {
		s += fmt.Sprintf(" %s %s;", c.Laws[i].Law, figure(c.Laws[i].Result.Summary.RmsC, "°C"))
	}
	return s[:len(s)-1] + "."
}

func figure(v *float64, unit string) string {
	if v == nil {
		return "none"
	}
	return fmt.Sprintf("%.2f %s", *v, unit)
}

// legend is one row of samples, each with the law's error.
func (c *Comparison) legend(d *chart.Drawing) {
	x, y := chartRight-178, 49.0
	d.Line(x, y-4, x+30, y-4, planStroke)
	d.Text(x+36, y, `fill="`+ink+`"`, "plan")
	x += 84
	fmt.Fprintf(d, "<rect x=\"%s\" y=\"%s\" width=\"30\" height=\"12\" %s/>\n", chart.Px(x), chart.Px(y-10), bandFill)
	d.Text(x+36, y, `fill="`+ink+`"`, "corridor")
	x, y = chartLeft, 77
	step := math.Min(190, (chartRight-chartLeft)/float64(max(1, len(c.Laws))))
	for i := range c.Laws {
		l := &c.Laws[i]
		d.Line(x, y-4, x+34, y-4, strokes[l.Law].String())
		d.Text(x+40, y, `font-weight="600" fill="`+ink+`"`, l.Law)
		word := figure(l.Result.Summary.RmsC, "°C rms")
		if l.Result.Summary.State.State != string(station.Complete) {
			word += ", stopped"
		}
		d.Text(x+40, y+13, small, word)
		x += step
	}
}

const (
	planStroke = `stroke="` + ink + `" stroke-width="1" stroke-dasharray="2 2"`
	bandFill   = `fill="#dfe8dc" stroke="none"`
)

// zones writes the segments' names between thin lines at the top.
func (c *Comparison) zones(d *chart.Drawing, t, y chart.Axis) {
	from := 0.0
	for i, s := range c.Plan.Profile().Segments {
		to := math.Min(t.Hi, c.Plan.HoldEnd(i).Seconds())
		if s.Cool {
			to = t.Hi
		}
		if to <= from {
			break
		}
		if i > 0 {
			d.Line(t.At(from), y.To, t.At(from), lowerFoot, `stroke="`+rule+`" stroke-width="1" stroke-dasharray="1 3"`)
		}
		if wide := t.At(to) - t.At(from); wide > 7*float64(len(s.Name)) {
			d.Text(t.At((from+to)/2), y.To+30, `text-anchor="middle" `+small, s.Name)
		}
		from = to
	}
}

// grid draws lines, numbers and the name of one panel's upright axis.
func grid(d *chart.Drawing, t, y chart.Axis, n int, name string) {
	for _, v := range y.Ticks(n) {
		style := `stroke="` + rule + `" stroke-width="1"`
		if v == 0 {
			style = `stroke="` + faint + `" stroke-width="1"`
		}
		d.Line(t.From, y.At(v), t.To, y.At(v), style)
		label := fmt.Sprintf("%g", v)
		if v > 0 && y.Lo < 0 {
			label = "+" + label
		} else if v < 0 {
			label = "−" + label[1:]
		}
		d.Text(t.From-8, y.At(v)+4, `text-anchor="end" fill="`+faint+`"`, label)
	}
	mid := (y.From + y.To) / 2
	d.Text(16, mid, fmt.Sprintf(`text-anchor="middle" fill="%s" transform="rotate(-90 16 %s)"`, ink, chart.Px(mid)), name)
}

// clock draws the axis of time in minutes below both panels.
func clock(d *chart.Drawing, t chart.Axis) {
	for _, foot := range []float64{upperFoot, lowerFoot} {
		d.Line(t.From, foot, t.To, foot, `stroke="`+faint+`" stroke-width="1"`)
	}
	for s := 0.0; s <= t.Hi; s += 60 {
		for _, foot := range []float64{upperFoot, lowerFoot} {
			d.Line(t.At(s), foot, t.At(s), foot+5, `stroke="`+faint+`" stroke-width="1"`)
			d.Text(t.At(s), foot+18, `text-anchor="middle" fill="`+faint+`"`, fmt.Sprintf("%.0f", s/60))
		}
	}
	d.Text(t.To, lowerFoot+34, `text-anchor="end" fill="`+ink+`"`, "Minutes since the first heat")
}

// upper draws corridor, plan, liquidus and joints.
func (c *Comparison) upper(d *chart.Drawing, t, y chart.Axis) {
	d.WriteString("<g clip-path=\"url(#u)\">\n")
	var high, low, plan []chart.Spot
	for s := 0.0; s <= t.Hi; s++ {
		at := time.Duration(s) * time.Second
		a, b := c.Plan.Corridor(at)
		high, low = append(high, chart.Spot{X: t.At(s), Y: y.At(float64(b))}), append(low, chart.Spot{X: t.At(s), Y: y.At(float64(a))})
		plan = append(plan, chart.Spot{X: t.At(s), Y: y.At(float64(c.Plan.At(at).Target))})
	}
	d.Band(high, low, bandFill)
	liquidus := float64(c.Parts.Profile.Alloy.Liquidus)
	d.Line(t.From, y.At(liquidus), t.To, y.At(liquidus), `stroke="#b3261e" stroke-width="0.8"`)
	d.Text(t.From+6, y.At(liquidus)-5, `font-size="11" fill="#b3261e"`, fmt.Sprintf("liquidus %g °C", liquidus))
	d.Path(plan, planStroke)
	for i := range c.Laws {
		var line []chart.Spot
		for _, in := range c.Laws[i].Instant {
			if s := in.At.Seconds(); s <= t.Hi {
				line = append(line, chart.Spot{X: t.At(s), Y: y.At(in.Joint)})
			}
		}
		d.Path(line, strokes[c.Laws[i].Law].String())
		c.Laws[i].cross(d, t, y)
	}
	d.WriteString("</g>\n")
}

// cross marks where a run was stopped before its time.
func (c *Compared) cross(d *chart.Drawing, t, y chart.Axis) {
	if c.Result.Summary.State.State == string(station.Complete) || c.Heats == 0 {
		return
	}
	in := c.Instant[c.Heats-1]
	x, at, style := t.At(in.At.Seconds()), y.At(in.Joint), fmt.Sprintf(`stroke="%s" stroke-width="1.8"`, strokes[c.Law].colour)
	d.Line(x-4, at-4, x+4, at+4, style)
	d.Line(x-4, at+4, x+4, at-4, style)
}

// lower draws errors while heat is on.
func (c *Comparison) lower(d *chart.Drawing, t, y chart.Axis) {
	d.WriteString("<g clip-path=\"url(#l)\">\n")
	for i := range c.Laws {
		l := &c.Laws[i]
		var line []chart.Spot
		for _, in := range l.Instant[:l.Heats] {
			if in.Walks {
				line = append(line, chart.Spot{X: t.At(in.At.Seconds()), Y: y.At(in.Joint - in.Target)})
			}
		}
		d.Path(line, strokes[l.Law].String())
	}
	d.WriteString("</g>\n")
}

// reach returns how far the axis of errors goes on either side, and whether that cuts any off. One law that is far off must not flatten
// all others: the axis shows at most four times what the median law needs.
func (c *Comparison) reach() (limit float64, cut bool) {
	var most []float64
	for i := range c.Laws {
		l, far := &c.Laws[i], 0.0
		for _, in := range l.Instant[:l.Heats] {
			if in.Walks {
				far = math.Max(far, math.Abs(in.Joint-in.Target))
			}
		}
		most = append(most, far)
	}
	if len(most) == 0 {
		return 5, false
	}
	slices.Sort(most)
	all := most[len(most)-1]
	limit = math.Max(2, math.Min(all*1.05, 2*most[len(most)/2]))
	limit = 3 * chart.NiceStep(limit/3)
	return limit, all > limit
}

func (c *Comparison) highest() float64 {
	most := float64(c.Parts.Profile.Peak())
	for i := range c.Laws {
		for _, in := range c.Laws[i].Instant {
			most = math.Max(most, in.Joint)
		}
	}
	return most
}

// floor and niceTop give the axis of temperature room for the names of the segments above all lines.
func (c *Comparison) floor() float64  { return 25 * math.Floor(c.Parts.Scenario.AmbientC/25) }
func niceTop(highest float64) float64 { return 50 * math.Ceil((highest+30)/50) }
