package bench

import (
	"strings"
	"testing"

	"trivet/process/unit"
	"trivet/sim/catalog"
	"trivet/sim/fault"
	"trivet/station"
)

// proofMost is what no part and no joint may reach in a proof, on plant truth, °C (control goals: the joint never above 120 °C).
const proofMost = 120

// proofLongest is the longest a proof may take, s (likewise).
const proofLongest = 240

// proven runs the warm-up proof on board i of the sweep with this seed, with faults on the machine, up to the first tick after it.
func proven(t testing.TB, machine string, seed int64, i int, centre bool, faults ...fault.Fault) *Result {
	t.Helper()
	p := parts(t, "removal-50mm-proof")
	var err error
	if p.Machine, err = catalog.Machine(machine); err != nil {
		t.Fatal(err)
	}
	p = Draw(p, seed, i)
	p.Scenario.ContinueRunS, p.Scenario.CentreJoint = 10, centre
	// An opened door ends the run where the proof has let it through.
	p.Scenario.Faults = append([]fault.Fault{{Kind: "interlock_open", Target: "door", Phase: string(station.PhaseHeat)}}, faults...)
	r, err := Run(t.Context(), p, nil)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// passed is how a proof without a finding ends here.
const passed = "trip:door"

// warmest returns the hottest that any joint, the package top, the board or the neighbour became, and how long the run was.
func warmest(r *Result) (hot, seconds float64) {
	for k := range r.Rows {
		w := &r.Rows[k].Truth
		hot = max(hot, float64(w.HottestJoint), float64(w.PackageTop), float64(w.Neighbour), float64(w.BoardMax))
		seconds = r.Rows[k].At.Seconds()
	}
	return hot, seconds
}

// provenBoards is how many drawn boards a test tries on each machine. The bounds were tried once on many hundreds.
const provenBoards = 6

func TestNoHealthyBoardIsRefusedByTheProof(t *testing.T) {
	for _, m := range catalog.Machines() {
		for i := range provenBoards {
			r := proven(t, m, 501, i, i%2 == 1)
			hot, s := warmest(r)
			if r.Summary.State.Code != passed {
				t.Errorf("%s, board %d: %s: %s", m, i, r.Summary.State.Code, r.Summary.State.Reason)
			}
			if hot >= proofMost || s > proofLongest {
				t.Errorf("%s, board %d: %.1f °C after %.0f s; want below %d °C in at most %d s", m, i, hot, s, proofMost, proofLongest)
			}
		}
	}
}

// TestEveryMistakeIsRefusedBeforeRealHeat tries every mistake the proof is there for on a few boards. The codes are those that say something
// useful about the mistake: which of two couples is to blame, two couples alone cannot always tell.
func TestEveryMistakeIsRefusedBeforeRealHeat(t *testing.T) {
	for _, c := range []struct {
		f     fault.Fault
		codes string
	}{
		{fault.Fault{Kind: "sensor_offset", Target: "board", Value: 5}, "rest_disagreement"},
		{fault.Fault{Kind: "sensor_reversed", Target: "joint-corner"}, "reversed trip:joint_astray"}, // the guard may be first to see it fall
		{fault.Fault{Kind: "sensor_reversed", Target: "package-top"}, "reversed"},
		{fault.Fault{Kind: "sensor_reversed", Target: "board"}, "reversed"},
		{fault.Fault{Kind: "sensor_reversed", Target: "neighbour"}, "reversed"},
		{fault.Fault{Kind: "sensor_reversed", Target: "nozzle-top"}, "reversed"},
		{fault.Fault{Kind: "sensor_reversed", Target: "area-left"}, "reversed rest_disagreement"},
		{fault.Fault{Kind: "sensor_swapped", Target: "joint-corner", With: "package-top"}, "swapped wrong_type"},
		{fault.Fault{Kind: "sensor_swapped", Target: "joint-corner", With: "neighbour"}, "swapped"},
		{fault.Fault{Kind: "sensor_swapped", Target: "package-top", With: "board"}, "swapped wrong_type detached"},
		{fault.Fault{Kind: "sensor_swapped", Target: "board", With: "neighbour"}, "swapped"},
		{fault.Fault{Kind: "sensor_swapped", Target: "joint-corner", With: "nozzle-bottom"}, "swapped"},
		{fault.Fault{Kind: "sensor_swapped", Target: "package-top", With: "nozzle-top"}, "swapped detached"},
		{fault.Fault{Kind: "sensor_swapped", Target: "board", With: "area-right"}, "swapped"},
		{fault.Fault{Kind: "sensor_swapped", Target: "nozzle-top", With: "nozzle-bottom"}, "wrong_zone"},
		{fault.Fault{Kind: "sensor_type", Target: "joint-corner", With: "J"}, "wrong_type"},
		{fault.Fault{Kind: "sensor_type", Target: "package-top", With: "N"}, "wrong_type detached"},
		{fault.Fault{Kind: "sensor_type", Target: "nozzle-bottom", With: "J"}, "wrong_type"},
		{fault.Fault{Kind: "sensor_type", Target: "area-left", With: "J"}, "wrong_type"},
		{fault.Fault{Kind: "sensor_detached", Target: "joint-corner", Value: 0}, "detached"},
		{fault.Fault{Kind: "sensor_detached", Target: "joint-corner", Value: 1}, "detached swapped"},
		{fault.Fault{Kind: "sensor_detached", Target: "package-top", Value: 1}, "detached swapped"},
		{fault.Fault{Kind: "sensor_detached", Target: "board", Value: 0}, "detached"},
		{fault.Fault{Kind: "relay_swapped", Target: "top", With: "bottom"}, "wrong_zone"},
		{fault.Fault{Kind: "relay_swapped", Target: "bottom", With: "left"}, "wrong_zone"},
		{fault.Fault{Kind: "relay_swapped", Target: "left", With: "right"}, "wrong_zone"},
		{fault.Fault{Kind: "relay_stuck_off", Target: "top"}, "trip:start_relay_dead"}, // the test before the proof finds it
	} {
		name := string(c.f.Kind) + "/" + c.f.Target + c.f.With
		t.Run(name, func(t *testing.T) {
			for i, m := range catalog.Machines() {
				r := proven(t, m, 502, i, false, c.f)
				code, is := strings.CutPrefix(r.Summary.State.Code, "proof:")
				if !strings.Contains(" "+c.codes+" ", " "+code+" ") {
					t.Errorf("%s ended with %s (%s); want one of %s", m, r.Summary.State.Code, r.Summary.State.Reason, c.codes)
				}
				if is && r.Summary.State.State != string(station.Stopped) {
					t.Errorf("%s: the run is %s; want stopped", m, r.Summary.State.State)
				}
				if hot, s := warmest(r); hot >= proofMost || s > proofLongest {
					t.Errorf("%s: %.1f °C after %.0f s", m, hot, s)
				}
			}
		})
	}
}

// TestTheProofKeepsToTheGuard: whatever the proof asks for, an interlock ends it like any other heat.
func TestTheProofKeepsToTheGuard(t *testing.T) {
	p := parts(t, "removal-50mm-proof")
	at, limit := 40.0, 0.3
	p.Scenario.Faults = []fault.Fault{{Kind: "interlock_open", Target: "emergency_stop", AtS: &at}}
	p.Scenario.Expect.State, p.Scenario.Expect.Code, p.Scenario.Expect.Verdict = "aborted", "trip:emergency_stop", ""
	p.Scenario.Expect.OffWithinS, p.Scenario.Expect.EnableOffS = &limit, &limit
	for _, u := range run(t, p).Summary.Unmet {
		t.Error(u)
	}
}

// TestTheRunGoesOnFromWhereTheProofLeftTheJoint: no jump of the target and no wait for the board to cool.
func TestTheRunGoesOnFromWhereTheProofLeftTheJoint(t *testing.T) {
	r := run(t, parts(t, "removal-50mm-proof"))
	target, joint := -1, -1
	for i, c := range r.Channel {
		switch c.Name {
		case "target":
			target = i
		case "joint-corner":
			joint = i
		}
	}
	for i := range r.Rows {
		row := &r.Rows[i]
		if row.Quality[target] != unit.Good || row.Quality[joint] != unit.Good || row.At.Seconds() < 30 {
			continue // the plan of the start is put aside for the proof
		}
		if d := row.Values[target] - row.Values[joint]; !(d > -3 && d < 3) {
			t.Errorf("the target begins %.1f °C from the joint", d)
		}
		return
	}
	t.Error("the run never had a target after the proof")
}
