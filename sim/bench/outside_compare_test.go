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
	"trivet/sim/catalog"
	"trivet/station"
)

// contestant is a law by name and how to run it.
type contestant struct {
	name string
	run  func(p Parts) (*Result, error)
}

// Where the contestants stand. Ours and theirs of one structure lie side by side.
const (
	ourPID = iota
	theirPID
	ourCascade
	theirCascade
	knowsBoard
	eagerPID // not tuned by the rule, see eager
)

// contestants are the plain laws, the same structures around the library, and the law that knows the board.
func contestants(t *testing.T, script string) []contestant {
	ours := func(law string) contestant {
		return contestant{law, func(p Parts) (*Result, error) {
			p.Scenario.Law = law
			return Run(t.Context(), p, nil)
		}}
	}
	theirs := func(name string, cascade bool, gain float64) contestant {
		return contestant{name, func(p Parts) (*Result, error) { return outsideRun(t.Context(), script, p, cascade, gain) }}
	}
	return []contestant{ourPID: ours("pid"), theirPID: theirs("outside pid", false, 1),
		ourCascade: ours("cascade-pid"), theirCascade: theirs("outside cascade", true, 1),
		knowsBoard: ours("full"), eagerPID: theirs("eager outside pid", false, eager)}
}

// eager is by how much a patient person may turn the single PID's gain up beyond the rule, found by trial on this plant: with 3 its
// rms is a third, with 4 it begins to rise again on light boards. By the fitted model it would be unstable, so the dead time that the
// step test finds (4.7 s) is longer than the loop's own. The cascade bears twice its gain and no more. Whoever compares with "pid"
// should know this.
const eager = 3

// outsideRun rides on the library's loops, with so many times the gain that the rule gives our own.
func outsideRun(ctx context.Context, script string, p Parts, cascade bool, gain float64) (*Result, error) {
	pl, err := play(ctx, script)
	if err != nil {
		return nil, err
	}
	r, err := ride(ctx, p, func(c control.Config) (station.Law, error) {
		if !cascade {
			t, err := p.sample().TuneSingle()
			return newOutside(c, pl, inParallel(gain*t.Kc, t.Ti, t.Td, 1), false), err
		}
		t, err := p.sample().TuneBare()
		c.Tuning = t
		return newOutside(c, pl, outsideLoop{Kp: gain * t.Kc, Ki: gain * t.Kc / t.Ti, Most: t.MaxTrim}, true), err
	})
	if e := pl.close(); err == nil {
		err = e
	}
	return r, err
}

// rivals are the boards of the comparison: shipped ones as they are described, then drawn ones with what nobody knows of a machine
// and a day. TRIVET_OUTSIDE_BOARDS says how many are drawn, and has every shipped board in; without it a few do.
func rivals(t *testing.T) []Parts {
	base := parts(t, "removal-50mm")
	base.Scenario.Expect = nil
	names, draws := []string{"switch-16-layer", "thin-4-layer"}, 2
	if n, err := strconv.Atoi(os.Getenv("TRIVET_OUTSIDE_BOARDS")); err == nil {
		names, draws = catalog.Boards(), n
	}
	var out []Parts
	for _, name := range names {
		p := base
		var err error
		if p.Board, err = catalog.Board(name); err != nil {
			t.Fatal(err)
		}
		if p.Board.Package.Liquidus < 200 {
			if p.Profile, err = catalog.Profile("removal-tin-lead"); err != nil {
				t.Fatal(err)
			}
		}
		out = append(out, p)
	}
	for i := range draws {
		out = append(out, Draw(base, 4711, i))
	}
	return out
}

// How near the two of a pair must come, as ratios of rms. They differ in how the derivative is filtered and in how winding up is
// stopped, and in nothing else. The bounds leave room for a board on which that matters; with twice the gain on one side the
// ratio is about 2 (tried). Judgement, no source.
const (
	mostOnOne  = 1.3 // on any board, either way
	mostMedian = 1.1 // over all boards, ours by theirs
	halfOfBest = 0.5 // the law that knows the board, by the best that the rule makes
)

// TestThePlainLawsAreNoWeakerThanAnOutsidePID: whoever beats the plain laws has beaten what a general library does in their place.
func TestThePlainLawsAreNoWeakerThanAnOutsidePID(t *testing.T) {
	if testing.Short() {
		t.Skip("some twenty bench runs beside a second program")
	}
	script := installed(t)
	boards := rivals(t)
	laws := contestants(t, script)
	all := make([]*Result, len(boards)*len(laws))
	errs := make([]error, len(all))
	spreadOut(len(all), func(i int) { all[i], errs[i] = laws[i%len(laws)].run(boards[i/len(laws)]) })
	for i, err := range errs {
		if err != nil {
			t.Fatalf("%s on %s: %v", laws[i%len(laws)].name, boards[i/len(laws)].Board.Name, err)
		}
	}
	rms := make([][]float64, len(laws))
	for i := range all {
		rms[i%len(laws)] = append(rms[i%len(laws)], value(all[i].Summary.RmsC))
	}
	t.Log("\n" + tableOfRivals(laws, boards, all, rms))
	for _, ours := range []int{ourPID, ourCascade} {
		var ratios []float64
		for i := range boards {
			r := rms[ours][i] / rms[ours+1][i]
			ratios = append(ratios, r)
			if !(r <= mostOnOne && r >= 1/mostOnOne) {
				t.Errorf("%s on %s: %.2f °C rms, the library in its place %.2f °C", laws[ours].name, boards[i].Board.Name, rms[ours][i], rms[ours+1][i])
			}
		}
		if m := medianOf(ratios); !(m <= mostMedian) {
			t.Errorf("%s has %.2f of the library's rms, median; want at most %.2f: the plain law is weaker than it need be", laws[ours].name, m, mostMedian)
		}
	}
	best := math.Inf(1)
	for k := range knowsBoard {
		best = math.Min(best, medianOf(rms[k]))
	}
	if m := medianOf(rms[knowsBoard]); !(m <= halfOfBest*best) {
		t.Errorf("the law that knows the board: %.2f °C rms, median; want at most %.1f of the best plain law's %.2f °C", m, halfOfBest, best)
	}
	if m, e := medianOf(rms[knowsBoard]), medianOf(rms[eagerPID]); !(m <= e) {
		t.Errorf("the law that knows the board: %.2f °C rms, median; a PID turned up by trial has %.2f °C", m, e)
	}
}

// tableOfRivals prints rms and peak error, both of the true joint, and how each run ended.
func tableOfRivals(laws []contestant, boards []Parts, all []*Result, rms [][]float64) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%-18s", "rms, peak in °C")
	for _, l := range laws {
		fmt.Fprintf(&b, "  %-26s", l.name)
	}
	for i, r := range all {
		if i%len(laws) == 0 {
			fmt.Fprintf(&b, "\n%-18s", boards[i/len(laws)].Board.Name)
		}
		fmt.Fprintf(&b, "  %5.2f %+5.1f %-14.14s", value(r.Summary.RmsC), value(r.Summary.PeakErrorC), r.Summary.State.Code)
	}
	b.WriteByte('\n')
	for k, l := range laws {
		fmt.Fprintf(&b, "%-16s rms median %.2f, worst %.2f °C\n", l.name, medianOf(rms[k]), slices.Max(rms[k]))
	}
	return b.String()
}

func medianOf(v []float64) float64 {
	s := slices.Clone(v)
	slices.Sort(s)
	return (s[(len(s)-1)/2] + s[len(s)/2]) / 2
}

// TestAPlayerThatDiesIsAnError, and one that lives reckons as the parallel form says.
func TestAPlayerThatDiesIsAnError(t *testing.T) {
	script := installed(t)
	p, err := play(t.Context(), script)
	if err != nil {
		t.Fatal(err)
	}
	if got := p.ask(map[string]any{"dt": 0.1, "loops": []outsideLoop{inParallel(2, 10, 1, 5)}}, 0); len(got) != 0 || p.fail != nil {
		t.Fatalf("making loops answers %v, %v", got, p.fail)
	}
	// e = 4 K: kp 2·(1 + 1/10), ki 0.2 over one turn of 0.1 s, kd 2 on a step from 0.
	if got, want := p.ask([][3]float64{{0, 10, 6}}, 1)[0], 4*(2.2+0.2*0.1+2/0.1); math.Abs(got-want) > 1e-9 {
		t.Errorf("the first turn answers %g; by hand it is %g", got, want)
	}
	if got := p.ask("no order at all", 1); got[0] != 0 || p.fail == nil {
		t.Errorf("a script that died answers %v, %v", got, p.fail)
	}
	if p.close() == nil {
		t.Error("a run on a dead script is no error")
	}
}
