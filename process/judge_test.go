package process

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"trivet/process/unit"
)

// course is a temperature over time, in seconds and °C.
type course func(s float64) float64

// corners makes a course of straight lines: pairs of seconds and °C.
func lines(xy ...float64) course {
	return func(s float64) float64 {
		for i := 2; i < len(xy); i += 2 {
			if s <= xy[i] {
				return xy[i-1] + (xy[i+1]-xy[i-1])*(s-xy[i-2])/(xy[i]-xy[i-2])
			}
		}
		return xy[len(xy)-1]
	}
}

// peaked rises from 25 °C to peak, holds, and falls to 60 °C.
func peaked(peak, up, hold, down float64) (c course, seconds float64) {
	t1 := (peak - 25) / up
	t2 := t1 + hold
	t3 := t2 + (peak-60)/down
	return lines(0, 25, t1, peak, t2, peak, t3, 60), t3
}

// record samples courses into a trace, one column for each name; a course may return NaN where nothing is read.
func record(hz, seconds float64, names []string, courses ...course) Trace {
	var tr Trace
	n := int(seconds*hz) + 1
	for i := range n {
		tr.Time = append(tr.Time, time.Duration(math.Round(float64(i)/hz*1e9)))
	}
	roles := RolesFor(names)
	for k, c := range courses {
		col := Column{Name: names[k], Role: roles[k]}
		for _, now := range tr.Time {
			r := unit.Unusable(now, unit.Open)
			if v := c(now.Seconds()); !math.IsNaN(v) {
				r = unit.Measured(now, unit.Celsius(v))
			}
			col.Readings = append(col.Readings, r)
		}
		tr.Columns = append(tr.Columns, col)
	}
	return tr
}

func verdictOf(t testing.TB, tr Trace, w Window) Verdict {
	t.Helper()
	v, err := Judge(tr, w)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func near(t *testing.T, what string, got *float64, want, within float64) {
	t.Helper()
	if got == nil {
		t.Errorf("%s was not measured, want %v", what, want)
	} else if !(math.Abs(*got-want) <= within) {
		t.Errorf("%s is %v, want %v ± %v", what, *got, want, within)
	}
}

// at217 is an alloy whose liquidus is where the standard counts from.
func at217() Alloy {
	a, _ := AlloyByName("SAC305")
	a.Liquidus = 217
	return a
}

// 217→240→217 at +0.8/−1.2 °C/s: 28.75 + 19.17 = 47.92 s, the worked example "about 48 s".
func TestMeasuresOfATriangleAreExact(t *testing.T) {
	c, end := peaked(240, 0.8, 0, 1.2)
	v := verdictOf(t, record(10, end, []string{"joint_c"}, c), WindowFor(Placement, at217(), nil))
	near(t, "time above liquidus", v.Measures.AboveLiquidus, 23/0.8+23/1.2, 0.01)
	near(t, "peak", v.Measures.Peak, 240, 0.05) // the tip lies between two samples
	near(t, "ramp up", v.Measures.RampUp, 0.8, 0.005)
	near(t, "ramp down", v.Measures.RampDown, 1.2, 0.005)
	near(t, "25 °C to peak", v.Measures.ToPeak, 215/0.8, 0.1)
	near(t, "soak", v.Measures.Soak, 50/0.8, 0.01)
	near(t, "time within 5 °C of the peak", v.Measures.NearPeak, 5/0.8+5/1.2, 0.2)
	if v.Measures.BodyPeak != nil || v.Measures.BoardPeak != nil {
		t.Error("a body or a board was measured where there is none")
	}
}

func TestATraceOfCornersAloneIsMeasuredAsWellAsADenseOne(t *testing.T) {
	tr := Trace{Columns: []Column{{Name: "x", Role: RoleJoint}}}
	for _, p := range [][2]float64{{0, 25}, {178, 149.6}, {266, 189.2}, {311, 216.2}, {346, 237.2}, {376, 237.2}, {526, 57.2}} {
		at := time.Duration(p[0]) * time.Second
		tr.Time = append(tr.Time, at)
		tr.Columns[0].Readings = append(tr.Columns[0].Readings, unit.Measured(at, unit.Celsius(p[1])))
	}
	v := verdictOf(t, tr, WindowFor(Placement, at217(), nil))
	near(t, "peak", v.Measures.Peak, 237.2, 0)
	near(t, "time above liquidus", v.Measures.AboveLiquidus, 20.2/0.6+30+20.2/1.2, 0.01)
	near(t, "ramp up", v.Measures.RampUp, 124.6/178, 0.005)
	near(t, "ramp down", v.Measures.RampDown, 1.2, 0.005)
	near(t, "25 °C to peak", v.Measures.ToPeak, 346, 0)
	if len(v.Notes) == 0 || !strings.Contains(v.Notes[0], "apart") {
		t.Errorf("notes %q do not tell that samples are far apart", v.Notes)
	}
}

func TestSeveralVisitsAboveLiquidusAddUp(t *testing.T) {
	c := lines(0, 25, 200, 227, 220, 207, 240, 227, 400, 67) // 217 is crossed four times
	v := verdictOf(t, record(10, 400, []string{"joint_c"}, c), WindowFor(Placement, at217(), nil))
	near(t, "time above liquidus", v.Measures.AboveLiquidus, 10/1.01+10+10+10, 0.01)
}

func TestQuantisedNoiseMovesTheMeasuresOnlyALittle(t *testing.T) {
	c, end := peaked(240, 0.8, 25, 1.2)
	rng := rand.New(rand.NewPCG(1, 2))
	noisy := func(s float64) float64 { return math.Round((c(s)+rng.NormFloat64()*0.25)*4) / 4 } // steps of 0.25 °C
	v := verdictOf(t, record(10, end, []string{"joint_c"}, noisy), WindowFor(Placement, at217(), nil))
	near(t, "time above liquidus", v.Measures.AboveLiquidus, 23/0.8+25+23/1.2, 0.5)
	near(t, "peak", v.Measures.Peak, 240.5, 0.5)
	near(t, "ramp up", v.Measures.RampUp, 0.85, 0.08)
	near(t, "ramp down", v.Measures.RampDown, 1.25, 0.08)
	near(t, "soak", v.Measures.Soak, 62.5, 1)
}

func TestWithSeveralJointsTheColdestAndTheHottestAreJudged(t *testing.T) {
	cold, end := peaked(236, 0.6, 30, 1.2)
	hot, _ := peaked(251, 0.65, 30, 1.2)
	sac, _ := AlloyByName("SAC305")
	v := verdictOf(t, record(10, end, []string{"joint_centre", "joint_corner", "nozzle_c"}, cold, hot, func(float64) float64 { return 380 }), WindowFor(Placement, sac, nil))
	near(t, "peak", v.Measures.Peak, 236, 0.05)
	near(t, "hottest", v.Measures.Hottest, 251, 0.05)
	near(t, "time above liquidus", v.Measures.AboveLiquidus, 16/0.6+30+16/1.2, 0.05)
	near(t, "ramp up", v.Measures.RampUp, 0.65, 0.005)
	missed := v.Missed()
	if v.Pass || len(missed) != 1 || missed[0].Measure != MHottest || missed[0].Column != "joint_corner" || missed[0].Bound != BoundMax {
		t.Errorf("missed %+v, want only the hottest joint", missed)
	}
}

func TestEachLimitIsMissedByTheTraceThatBreaksIt(t *testing.T) {
	sac, _ := AlloyByName("SAC305")
	tin, _ := AlloyByName("Sn63Pb37")
	body := unit.Celsius(245)
	for name, c := range map[string]struct {
		alloy  Alloy
		kind   Kind
		course course
		want   []string // measures that are missed
	}{
		"nothing":                          {sac, Placement, lines(0, 25, 360, 238, 400, 238, 550, 60), nil},
		"nothing, tin-lead":                {tin, Placement, lines(0, 25, 330, 210, 350, 210, 450, 60), nil},
		"peak too low":                     {sac, Placement, lines(0, 25, 360, 229, 430, 229, 550, 60), []string{MPeak}},
		"never molten":                     {sac, Placement, lines(0, 25, 360, 210, 400, 210, 550, 60), []string{MPeak, MAboveLiq}},
		"peak too high for the joint":      {tin, Placement, lines(0, 25, 330, 230, 350, 230, 450, 60), []string{MHottest, MBodyNear}},
		"short above liquidus, but enough": {sac, Placement, lines(0, 25, 360, 238, 365, 238, 550, 60), nil},
		"much too short above liquidus":    {sac, Placement, lines(0, 25, 360, 200, 380, 238, 400, 60), []string{MAboveLiq, MRampDown}},
		"the same in a removal":            {sac, Removal, lines(0, 25, 360, 200, 380, 238, 430, 60), nil},
		"too long above liquidus":          {sac, Placement, lines(0, 25, 360, 238, 500, 238, 650, 60), []string{MLongestAbove}},
		"ramp up too steep":                {sac, Placement, lines(0, 25, 30, 125, 360, 238, 400, 238, 550, 60), []string{MRampUp}},
		"ramp down too steep":              {sac, Placement, lines(0, 25, 360, 238, 400, 238, 425, 60), []string{MRampDown}},
		"too long to the peak":             {sac, Placement, lines(0, 25, 490, 238, 520, 238, 650, 60), []string{MToPeak}},
		"too long to the peak, tin-lead":   {tin, Placement, lines(0, 25, 370, 210, 390, 210, 550, 60), []string{MToPeak}},
		"idle before the heat counts not":  {sac, Placement, lines(0, 25, 300, 25, 660, 238, 700, 238, 850, 60), nil},
	} {
		t.Run(name, func(t *testing.T) {
			w := WindowFor(c.kind, c.alloy, &body)
			if c.alloy.TinLead() {
				low := unit.Celsius(220)
				w = WindowFor(c.kind, c.alloy, &low)
			}
			names := []string{"joint_c", "body_c"}
			cooler := func(s float64) float64 { return c.course(s) - 1 }
			v := verdictOf(t, record(10, 900, names, c.course, cooler), w)
			var got []string
			for _, m := range v.Missed() {
				got = append(got, m.Measure)
			}
			want := slices.Clone(c.want)
			if c.alloy.TinLead() && slices.Contains(want, MBodyNear) {
				want = []string{MHottest, MBodyPeak, MBodyNear}
			}
			if !slices.Equal(got, want) {
				t.Errorf("missed %v, want %v\n%s", got, want, v.Table())
			}
			if v.Pass != (len(want) == 0) {
				t.Errorf("pass is %v", v.Pass)
			}
		})
	}
}

func TestTheBodyIsJudgedByItsOwnLimitAndByItsTimeNearIt(t *testing.T) {
	sac, _ := AlloyByName("SAC305")
	limit := unit.Celsius(260)
	joint := lines(0, 25, 360, 238, 400, 238, 550, 60)
	body := lines(0, 25, 350, 256, 390, 256, 540, 60) // 40 s and a little above 255
	v := verdictOf(t, record(10, 550, []string{"joint_c", "body_c"}, joint, body), WindowFor(Placement, sac, &limit))
	near(t, "body peak", v.Measures.BodyPeak, 256, 0)
	near(t, "hottest joint", v.Measures.Hottest, 238, 0.01)
	if missed := v.Missed(); len(missed) != 1 || missed[0].Measure != MBodyNear || *missed[0].Value < 40 {
		t.Errorf("missed %+v, want the time within 5 °C of the limit", missed)
	}
	v = verdictOf(t, record(10, 550, []string{"joint_c", "body_c"}, joint, body), WindowFor(Placement, sac, nil))
	if missed := v.Missed(); len(missed) == 0 || missed[0].Measure != MHottest || missed[0].Column != "body_c" {
		t.Errorf("without a limit of its own the body must keep the joint's ceiling; missed %+v", missed)
	}
}

func TestAJointStandsInForABodyNobodyRecordedAndTheVerdictSaysSo(t *testing.T) {
	sac, _ := AlloyByName("SAC305")
	limit := unit.Celsius(235)
	c := lines(0, 25, 360, 238, 400, 238, 550, 60)
	v := verdictOf(t, record(10, 550, []string{"joint_c"}, c), WindowFor(Placement, sac, &limit))
	if v.Measures.BodyPeak != nil {
		t.Error("a joint was passed off as a measured body")
	}
	if missed := v.Missed(); len(missed) != 2 || missed[0].Value == nil || *missed[0].Value != 238 || missed[0].Note == "" {
		t.Errorf("missed %+v", missed)
	}
}

func TestShortPausesAreBridgedAndLongOnesAreToldAndNeverCounted(t *testing.T) {
	sac := at217()
	base := lines(0, 25, 360, 238, 420, 238, 570, 60)
	full := verdictOf(t, record(10, 570, []string{"joint_c"}, base), WindowFor(Placement, sac, nil))
	lost := func(from, to float64) Verdict {
		return verdictOf(t, record(10, 570, []string{"joint_c"}, func(s float64) float64 {
			if s > from && s < to {
				return math.NaN()
			}
			return base(s)
		}), WindowFor(Placement, sac, nil))
	}
	short, long, cold := lost(380, 388), lost(380, 400), lost(100, 130)
	if *short.Measures.AboveLiquidus != *full.Measures.AboveLiquidus || !short.Pass {
		t.Errorf("a pause of 8 s changed %v to %v, pass %v", *full.Measures.AboveLiquidus, *short.Measures.AboveLiquidus, short.Pass)
	}
	near(t, "time above liquidus", long.Measures.AboveLiquidus, *full.Measures.AboveLiquidus-20, 0.01)
	near(t, "longest time above liquidus", long.Measures.LongestAbove, *full.Measures.LongestAbove, 0.01)
	near(t, "unseen", long.Measures.LongestUnseen, 20, 0.2)
	if m := long.Missed(); len(m) != 1 || m[0].Measure != MUnseen {
		t.Errorf("missed %+v, want what nobody saw", m)
	}
	if !cold.Pass || len(cold.Notes) == 0 {
		t.Errorf("a pause while cold: pass %v, notes %q", cold.Pass, cold.Notes)
	}
}

func TestAJointLostWhileMoltenFailsAPlacementButNotALift(t *testing.T) {
	base := lines(0, 25, 360, 238, 420, 238, 570, 60)
	c := func(s float64) float64 {
		if s > 410 {
			return math.NaN()
		}
		return base(s)
	}
	for kind, pass := range map[Kind]bool{Placement: false, Removal: true} {
		v := verdictOf(t, record(10, 570, []string{"joint_c"}, c), WindowFor(kind, at217(), nil))
		if v.Pass != pass {
			t.Errorf("%s: pass %v\n%s", kind, v.Pass, v.Table())
		}
	}
}
