package bench

import (
	"math"
	"time"

	"trivet/process"
	"trivet/process/unit"
	"trivet/station"
)

// Summary is the figures of one run, as written to summary.json. Errors are those of the true joint, not of the reading.
// A figure that the run did not get far enough to have is null.
type Summary struct {
	Scenario string     `json:"scenario"`
	Machine  string     `json:"machine"`
	Board    string     `json:"board"`
	Profile  string     `json:"profile"`
	Law      string     `json:"law"`
	Verdict  string     `json:"verdict"`
	State    StateEnded `json:"state"`
	Sentence string     `json:"sentence"`

	RmsC         *float64 `json:"rms_c"`                       // true corner joint against the plan, heating phase, from the first heat to the lift
	RmsAbove150C *float64 `json:"rms_above_150_c"`             // the same where the plan is above 150 °C
	RmsNoKinkC   *float64 `json:"rms_above_150_no_kink_c"`     // the same without the range in which the solder melts
	PeakErrorC   *float64 `json:"peak_error_c"`                // true peak minus the profile's peak target
	PeakC        *float64 `json:"peak_c"`                      // true peak of the coldest joint
	TalErrorS    *float64 `json:"time_above_liquidus_error_s"` // true time above liquidus minus that of the plan as it was followed
	TalS         *float64 `json:"time_above_liquidus_s"`
	MaxDeltaTC   *float64 `json:"max_delta_t_c"` // hottest minus coldest joint, true
	MaxBodyC     *float64 `json:"max_body_c"`    // true package top
	MaxBoardC    *float64 `json:"max_board_c"`
	MaxElementC  *float64 `json:"max_element_c"` // hotter of the two air elements
	ToPeakS      *float64 `json:"time_to_peak_s"`
	CoolS        *float64 `json:"cool_to_60_s"` // from the peak

	EstimateRmsC  *float64 `json:"estimate_rms_c"`        // estimated minus true corner joint while heating by the plan
	EstimatePeakC *float64 `json:"estimate_peak_error_c"` // the same between the highest of both
	BandCovers    *float64 `json:"band_covers"`           // share of that time in which the true joint is inside the estimate's band
	KinDistance   *float64 `json:"kin_distance"`          // from the boards of the lesson, at the last forecast before reflow; null without a lesson

	MeltSeenC  *float64 `json:"melt_seen_c"` // reading at which the kink of melting began, null when none was seen
	Trips      []string `json:"trips"`
	ReactionS  *float64 `json:"reaction_s"`   // from the first fault to every relay low
	EnableOffS *float64 `json:"enable_off_s"` // from the first fault to heat-enable low

	Seed       int64    `json:"seed"`
	SimulatedS float64  `json:"simulated_s"`
	WallS      float64  `json:"wall_s"`
	TimesReal  float64  `json:"times_real"`
	PeakPowerW float64  `json:"peak_power_w"` // of any tick
	BudgetW    float64  `json:"budget_w"`
	Unmet      []string `json:"unmet"` // expectations of the scenario that were not met
}

// StateEnded is how the run ended.
type StateEnded struct {
	State  string `json:"state"`
	Code   string `json:"code"`
	Reason string `json:"reason"`
}

// summarise works out the figures from the rows. Wall time is filled in by the caller, who has a clock.
func summarise(w *walk, clerk *station.Clerk) Summary {
	s := Summary{
		Scenario: w.p.Scenario.Name, Machine: w.p.Machine.Name, Board: w.p.Board.Name, Profile: w.p.Profile.Name, Law: w.p.Scenario.Law,
		Seed: w.p.Scenario.Seed, SimulatedS: w.snap.At.Seconds(), BudgetW: float64(w.b.Setup.Budget), Trips: []string{},
		State: StateEnded{State: string(w.snap.State), Code: w.snap.Ended.Code, Reason: w.snap.Ended.Reason},
	}
	s.Sentence, _ = station.Sentence(&w.snap, w.b.Setup)
	if w.refused != nil {
		s.State = StateEnded{State: string(station.Idle), Code: "refused", Reason: w.refused.Error()}
		s.Sentence = "Not started. " + w.refused.Error()
	}
	if v := clerk.Verdict(); v != nil {
		s.Verdict = v.Word()
	}
	trips, _ := clerk.EventsSince(0)
	for _, e := range trips {
		if len(e.Code) > 6 && e.Code[:6] == "alarm:" {
			s.Trips = append(s.Trips, e.Code[6:])
		}
	}
	w.figures(&s)
	w.estimates(&s)
	if w.snap.Melted {
		at := float64(w.snap.MeltSeen)
		s.MeltSeenC = &at
	}
	s.Unmet = unmet(w, &s)
	return s
}

// figures works through the rows once.
func (w *walk) figures(s *Summary) {
	plan := w.snap.Run.Plan
	if plan == nil || len(w.res.Rows) == 0 {
		return
	}
	target, profile, power := w.column("target"), w.column("profile_time"), w.column("power")
	cool, hasCool := plan.CoolSegment()
	liq := float64(w.p.Profile.Alloy.Liquidus)
	var sum, sum150, sumNoKink, tal, talPlan float64
	var n, n150, nNoKink int
	var maxT, peak, body, board, element, delta, toPeak float64
	peak = -1000
	var at60 float64
	for i := range w.res.Rows {
		r := &w.res.Rows[i]
		joint := float64(r.Truth.CornerJoint)
		t := r.At.Seconds()
		s.PeakPowerW = math.Max(s.PeakPowerW, float64(r.Values[power]))
		if joint > peak {
			peak, toPeak = joint, t
			at60 = 0
		}
		if joint >= liq {
			tal += station.Period.Seconds()
		}
		body = math.Max(body, float64(r.Truth.PackageTop))
		board = math.Max(board, float64(r.Truth.BoardMax))
		element = math.Max(element, math.Max(float64(r.Truth.ElementTop), float64(r.Truth.ElementBottom)))
		if t > toPeak && joint < 60 && at60 == 0 {
			at60 = t
		}
		if r.Quality[target] != unit.Good {
			continue
		}
		want := float64(r.Values[target])
		if want >= liq {
			talPlan += station.Period.Seconds()
		}
		maxT = math.Max(maxT, want)
		p := plan.At(time.Duration(float64(r.Values[profile]) * float64(time.Second)))
		if hasCool && p.Segment >= cool {
			continue // heating phase only
		}
		delta = math.Max(delta, float64(r.Truth.HottestJoint-r.Truth.ColdestJoint))
		sum += square(joint - want)
		n++
		if want > 150 {
			sum150 += square(joint - want)
			n150++
			if !w.kink(want) {
				sumNoKink += square(joint - want)
				nNoKink++
			}
		}
	}
	num := func(v float64) *float64 { return &v }
	if n > 0 {
		s.RmsC, s.MaxDeltaTC = num(rms(sum, n)), num(delta)
	}
	if n150 > 0 {
		s.RmsAbove150C, s.RmsNoKinkC = num(rms(sum150, n150)), num(rms(sumNoKink, nNoKink))
	}
	s.PeakC, s.MaxBodyC, s.MaxBoardC, s.MaxElementC = num(peak), num(body), num(board), num(element)
	if float64(w.p.Profile.Peak())-maxT < 1 { // the plan got as far as its peak
		s.PeakErrorC, s.ToPeakS = num(peak-float64(w.p.Profile.Peak())), num(toPeak)
		s.TalS, s.TalErrorS = num(tal), num(tal-talPlan)
	}
	if at60 > 0 {
		s.CoolS = num(at60 - toPeak)
	}
	if w.res.Faulted && w.res.Off {
		s.ReactionS = num(math.Max(0, (w.res.OffAt - w.res.FaultAt).Seconds()))
	}
	if w.res.Faulted && w.res.EnableOff {
		s.EnableOffS = num(math.Max(0, (w.res.EnableOffAt - w.res.FaultAt).Seconds()))
	}
}

// kink reports whether a target lies where the solder melts: there the joint stands still for some seconds whatever the heat, and nobody
// should fight it. From 3 K below the solidus to 4 K above the liquidus, because the balls do not melt all at once.
func (w *walk) kink(want float64) bool {
	a := &w.p.Profile.Alloy
	return want > float64(a.Solidus)-3 && want < float64(a.Liquidus)+4
}

// estimates compares what the law took the joint for with the truth.
func (w *walk) estimates(s *Summary) {
	est, cools := w.column(station.EstimateColumn), false
	var sum, peak, truePeak float64
	n, inside := 0, 0
	for i := range w.res.Rows {
		r := &w.res.Rows[i]
		if r.Quality[est] != unit.Good || r.Quality[w.column("target")] != unit.Good || cools {
			continue
		}
		if plan := w.snap.Run.Plan; plan != nil {
			seg, has := plan.CoolSegment()
			cools = has && plan.At(time.Duration(float64(r.Values[w.column("profile_time")])*float64(time.Second))).Segment >= seg
		}
		ball, doubt, joint := float64(r.Values[est]), float64(r.Values[est+1]), float64(r.Truth.CornerJoint)
		sum += square(ball - joint)
		n++
		peak, truePeak = math.Max(peak, ball), math.Max(truePeak, joint)
		if math.Abs(ball-joint) <= doubt {
			inside++
		}
	}
	if n > 0 {
		e, p, c := rms(sum, n), peak-truePeak, float64(inside)/float64(n)
		s.EstimateRmsC, s.EstimatePeakC, s.BandCovers = &e, &p, &c
	}
	s.KinDistance = w.kin
}

func (w *walk) column(name string) int {
	for i, c := range w.res.Channel {
		if c.Name == name {
			return i
		}
	}
	return 0
}

// unmet compares a run with what its scenario expects.
func unmet(w *walk, s *Summary) []string {
	out := []string{}
	e := w.p.Scenario.Expect
	if e == nil {
		return out
	}
	want := func(what, got, want string) {
		if want != "" && got != want {
			out = append(out, what+" is "+got+", expected "+want)
		}
	}
	want("state", s.State.State, e.State)
	want("code", s.State.Code, e.Code)
	want("verdict", s.Verdict, e.Verdict)
	within := func(what string, got *float64, most *float64) {
		switch {
		case most == nil:
		case got == nil:
			out = append(out, what+" never happened")
		case !(*got <= *most+1e-9):
			out = append(out, what+" took "+seconds(*got)+", allowed "+seconds(*most))
		}
	}
	within("relays off", s.ReactionS, e.OffWithinS)
	within("heat-enable off", s.EnableOffS, e.EnableOffS)
	return out
}

func seconds(v float64) string { return time.Duration(v * float64(time.Second)).String() }

// OutsideLimits reports whether the run missed a limit, tripped, or came out other than expected (exit status 1).
func (s *Summary) OutsideLimits() bool {
	return s.Verdict != string(process.Pass) || s.State.State != string(station.Complete)
}
