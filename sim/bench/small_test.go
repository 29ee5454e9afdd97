package bench

import (
	"context"
	"fmt"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"trivet/control"
	"trivet/control/full"
	"trivet/process"
	"trivet/process/unit"
	"trivet/sim/catalog"
	"trivet/station"
)

// What a machine on one household circuit owes to whoever puts a board on it: the run comes out inside its process window, or it is
// refused while nothing has melted, with a reason. In no case is part, board or joint hotter than it may be, and in no case
// is an array left with some balls molten and some not. Every temperature here is the plant's own.

// The ways in which a run can break that promise.
const (
	halfMelted  = "half melted"       // a ball past its solidus, and not all of them molten for the time a lift needs
	tooHot      = "too hot"           // part top, board or joint above its limit
	outOfWindow = "outside window"    // molten, and its own record fails
	neverEnds   = "waits for nothing" // ended by the guard's longest run: a wait that was never met
	noReason    = "no reason"         // refused without saying why or what to do
)

// fate is what came of one board on the small machine.
type fate struct {
	board, profile string
	outcome        string  // "pass", "held" before anything melted, or the code the run ended with
	preview        string  // see beforeHeat
	stretch        float64 // time from the start to the peak's hold, by that of the profile
	peak, hottest  float64 // °C, coldest and hottest ball at their highest
	molten         float64 // s, longest stretch with every ball above liquidus
	above          float64 // s, corner ball above liquidus in all
	toPeak         float64 // s
	top, plate     float64 // °C, hottest place of the part's top and of the board
	asked, drawn   float64 // W, mean of the minute in which most was asked for
	verdict        string
	fails          []string // rows of the window that failed
	flaws          []string
}

func fateHeader() string {
	return fmt.Sprintf("%-18s %-24s %-14s %-20s %7s %6s %6s %6s %6s %6s %6s %6s %5s/%-5s %s", "board", "profile", "outcome", "before heat", "stretch", "cold", "hot",
		"molten", "above", "peak s", "top", "board", "asked", "drawn", "flaws; failed rows")
}

func (f *fate) String() string {
	return fmt.Sprintf("%-18s %-24.24s %-14.14s %-20.20s %7.2f %6.1f %6.1f %6.0f %6.0f %6.0f %6.1f %6.1f %5.0f/%-5.0f %s; %s", f.board, f.profile, f.outcome, f.preview, f.stretch,
		f.peak, f.hottest, f.molten, f.above, f.toPeak, f.top, f.plate, f.asked, f.drawn, strings.Join(f.flaws, ", "), strings.Join(f.fails, ", "))
}

// live runs a board under law full and measures what came of it, whatever the forecast before heat said.
func live(ctx context.Context, p Parts) (*fate, error) {
	f := &fate{board: p.Board.Name, profile: p.Profile.Name}
	plan, err := process.NewPlan(p.Profile, unit.Celsius(p.Scenario.AmbientC))
	if err != nil {
		return nil, err
	}
	if f.preview, err = beforeHeat(p, plan); err != nil {
		return nil, err
	}
	r, err := Run(ctx, p, nil)
	if err != nil {
		return nil, err
	}
	f.measure(p, r, plan)
	f.judge(p, r)
	return f, nil
}

// beforeHeat is what the forecast says on what a calliper tells alone: "go", or the code of its strongest reason.
func beforeHeat(p Parts, plan *process.Plan) (string, error) {
	zones, _, err := Loops(p.Machine)
	if err != nil {
		return "", err
	}
	room := unit.Celsius(p.Scenario.AmbientC)
	facts := FactsOf(p.Machine, p.Board, room)
	found := full.Preview(full.Config{Cascade: control.Config{Zones: zones, Budget: unit.Watt(p.Machine.MainsBudgetW), Tuning: control.DefaultTuning(), Ambient: room,
		Reach: facts.Reach, Load: facts.Load}, Facts: facts, Tuning: full.DefaultTuning(), Board: boardCeiling,
		Body: p.Profile.BodyLimit.Plus(-5)}, plan, room) // 5 K: where the law eases off in a run, bodyMargin in package station
	if found.Err != nil {
		return "", found.Err
	}
	for _, why := range found.Forecast.Reasons {
		if why.Stops {
			return string(why.Code), nil
		}
	}
	return "go", nil
}

// measure works through the rows.
func (f *fate) measure(p Parts, r *Result, plan *process.Plan) {
	liquidus := p.Profile.Alloy.Liquidus
	now, last := 0.0, 0.0
	col := columnsOf(r)
	cool, _ := plan.CoolSegment()
	var asked, drawn []float64
	for i := range r.Rows {
		row := &r.Rows[i]
		tr := &row.Truth
		f.peak, f.hottest = math.Max(f.peak, float64(tr.ColdestJoint)), math.Max(f.hottest, float64(tr.HottestJoint))
		f.top, f.plate = math.Max(f.top, float64(tr.PackageTop)), math.Max(f.plate, float64(tr.BoardMax))
		if now += station.Period.Seconds(); tr.ColdestJoint < liquidus {
			now = 0
		}
		f.molten = math.Max(f.molten, now)
		want := 0.0
		for k, h := range r.Setup.Heaters {
			want += float64(row.Values[col["duty:"+h.Name]]) * float64(r.Setup.Heaters[k].Rated)
		}
		asked, drawn = append(asked, want), append(drawn, float64(row.Values[col["power"]]))
		if row.Quality[col["profile_time"]] == unit.Good && float64(row.Values[col["profile_time"]]) < plan.HoldBegin(max(0, cool-1)).Seconds() {
			last = row.At.Seconds()
		}
	}
	f.stretch = last / plan.HoldBegin(max(0, cool-1)).Seconds()
	f.asked, f.drawn = hardest(asked, drawn, 600)
	f.above, f.toPeak = value(r.Summary.TalS), value(r.Summary.ToPeakS)
}

// hardest returns the means of both over the stretch of n rows in which the first is highest.
func hardest(asked, drawn []float64, n int) (a, d float64) {
	sum, other := 0.0, 0.0
	for i := range asked {
		sum, other = sum+asked[i], other+drawn[i]
		if i >= n {
			sum, other = sum-asked[i-n], other-drawn[i-n]
		}
		if sum > a {
			a, d = sum, other
		}
	}
	return a / float64(n), d / float64(n)
}

// judge names what the run did and which promises it broke.
func (f *fate) judge(p Parts, r *Result) {
	a, s := &p.Profile.Alloy, &r.Summary
	f.verdict = s.Verdict
	f.outcome = s.State.Code
	for _, c := range r.Verdict.Checks {
		if !c.OK && !c.Advisory {
			f.fails = append(f.fails, fmt.Sprintf("%s %.0f of %.0f", c.Name, value(c.Value), c.Limit))
		}
	}
	_, most := process.JointPeak(*a)
	if unit.Celsius(f.top) > p.Profile.BodyLimit || unit.Celsius(f.plate) > boardCeiling || unit.Celsius(f.hottest) > most+5 {
		f.flaws = append(f.flaws, tooHot)
	}
	cold := unit.Celsius(f.hottest) < a.Solidus
	switch {
	case !cold && f.molten < 10: // s, as long as a lift needs
		f.flaws = append(f.flaws, halfMelted)
	case s.State.Code == "complete" && s.Verdict == string(process.Pass):
		f.outcome = "pass"
	case cold && s.State.Code == "no_go":
		f.outcome = "held"
		if strings.Count(s.State.Reason, ". ") < 2 { // "No reflow.", what would happen, what to do
			f.flaws = append(f.flaws, noReason)
		}
	case s.State.Code == "trip:run_too_long":
		f.flaws = append(f.flaws, neverEnds)
	default:
		f.flaws = append(f.flaws, outOfWindow)
	}
}

// smallRow is a board with a profile that fits it, and what it breaks today: a list of debts, each with its cause. What is not
// listed must not happen; a debt that is paid is told in the log and to be struck off.
type smallRow struct {
	board, profile string
	owes           []string
}

// smallRows holds every shipped board.
func smallRows() []smallRow {
	const gentle, quick = "removal-gentle-lead-free", "removal-small-lead-free"
	return []smallRow{
		{"handset-10-layer", quick, nil},
		{"thin-4-layer", quick, nil},
		{"lamp-aluminium", gentle, nil},
		{"radar-12-ceramic", gentle, nil},
		{"switch-16-layer", gentle, nil},
		{"server-24-layer", gentle, nil},
		{"relay-8-tin-lead", "removal-tin-lead", nil},
	}
}

// smallParts loads a board and a profile on the small machine.
func smallParts(t *testing.T, board, profile string) Parts {
	t.Helper()
	p := parts(t, "removal-50mm-full")
	p.Scenario.Expect, p.Scenario.Name, p.Scenario.Proof = nil, "small machine", true
	for _, err := range []error{
		load(&p.Machine, catalog.Machine, "kitchen-1k4"), load(&p.Board, catalog.Board, board), load(&p.Profile, catalog.Profile, profile),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	return p
}

func load[T any](to *T, from func(string) (T, error), name string) (err error) {
	*to, err = from(name)
	return err
}

// TestTheSmallMachineFinishesABoardOrLeavesItSolid over every shipped board. What is owed is in smallRows.
func TestTheSmallMachineFinishesABoardOrLeavesItSolid(t *testing.T) {
	if testing.Short() {
		t.Skip("long runs of law full")
	}
	rows := smallRows()
	for _, name := range catalog.Boards() {
		if !slices.ContainsFunc(rows, func(r smallRow) bool { return r.board == name }) {
			t.Errorf("%s is shipped and not in the table", name)
		}
	}
	list := make([]Parts, len(rows))
	for i, r := range rows {
		list[i] = smallParts(t, r.board, r.profile)
	}
	for i, f := range fates(t, list) {
		for _, flaw := range f.flaws {
			if !slices.Contains(rows[i].owes, flaw) {
				t.Errorf("%s: %s, and the table does not say that it may: %s", f.board, flaw, f)
			}
		}
		if len(f.flaws) == 0 && len(rows[i].owes) > 0 {
			t.Logf("%s keeps its promise now: strike %q off the table", f.board, rows[i].owes)
		}
	}
}

// TestTheSmallMachineRuinsNoDrawnBoard: out of its window a drawn board may come, too hot or half melted it may not.
// TRIVET_SMALL_BOARDS says how many are drawn.
func TestTheSmallMachineRuinsNoDrawnBoard(t *testing.T) {
	if testing.Short() {
		t.Skip("long runs of law full")
	}
	n, err := strconv.Atoi(os.Getenv("TRIVET_SMALL_BOARDS"))
	if err != nil {
		n = 2
	}
	list := make([]Parts, n)
	for i := range list {
		list[i] = Draw(smallParts(t, "switch-16-layer", "removal-gentle-lead-free"), 77, i) // of the shipped board nothing is left
	}
	count := map[string]int{}
	for _, f := range fates(t, list) {
		count[f.outcome]++
		for _, flaw := range f.flaws {
			count[flaw]++
			if flaw == tooHot || flaw == halfMelted || flaw == noReason {
				t.Errorf("%s: %s: %s", f.board, flaw, f)
			}
		}
	}
	t.Logf("outcomes and flaws of %d boards: %v", n, count)
}

// fates runs the list and prints a table.
func fates(t *testing.T, list []Parts) []*fate {
	t.Helper()
	out, errs := make([]*fate, len(list)), make([]error, len(list))
	spreadOut(len(list), func(i int) { out[i], errs[i] = live(t.Context(), list[i]) })
	lines := fateHeader()
	for i, f := range out {
		if errs[i] != nil {
			t.Fatalf("%s: %v", list[i].Board.Name, errs[i])
		}
		lines += "\n" + f.String()
	}
	t.Log("\n" + lines)
	return out
}
