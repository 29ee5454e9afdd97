package process

import (
	"encoding/json"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"trivet/process/unit"
)

func TestWhatCannotBeJudgedIsAnError(t *testing.T) {
	sac, _ := AlloyByName("SAC305")
	w := WindowFor(Placement, sac, nil)
	c := lines(0, 25, 100, 200)
	good := func() Trace { return record(1, 100, []string{"joint_c"}, c) }
	for name, spoil := range map[string]func(*Trace){
		"empty":                 func(t *Trace) { *t = Trace{} },
		"one moment":            func(t *Trace) { t.Time = t.Time[:1]; t.Columns[0].Readings = t.Columns[0].Readings[:1] },
		"time stands still":     func(t *Trace) { t.Time[5] = t.Time[4] },
		"too few readings":      func(t *Trace) { t.Columns[0].Readings = t.Columns[0].Readings[1:] },
		"no joint":              func(t *Trace) { t.Columns[0].Role = RoleOther },
		"nothing read at all":   func(t *Trace) { t.Columns[0].Readings = make([]unit.Reading, len(t.Time)) },
		"no columns whatsoever": func(t *Trace) { t.Columns = nil },
	} {
		tr := good()
		spoil(&tr)
		if _, err := Judge(tr, w); err == nil {
			t.Errorf("%s: judged", name)
		}
	}
}

// Whatever is recorded, judging does not panic and its JSON can be written and read.
func TestAnyTraceIsJudgedOrRefused(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var tr Trace
		n := rapid.IntRange(0, 40).Draw(t, "n")
		now := time.Duration(0)
		for range n {
			now += time.Duration(rapid.Int64Range(1, int64(100*time.Second)).Draw(t, "dt"))
			tr.Time = append(tr.Time, now)
		}
		for _, role := range rapid.SliceOfN(rapid.SampledFrom([]string{RoleJoint, RoleBody, RoleBoard, RoleOther, ""}), 0, 4).Draw(t, "roles") {
			c := Column{Name: role, Role: role}
			for _, at := range tr.Time {
				c.Readings = append(c.Readings, unit.Measured(at, unit.Celsius(rapid.Float64().Draw(t, "c"))))
			}
			tr.Columns = append(tr.Columns, c)
		}
		alloy := rapid.SampledFrom(Alloys()).Draw(t, "alloy")
		limit := unit.Celsius(rapid.Float64Range(100, 300).Draw(t, "limit"))
		v, err := Judge(tr, WindowFor(rapid.SampledFrom(Kinds()).Draw(t, "kind"), alloy, &limit))
		if err != nil {
			return
		}
		data, err := json.Marshal(v)
		if err != nil || !json.Valid(data) {
			t.Fatalf("%v: %s", err, data)
		}
		_ = v.Table()
	})
}

func TestShiftingOrThinningATraceDoesNotChangeItsMeasures(t *testing.T) {
	sac, _ := AlloyByName("SAC305")
	w := WindowFor(Placement, sac, nil)
	rapid.Check(t, func(t *rapid.T) {
		up, down := rapid.Float64Range(0.4, 2.5).Draw(t, "up"), rapid.Float64Range(0.5, 3).Draw(t, "down")
		c, end := peaked(rapid.Float64Range(225, 255).Draw(t, "peak"), up, rapid.Float64Range(0, 60).Draw(t, "hold"), down)
		tr := record(10, end, []string{"joint_c"}, c)
		v, err := Judge(tr, w)
		if err != nil {
			t.Fatal(err)
		}
		shifted := tr
		shifted.Time = slices.Clone(tr.Time)
		by := time.Duration(rapid.Int64Range(-int64(time.Hour), int64(1000*time.Hour)).Draw(t, "by"))
		for i := range shifted.Time {
			shifted.Time[i] += by
		}
		if s, err := Judge(shifted, w); err != nil || !slices.EqualFunc(s.Checks, v.Checks, func(a, b Check) bool { return *a.Value == *b.Value && a.OK == b.OK }) {
			t.Fatalf("shifted by %v it is judged otherwise: %v", by, err)
		}
		thin := record(5, end, []string{"joint_c"}, c)
		th, err := Judge(thin, w)
		if err != nil {
			t.Fatal(err)
		}
		if d := math.Abs(*th.Measures.Peak - *v.Measures.Peak); d > max(up, down)*0.2+0.01 {
			t.Fatalf("thinned to 5 Hz the peak moved by %v", d)
		}
		if d := math.Abs(*th.Measures.AboveLiquidus - *v.Measures.AboveLiquidus); d > 0.5 {
			t.Fatalf("thinned to 5 Hz the time above liquidus moved by %v", d)
		}
		if d := math.Abs(*th.Measures.RampUp - *v.Measures.RampUp); d > 0.02 {
			t.Fatalf("thinned to 5 Hz the ramp moved by %v", d)
		}
	})
}

func TestAHotterTraceIsNeverMeasuredColderOrShorter(t *testing.T) {
	sac, _ := AlloyByName("SAC305")
	w := WindowFor(Placement, sac, nil)
	rapid.Check(t, func(t *rapid.T) {
		c, end := peaked(rapid.Float64Range(200, 250).Draw(t, "peak"), rapid.Float64Range(0.4, 2.5).Draw(t, "up"), rapid.Float64Range(0, 60).Draw(t, "hold"), 1.5)
		more := rapid.Float64Range(0, 10).Draw(t, "more")
		a, err := Judge(record(2, end, []string{"joint_c"}, c), w)
		if err != nil {
			t.Fatal(err)
		}
		b, err := Judge(record(2, end, []string{"joint_c"}, func(s float64) float64 { return c(s) + more }), w)
		if err != nil {
			t.Fatal(err)
		}
		if *b.Measures.Peak < *a.Measures.Peak || *b.Measures.AboveLiquidus < *a.Measures.AboveLiquidus || *b.Measures.LongestAbove < *a.Measures.LongestAbove {
			t.Fatalf("by %v hotter: %+v after %+v", more, b.Measures, a.Measures)
		}
	})
}

func TestTheJSONOfAVerdictHasWhatScriptsRelyOn(t *testing.T) {
	sac, _ := AlloyByName("SAC305")
	v := verdictOf(t, record(10, 550, []string{"joint_c"}, lines(0, 25, 360, 238, 400, 238, 550, 60)), WindowFor(Removal, sac, nil))
	data, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	var got struct {
		Verdict  string
		Measures map[string]*float64
		Checks   []map[string]any
	}
	if err := json.Unmarshal(data, &got); err != nil {
		t.Fatal(err)
	}
	if got.Verdict != "pass" || len(got.Checks) == 0 {
		t.Errorf("verdict %q, %d checks", got.Verdict, len(got.Checks))
	}
	for _, k := range []string{"peak_c", "time_above_liquidus_s", "max_ramp_up_c_per_s", "max_ramp_down_c_per_s", "time_25_to_peak_s", "soak_s"} {
		if got.Measures[k] == nil {
			t.Errorf("measure %s is missing", k)
		}
	}
	for _, k := range []string{"name", "value", "limit", "unit", "ok", "source"} {
		if _, ok := got.Checks[0][k]; !ok {
			t.Errorf("a check has no %s", k)
		}
	}
}

func TestRolesComeFromTheWordsOfAName(t *testing.T) {
	for _, c := range []struct{ names, want string }{
		{"temp", RoleJoint}, {"board_c", RoleJoint}, // a single column is the joint
		{"joint1_c body_c board_c tc4_c", "joint body board board"},
		{"ball-corner ball-centre package_top", "joint joint body"},
		{"tc1_c tc2_c", "joint joint"},
		{"tc1_c lid_c", "joint body"},
		{"joint_c target_c top_air_c bottom_nozzle_c ambient_c", "joint other other other other"},
		{"board_c body_c", "joint body"},
		{"jointly_c joint_c", "board joint"},
	} {
		if got := strings.Join(RolesFor(strings.Fields(c.names)), " "); got != c.want {
			t.Errorf("%s: %s, want %s", c.names, got, c.want)
		}
	}
}

func BenchmarkJudgeTenMinutesAtTenHertz(b *testing.B) {
	sac, _ := AlloyByName("SAC305")
	tr := record(10, 600, []string{"joint_c"}, lines(0, 25, 360, 238, 400, 238, 550, 60))
	w := WindowFor(Removal, sac, nil)
	for b.Loop() {
		verdictOf(b, tr, w)
	}
}
