package api

import (
	"math"
	"time"

	"trivet/process"
	"trivet/process/unit"
	"trivet/safety"
	"trivet/station"
)

// view is what stateOf needs besides the snapshot.
type view struct {
	setup   *station.Setup
	alarms  []safety.Alarm // safety.Rows, fetched once
	verdict *process.Verdict
	bootID  string
	now     time.Time // label only
	may     mayCommand

	version   string
	reminders []station.Reminder
	stamp     uint64
	controls  ControlsState
}

// stateOf says in the words of the wire what a snapshot says. It is a pure function of its arguments.
func stateOf(s *station.Snapshot, v view) State {
	u := v.setup
	text, meaning := station.Sentence(s, u)
	out := State{
		Seq: s.Seq, Version: v.version, Stamp: v.stamp, BootID: v.bootID, At: seconds(s.At), Time: v.now.UTC().Format("2006-01-02T15:04:05.000Z"),
		Simulated: u.Simulated, Speed: 1, Machine: u.Name, Board: u.Board, Sentence: text, SentenceMeaning: meaning,
		State: string(s.State), Phase: string(s.Phase), Fan: round(s.Fan, 1000),
		Run: runOf(s, v.verdict), Joint: jointOf(s, u), Sensors: sensorsOf(s, u), Heaters: heatersOf(s, u),
		Permissives: permissivesOf(s, u), Alarms: alarmsOf(s, v), Lift: liftOf(&s.Lift), Forecast: forecastOf(s),
		Mains:       MainsState{Power: round(float64(s.Mains), 10), Budget: round(float64(u.Budget), 10)},
		HeatEnabled: s.HeatEnabled, Late: round(s.Late.Seconds()*1000, 1000), Recording: s.Recording, Controls: v.controls, Allowed: allowedFor(s, v.may),
	}
	// On a real machine the speed is 1, whatever is configured.
	if u.Simulated && u.Speed > 0 {
		out.Speed = round(u.Speed, 1000)
	}
	out.Notices = make([]NoticeState, 0, len(v.reminders))
	for _, r := range v.reminders {
		out.Notices = append(out.Notices, NoticeState(r))
	}
	if s.Ended.State != "" {
		out.Ended = &EndedState{string(s.Ended.State), s.Ended.Code, s.Ended.Reason, s.Ended.By}
	}
	// All latched trips share one number: that of the trip that came first.
	for i := range s.NAlarms {
		if id := s.Alarms[i].TripID; id != 0 {
			out.TripID = id
		}
	}
	return out
}

// runOf shows the present run, or the last one for as long as nobody starts another; nil before the first.
func runOf(s *station.Snapshot, v *process.Verdict) *RunState {
	o, r := s.Run.Order, &s.Run
	if o == nil {
		return nil
	}
	out := &RunState{
		ID: r.ID, Kind: string(o.Kind), Profile: o.Profile.Title, Board: o.Board, Part: o.Part, Serial: o.Serial, By: o.By,
		Elapsed: seconds(r.Elapsed), ProfileTime: seconds(r.Profile), SegmentIndex: r.Point.Segment, SegmentLeft: seconds(r.Point.SegmentLeft),
		Waiting: r.Waiting, Target: round(float64(r.Point.Target), 100), NoJoint: o.NoJoint, BoundedPeak: o.BoundedPeak, Lessons: o.Lessons,
	}
	if out.Profile == "" {
		out.Profile = o.Profile.Name
	}
	// The plan and the order come from the same snapshot, but a page must not die of a bad index.
	if i := r.Point.Segment; i >= 0 && i < len(o.Profile.Segments) {
		out.Segment = o.Profile.Segments[i].Name
	}
	if r.Plan != nil {
		out.Total = seconds(r.Plan.Total())
	}
	// While a run is going on the verdict there is belongs to the run before.
	if v != nil && !s.State.Live() {
		word := v.Word()
		out.Verdict = &word
	}
	return out
}

// jointOf shows the coldest joint; with none usable the first joint sensor and why it has no number.
func jointOf(s *station.Snapshot, u *station.Setup) *JointState {
	if o := s.Run.Order; o != nil && o.NoJoint && s.State.Live() {
		j := &JointState{Sensor: station.EstimateColumn, Label: "Joint, estimated", Quality: unit.NotRead.String(), Estimated: true}
		if e := &s.Estimate; e.Has {
			j.Temp, j.Doubt, j.Quality = number(float64(e.Joint)), number(float64(e.Doubt)), unit.Good.String()
		}
		return j
	}
	// The coldest joint is the one that decides whether a part can be lifted, so it is the one that is shown.
	i := s.Coldest
	if i < 0 || i >= len(u.Sensors) {
		for i = 0; i < len(u.Sensors) && u.Sensors[i].Role != safety.RoleJoint; i++ {
		}
	}
	if i >= min(len(u.Sensors), safety.MaxSensors) {
		return nil
	}
	return &JointState{Sensor: u.Sensors[i].Name, Label: u.Sensors[i].Label, Temp: temp(s.Sensors[i]), Quality: s.Sensors[i].Quality.String()}
}

// sensorsOf lists the sensors in the order of the machine file.
func sensorsOf(s *station.Snapshot, u *station.Setup) []SensorState {
	out := make([]SensorState, 0, len(u.Sensors))
	for i := range min(len(u.Sensors), safety.MaxSensors) {
		// The reason is half a sentence for people; programs use the quality.
		info, r := &u.Sensors[i], s.Sensors[i]
		out = append(out, SensorState{Name: info.Name, Label: info.Label, Role: string(info.Role), Chip: info.Chip,
			Temp: temp(r), Quality: r.Quality.String(), Reason: r.Quality.Reason(), Ceiling: ceiling(&u.Limits.Sensors[i], &s.Facts.RunCeiling)})
	}
	return out
}

// ceiling shows the ceiling in force for display. The guard has its own reckoning; this one cuts nothing off.
func ceiling(l *safety.Sensor, run *safety.Ceilings) *float64 {
	c := l.Ceiling
	for _, r := range []struct {
		role safety.Role
		c    unit.Celsius
	}{{safety.RoleJoint, run.Joint}, {safety.RolePackageTop, run.PackageTop}, {safety.RoleBoard, run.Board}, {safety.RoleNeighbour, run.Neighbour}} {
		if r.role == l.Role && r.c > 0 && r.c < c {
			c = r.c
		}
	}
	return above0(c)
}

// heatersOf lists the heaters in the order of the machine file. Powers are what the drive asks of the rating, not measured.
func heatersOf(s *station.Snapshot, u *station.Setup) []HeaterState {
	out := make([]HeaterState, 0, len(u.Heaters))
	for i := range min(len(u.Heaters), safety.MaxHeaters) {
		info, h := &u.Heaters[i], &s.Heaters[i]
		o := HeaterState{Name: info.Name, Label: info.Label, Kind: info.Kind, Quality: unit.NotRead.String(), Ceiling: above0(info.Ceiling),
			Duty: round(h.Duty, 1000), On: h.On, Allowed: h.Allowed, Power: round(float64(h.Power), 10), Rated: round(float64(info.Rated), 10), Air: airOf(s, u, i)}
		// A heater without a sensor of its own is driven open-loop; it has no temperature, and says so.
		if k := info.Sensor; k >= 0 && k < safety.MaxSensors {
			o.Temp, o.Quality = temp(s.Sensors[k]), s.Sensors[k].Quality.String()
		}
		if h.HasSet {
			o.Set = number(float64(h.Set))
		}
		out = append(out, o)
	}
	return out
}

// airOf says how the air of heater i's head is. A blower that runs without flow is starting while the station still proves
// the air, and lost at any other time.
func airOf(s *station.Snapshot, u *station.Setup, i int) string {
	b := u.Limits.Heaters[i].Blower
	if b < 0 || b >= safety.MaxBlowers || i >= u.Limits.NHeaters {
		return "none"
	}
	switch n := s.Blowers[b]; {
	case !n.On:
		return "off"
	case n.Proven:
		return "proven"
	case n.Flows, s.Phase == station.PhaseAir:
		return "starting"
	}
	return "lost"
}

// permissivesOf lists the conditions for heat, those that do not hold first.
func permissivesOf(s *station.Snapshot, u *station.Setup) []PermissiveNow {
	now := station.PermissivesNow(&u.Limits, &s.Facts)
	out := make([]PermissiveNow, 0, len(now))
	for _, p := range now {
		out = append(out, PermissiveNow{Code: p.Code, Title: p.Title, Holds: p.Holds, Text: p.Text, Do: p.Do})
	}
	return out
}

// alarmsOf lists the raised alarms in first-out order. A row that this program does not have is left out, not guessed at.
func alarmsOf(s *station.Snapshot, v view) []AlarmState {
	out := make([]AlarmState, 0, s.NAlarms)
	for i := range min(s.NAlarms, station.MaxAlarms) {
		a := &s.Alarms[i]
		if a.Row < 0 || a.Row >= len(v.alarms) {
			continue
		}
		because := ""
		if a.Because >= 0 && a.Because < len(v.alarms) {
			because = safety.Title(&v.setup.Limits, a.Because, causeOf(s, a.Because))
		}
		out = append(out, AlarmState{Because: because, Flutters: a.Flutters, Code: v.alarms[a.Row].Code, Subject: a.Subject, Title: safety.Title(&v.setup.Limits, a.Row, a.Subject), Do: v.alarms[a.Row].Do,
			State: string(a.State), At: seconds(a.At), Value: temp(a.Value), Limit: above0(a.Limit), TripID: a.TripID, FirstOut: a.FirstOut, Present: a.True})
	}
	return out
}

// causeOf finds the subject of the raised alarm of a row; the first, where several are raised.
func causeOf(s *station.Snapshot, row int) int {
	for i := range min(s.NAlarms, station.MaxAlarms) {
		if s.Alarms[i].Row == row {
			return s.Alarms[i].Subject
		}
	}
	return 0
}

// forecastOf shows the forecast while a run is heated; afterwards what came of it is in the record.
func forecastOf(s *station.Snapshot) *ForecastState {
	a := s.Ahead
	if a == nil || !s.State.Heats() || s.Phase == station.PhaseCool {
		return nil
	}
	why := a
	if s.NoGo && s.Why != nil {
		why = s.Why // what held the run; what comes after is made standing still
	}
	span := func(v [3]float64) Span { return Span{round(v[0], 10), round(v[1], 10), round(v[2], 10)} }
	return &ForecastState{Begin: seconds(a.Begin - s.Run.Begun), Peak: span(a.Peak), Above: span(a.Above), Body: span(a.Body),
		Go: a.Go, Held: s.NoGo, Code: why.Code, Text: why.Text, Remedy: why.Remedy}
}

// forecastCurve thins the forecast to one value every 2 s: a curve of minutes on a screen needs no more.
func forecastCurve(s *station.Snapshot) ForecastView {
	v := ForecastView{Time: []float64{}, Low: []float64{}, Mid: []float64{}, High: []float64{}}
	if forecastOf(s) == nil {
		return v
	}
	a := s.Ahead
	from := seconds(a.Begin - s.Run.Begun)
	for i := 0; i < len(a.Mid); i += 2 {
		v.Time = append(v.Time, round(from+float64(i), 10))
		v.Low, v.Mid, v.High = append(v.Low, round(a.Low[i], 10)), append(v.Mid, round(a.Mid[i], 10)), append(v.High, round(a.High[i], 10))
	}
	return v
}

func liftOf(l *station.LiftNow) LiftState {
	out := LiftState{Waiting: l.Waiting, Open: l.Open, MoltenFor: seconds(l.MoltenFor), Needed: seconds(l.Needed), Confirmed: l.Confirmed, Missed: l.Missed}
	if l.Open {
		out.Left = number(l.Left.Seconds())
	}
	return out
}

// allowedFor lists what a viewer may do now: what the station would accept of those commands that its pairing lets it give.
func allowedFor(s *station.Snapshot, may mayCommand) []AllowedCommand {
	out := []AllowedCommand{}
	for _, e := range station.Allowed(s) {
		if may.lets(e) {
			out = append(out, AllowedCommand(e))
		}
	}
	return out
}

// temp returns a reading in hundredths of a degree, or nil when there is none.
func temp(r unit.Reading) *float64 {
	c, ok := r.Temp()
	if !ok {
		return nil
	}
	return number(float64(c))
}

// number returns x in hundredths, or nil for what JSON cannot say.
func number(x float64) *float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	x = round(x, 100)
	return &x
}

// above0 returns a limit, or nil where 0 means that there is none.
func above0(c unit.Celsius) *float64 {
	if !(c > 0) {
		return nil
	}
	return number(float64(c))
}

// seconds keeps a time to the millisecond.
func seconds(d time.Duration) float64 { return round(d.Seconds(), 1000) }

// round keeps x to the given parts of one. What is not finite cannot occur in these fields (duties pass the gate, the rest is
// configured); it becomes 0, so that one bad field could never silence the whole message.
func round(x, parts float64) float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return 0
	}
	return math.Round(x*parts) / parts
}
