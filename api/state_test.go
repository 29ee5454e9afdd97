package api

import (
	"encoding/json"
	"maps"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"trivet/process"
	"trivet/process/unit"
	"trivet/safety"
	"trivet/station"
)

// keysOf lists the names in a JSON document, with the path to each; lists count by their first element.
func keysOf(prefix string, v any, into map[string]bool) {
	switch v := v.(type) {
	case map[string]any:
		for k, e := range v {
			into[prefix+k] = true
			keysOf(prefix+k+".", e, into)
		}
	case []any:
		if len(v) > 0 {
			keysOf(prefix, v[0], into)
		}
	}
}

// The names that pages and scripts rely on. Changing one breaks them: add, do not rename.
const stateKeys = `notices joint.doubt_c run.bounded_peak run.lessons run.no_joint alarms alarms.at_s alarms.because alarms.cause_present alarms.code alarms.do alarms.first_out alarms.flutters alarms.limit_c alarms.state alarms.subject
alarms.title alarms.trip_id alarms.value_c allowed_commands at_s board boot_id controls controls.asking controls.holder controls.holder.id
controls.holder.name controls.holder.role ended ended.by ended.code ended.reason ended.state fan
forecast forecast.begin_s forecast.code forecast.go forecast.held forecast.package_top_c forecast.package_top_c.high forecast.package_top_c.low
forecast.package_top_c.mid forecast.peak_c forecast.peak_c.high forecast.peak_c.low forecast.peak_c.mid forecast.remedy forecast.text
forecast.time_above_liquidus_s forecast.time_above_liquidus_s.high forecast.time_above_liquidus_s.low forecast.time_above_liquidus_s.mid
heat_enabled heaters heaters.air heaters.allowed heaters.ceiling_c heaters.duty heaters.kind heaters.label heaters.name heaters.on
heaters.power_w heaters.quality heaters.rated_w heaters.set_c heaters.temp_c joint joint.estimated joint.label joint.quality joint.sensor
joint.temp_c late_ms lift lift.confirmed lift.left_s lift.missed lift.molten_for_s lift.needed_s lift.open lift.waiting machine mains
mains.budget_w mains.power_w permissives permissives.code permissives.do permissives.holds permissives.text permissives.title phase
recording run run.board run.by run.elapsed_s run.id run.kind run.part run.profile run.profile_s run.segment run.segment_index
run.segment_left_s run.serial run.target_c run.total_s run.verdict run.waiting sensors sensors.ceiling_c sensors.chip sensors.label
sensors.name sensors.quality sensors.reason sensors.role sensors.temp_c sentence sentence_meaning seq simulated speed stamp_ms state time_utc trip_id version`

// rowOf finds an alarm in the table, which grows.
func rowOf(t testing.TB, code string) int {
	t.Helper()
	i := slices.IndexFunc(safety.Rows(), func(a safety.Alarm) bool { return a.Code == code })
	if i < 0 {
		t.Fatalf("there is no alarm %q", code)
	}
	return i
}

// full is a snapshot in which everything is there.
func full(t *testing.T) (*desk, *Server) {
	d := newDesk(t)
	d.running(t)
	d.snap.Ended = station.Ending{State: station.Stopped, Code: "stopped", Reason: "Stopped by Kim.", By: "Kim"}
	d.snap.Ahead = &station.Ahead{Begin: d.snap.Run.Begun, Mid: []float64{180, 181, 182}, Low: []float64{179, 180, 181}, High: []float64{181, 182, 183},
		Peak: [3]float64{233, 236, 239}, Go: true}
	d.snap.Alarms[0] = safety.Active{Row: rowOf(t, "over_ceiling"), Subject: 1, State: safety.LatchedUnacknowledged, At: 3 * time.Second, Value: unit.Measured(0, 421), Limit: 420, TripID: 4, FirstOut: true, True: true}
	d.snap.NAlarms = 1
	d.snap.Lift = station.LiftNow{Open: true, Left: 12340 * time.Millisecond, Needed: 10 * time.Second}
	d.snap.Heaters[0] = station.HeaterNow{Set: 300, HasSet: true, Duty: 0.4321, On: true, Power: 518.52, Allowed: true}
	return d, newServer(t, d)
}

func TestTheStateHasTheNamesThatOthersRelyOn(t *testing.T) {
	_, s := full(t)
	var doc any
	get(t, s, "/api/v1/state", &doc)
	got := map[string]bool{}
	keysOf("", doc, got)
	want := strings.Fields(stateKeys)
	for _, k := range want {
		if !got[k] {
			t.Errorf("missing: %s", k)
		}
		delete(got, k)
	}
	if len(got) > 0 {
		t.Errorf("new names; add them to the list: %v", slices.Sorted(maps.Keys(got)))
	}
}

func TestTheStateSaysWhatTheSnapshotSays(t *testing.T) {
	_, s := full(t)
	var st State
	get(t, s, "/api/v1/state", &st)
	if *st.Joint.Temp != 24.57 || st.Joint.Sensor != "joint-corner" || st.Joint.Label != "Corner joint" || st.Joint.Quality != "good" {
		t.Errorf("joint %+v", st.Joint)
	}
	if n := st.Sensors[1]; n.Temp != nil || n.Quality != "open" || n.Reason == "" || *n.Ceiling != 420 {
		t.Errorf("nozzle %+v", n)
	}
	if h := st.Heaters[0]; h.Temp != nil || h.Quality != "open" || *h.Set != 300 || h.Duty != 0.432 || h.Power != 518.5 || h.Rated != 1200 || h.Air != "off" {
		t.Errorf("upper head %+v", h)
	}
	if h := st.Heaters[1]; h.Air != "none" || h.Set != nil || h.Temp != nil || h.Quality != "not_read" || h.Ceiling != nil {
		t.Errorf("deck %+v", h)
	}
	if r := st.Run; r.ID != 5 || r.Profile != "Test part" || r.Segment != "preheat" || r.Elapsed != 40 || r.ProfileTime != 38 || r.Total <= 100 || r.Verdict != nil {
		t.Errorf("run %+v", r)
	}
	if a := st.Alarms[0]; a.Code != "over_ceiling" || a.Title != "nozzle-top reached its ceiling" || *a.Value != 421 || *a.Limit != 420 || a.TripID != 4 || !a.FirstOut || st.TripID != 4 {
		t.Errorf("alarm %+v", a)
	}
	if *st.Lift.Left != 12.34 || st.Speed != 20 || st.Mains.Budget != 3000 {
		t.Errorf("lift %+v, speed %v, mains %+v", st.Lift, st.Speed, st.Mains)
	}
}

func TestARunCeilingIsShownWhenItIsTheLowerOne(t *testing.T) {
	d := newDesk(t)
	s := newServer(t, d)
	for run, want := range map[unit.Celsius]float64{0: 260, 245: 245, 300: 260} {
		d.change(func(d *desk) { d.snap.Facts.RunCeiling.Joint = run })
		if st := s.now(&visitor{}); *st.Sensors[0].Ceiling != want {
			t.Errorf("run ceiling %v: shows %v; want %v", run, *st.Sensors[0].Ceiling, want)
		}
	}
}

func TestWithoutAReadingThereIsNullAndAReason(t *testing.T) {
	d := newDesk(t)
	d.snap.Coldest, d.snap.Sensors[0] = -1, unit.Unusable(0, unit.NoAnswer)
	_, _, text := ask(t, newServer(t, d), request("GET", "/api/v1/state", ""))
	if !strings.Contains(text, `"joint":{"sensor":"joint-corner","label":"Corner joint","temp_c":null,"quality":"no_answer","estimated":false,"doubt_c":null}`) {
		t.Error(text)
	}
	if !strings.Contains(text, `"run":null`) || !strings.Contains(text, `"ended":null`) {
		t.Error(text)
	}
}

func TestAnAbsurdSnapshotIsStillAState(t *testing.T) {
	d := newDesk(t)
	nan := math.NaN()
	d.snap.Coldest, d.snap.NAlarms, d.snap.Alarms[0].Row = 99, 1, 99
	d.snap.Fan, d.snap.Mains = nan, unit.Watt(math.Inf(1))
	d.snap.Heaters[0] = station.HeaterNow{Set: unit.Celsius(nan), HasSet: true, Duty: nan}
	d.setup.Heaters[0].Sensor = 99
	d.snap.Run.Order = &station.RunOrder{}
	d.snap.Run.Point.Segment = 7
	var st State
	get(t, newServer(t, d), "/api/v1/state", &st)
	if st.Heaters[0].Set != nil || st.Fan != 0 || len(st.Alarms) != 0 {
		t.Errorf("%+v", st)
	}
}

func TestAirInWords(t *testing.T) {
	d := newDesk(t)
	for name, c := range map[string]struct {
		now   station.BlowerNow
		phase station.Phase
	}{
		"off": {}, "starting": {station.BlowerNow{On: true}, station.PhaseAir}, "proven": {station.BlowerNow{On: true, Flows: true, Proven: true}, station.PhaseHeat},
		"lost": {station.BlowerNow{On: true}, station.PhaseHeat},
	} {
		d.snap.Blowers[0], d.snap.Phase = c.now, c.phase
		if got := airOf(&d.snap, &d.setup, 0); got != name {
			t.Errorf("%+v in %s: %q; want %q", c.now, c.phase, got, name)
		}
	}
}

func TestTheVerdictIsShownOnlyWhenTheRunIsOver(t *testing.T) {
	d := newDesk(t)
	d.running(t)
	d.verdict = &process.Verdict{Pass: true} // of the run before
	s := newServer(t, d)
	if st := s.now(&visitor{}); st.Run.Verdict != nil {
		t.Error("a verdict in the middle of a run")
	}
	d.change(func(d *desk) { d.snap.State = station.Complete })
	if st := s.now(&visitor{}); st.Run.Verdict == nil || *st.Run.Verdict != "pass" {
		t.Errorf("%v", st.Run.Verdict)
	}
}

// near allows for the smoothing of a plan's beginning.
func near(got, want float64) bool { return math.Abs(got-want) < 0.2 }

func TestThePlanIsThatOfTheRunOrOfAProfile(t *testing.T) {
	d := newDesk(t)
	s := newServer(t, d)
	var p PlanView
	get(t, s, "/api/v1/plan", &p) // the default profile, from where the joint is
	if p.Profile != "Test part" || !near(*p.Target[0], 24.57) || p.Liquidus < 215 || len(p.Time) != len(p.High) || len(p.Time) != len(p.Low) {
		t.Errorf("profile %q from %v °C, liquidus %v, %d points", p.Profile, *p.Target[0], p.Liquidus, len(p.Time))
	}
	for i := range p.Time {
		if p.Time[i] != float64(i) || !(*p.Low[i] <= *p.Target[i] && *p.Target[i] <= *p.High[i]) {
			t.Fatalf("at %v s: %v ≤ %v ≤ %v", p.Time[i], *p.Low[i], *p.Target[i], *p.High[i])
		}
	}
	end := 0.0
	for i, seg := range p.Segments {
		if seg.From != end || !(seg.To > seg.From) {
			t.Errorf("segment %d runs from %v to %v; the one before ends at %v", i, seg.From, seg.To, end)
		}
		end = seg.To
	}
	if len(p.Segments) != 4 || !p.Segments[2].Lift || !p.Segments[3].Cool || math.Abs(end-p.Time[len(p.Time)-1]) > 60 {
		t.Errorf("segments %+v, plan ends at %v", p.Segments, p.Time[len(p.Time)-1])
	}
	d.change(func(d *desk) { d.snap.Sensors[0] = unit.Measured(0, 170) }) // too hot to begin
	get(t, s, "/api/v1/plan?profile=test-part", &p)
	if !near(*p.Target[0], 23) {
		t.Errorf("with a hot board the preview begins at %v; want the room's 23", *p.Target[0])
	}
	d.running(t)
	get(t, s, "/api/v1/plan", &p)
	if !near(*p.Target[0], 25) {
		t.Errorf("the plan of the run begins at %v; want 25", *p.Target[0])
	}
	if _, code, _ := ask(t, s, request("GET", "/api/v1/plan?profile=other", "")); code != "no_such_profile" {
		t.Errorf("code %q", code)
	}
}

func TestTheCatalogueListsWhatMayBeRun(t *testing.T) {
	var got ProfilesView
	get(t, newServer(t, newDesk(t)), "/api/v1/profiles", &got)
	if len(got.Profiles) != 2 {
		t.Fatalf("%+v", got)
	}
	if p := got.Profiles[1]; p.Name != "test-part" || p.Title != "Test part" || p.Kind != "removal" || p.Alloy != "SAC305" || p.Peak != 240 || p.Total < 100 || !p.Default {
		t.Errorf("%+v", p)
	}
}

func BenchmarkStateForTheStream(b *testing.B) {
	d := newDesk(b)
	d.running(b)
	v := newServer(b, d).view(&d.snap, mayEverything)
	for b.Loop() {
		if _, err := json.Marshal(stateMessage{"state", 1, stateOf(&d.snap, v)}); err != nil {
			b.Fatal(err)
		}
	}
}

func TestAnEstimatedJointIsShownAsOne(t *testing.T) {
	d := newDesk(t)
	d.running(t)
	d.snap.Run.Order = &station.RunOrder{NoJoint: true, Profile: d.snap.Run.Order.Profile}
	d.snap.Estimate = station.EstimateNow{Has: true, Joint: 187.4, Doubt: 2.6}
	var st State
	get(t, newServer(t, d), "/api/v1/state", &st)
	if j := st.Joint; !j.Estimated || *j.Temp != 187.4 || *j.Doubt != 2.6 || j.Label != "Joint, estimated" || !st.Run.NoJoint {
		t.Errorf("%+v", j)
	}
}
