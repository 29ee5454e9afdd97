package bench

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"trivet/safety"
	"trivet/sim/fault"
	"trivet/station"
)

// Several is one run with more than one fault of the table on it.
type Several struct {
	Cells []Cell // the board and seed of the first count
	// SafetyOnly asks nothing but that heat goes and truth stays bounded: three and more faults at once are beyond what anything promises
	// to name (invariant I-29).
	SafetyOnly bool
}

// SeveralResult is what came of it.
type SeveralResult struct {
	What   string   `json:"what"`
	First  string   `json:"first"`
	AboveC float64  `json:"above_c"` // as in CellResult
	Of     string   `json:"of"`
	Wrong  []string `json:"wrong"`
	// Excused says that the faults together leave nothing in the program's hand: something conducts that nothing can open. What such a
	// machine has left are limiter, thermal fuse and isolator. Excused runs are counted, not judged.
	Excused bool `json:"excused"`
	Came    int  `json:"came"` // how many of the faults were put on before the run was over
}

// DrawSeveral draws n different rows of the table on one board: in half of all pairs each in some phase of its own, else all at the same moment,
// because the first that ends the run keeps the later ones away.
func DrawSeveral(rng *rand.Rand, n int) Several {
	cases := slices.DeleteFunc(fault.Cases(), func(c fault.Case) bool { return c.Shown != "" })
	boards := FaultBoards()
	board, seed := boards[rng.IntN(len(boards))], int64(1+rng.IntN(1_000_000))
	s := Several{SafetyOnly: n > 2}
	var at fault.Phase // of all; empty for each its own
	if together := []fault.Phase{fault.Preheat, fault.Soak, fault.Reflow, fault.Lift}; n > 2 || rng.IntN(2) == 0 {
		at = together[rng.IntN(len(together))]
	}
	for _, k := range rng.Perm(len(cases)) {
		c := cases[k]
		if slices.ContainsFunc(s.Cells, func(o Cell) bool { return sameThing(&o.Case, &c) }) {
			continue // one place has one fault of a sort: the second would take the first off
		}
		var phases []fault.Phase
		for _, p := range fault.Phases() {
			if _, ok := c.In[p]; ok && (at == "" || p == at) {
				phases = append(phases, p)
			}
		}
		if len(phases) == 0 {
			continue // not tried then
		}
		s.Cells = append(s.Cells, Cell{Case: c, Phase: phases[rng.IntN(len(phases))], Board: board, Seed: seed})
		if len(s.Cells) == n {
			break
		}
	}
	return s
}

// sameThing reports whether two rows put a fault on one thing, where the simulated machine keeps one at a time.
func sameThing(a, b *fault.Case) bool {
	ra, _ := fault.Find(a.Fault.Kind)
	rb, _ := fault.Find(b.Fault.Kind)
	if a.Fault.Kind == b.Fault.Kind && (a.Fault.Target == b.Fault.Target || a.Fault.With == b.Fault.Target) {
		return true
	}
	return ra.Of == rb.Of && ra.Of != fault.AtMachine && ra.Of != fault.AtHeater && a.Fault.Target == b.Fault.Target
}

// String names the run so that it can be repeated.
func (s *Several) String() string {
	var out []string
	for _, c := range s.Cells {
		out = append(out, fmt.Sprintf("%s/%s", c.Case.ID, c.Phase))
	}
	return fmt.Sprintf("%s on %s, seed %d", strings.Join(out, " + "), s.Cells[0].Board, s.Cells[0].Seed)
}

// uncuttable reports whether the faults leave heat that no output of the program can stop: a load that conducts by itself, and a contactor
// that is closed whatever it is told, or a one-shot that needs no heartbeat and so leaves the contactor to heat-enable alone.
func (s *Several) uncuttable() bool {
	conducts, closed := false, false
	for _, c := range s.Cells {
		switch c.Case.Fault.Kind {
		case "relay_stuck_on", "relay_half_stuck", "relay_inverted":
			conducts = true
		case "contactor_welded":
			closed = true
		}
	}
	return conducts && closed
}

// RunSeveral runs it on virtual time. A panic of anything in it is the caller's to see.
func RunSeveral(ctx context.Context, s Several) (*SeveralResult, error) {
	w := &cell{c: s.Cells[0], seen: map[string]bool{}}
	for _, c := range s.Cells {
		w.each = append(w.each, placed{c: c.Case, phase: c.Phase, want: c.Case.In[c.Phase]})
	}
	if err := w.prepare(); err != nil {
		return nil, fmt.Errorf("%s: %w", s.String(), err)
	}
	for !w.over() {
		if w.snap.Seq%512 == 0 && ctx.Err() != nil {
			return nil, ctx.Err()
		}
		if w.tick(); w.broke != nil {
			return nil, fmt.Errorf("%s: %w", s.String(), w.broke)
		}
	}
	r := &SeveralResult{What: s.String(), Excused: s.uncuttable(), AboveC: w.res.AboveC, Of: w.res.Of, Wrong: []string{}}
	for i := range w.each {
		if w.each[i].on {
			r.Came++
		}
	}
	w.judgeSeveral(&s, r)
	return r, nil
}

// over reports whether enough has been seen of several faults: the run has ended and stored heat has come out.
func (w *cell) over() bool {
	return w.now >= cellLongest || w.ended > 0 && w.now-w.ended > 2*afterDark && w.now-w.lit > afterDark
}

// slack is what two faults together may cost beyond the slower class, s: the one may spoil the sample in which the other would have shown.
const slack = 0.5

func (w *cell) judgeSeveral(s *Several, r *SeveralResult) {
	bad := func(format string, a ...any) { r.Wrong = append(r.Wrong, fmt.Sprintf(format, a...)) }
	row, _, _, tripped := w.b.Keeper.FirstOut()
	if tripped {
		r.First = safety.Rows()[row].Code
	}
	slowest, by, timed, lost := 0.0, time.Duration(0), false, time.Duration(-1)
	for i := range w.each {
		e := &w.each[i]
		seconds, ok := e.want.Class.Seconds()
		slowest = max(slowest, seconds)
		if !ok || !e.on {
			continue
		}
		due := e.at + time.Duration((seconds+slack)*float64(time.Second))
		if byTicks(e.c.Fault.Kind) {
			if float64(e.counts)*station.Period.Seconds() <= seconds+slack {
				continue // nothing could show it in so few ticks
			}
			due = w.lit // judged by its ticks alone
			if float64(e.counts)*station.Period.Seconds() <= seconds+slack+1 {
				due = w.lit
			}
		}
		timed, by = true, max(by, due)
		if e.want.Class == fault.R1 && e.c.Hazard[0] != 'P' && (lost < 0 || e.at < lost) {
			lost = e.at
		}
	}
	if r.Excused {
		return
	}
	if !s.SafetyOnly && timed && w.lit > by {
		bad("heat went on until %.1f s after what the slower class allows", (w.lit - by).Seconds())
	}
	if s.SafetyOnly && lost >= 0 && w.lit-lost > 3*time.Second {
		bad("a guard was lost, and heat went on for %.1f s", (w.lit - lost).Seconds())
	}
	if r.AboveC > storedHeat+slowest*fullSlope {
		bad("true %s was %.1f °C above its limit", r.Of, r.AboveC)
	}
	if !s.SafetyOnly && tripped && !w.named(r.First) {
		bad("first-out is %s, which is named by none of them and follows from none", r.First)
	}
}

// named reports whether a code is in one of the faults' rows, is explained by something that is, or is a ceiling: what drives heat too high
// may always be stopped by one.
func (w *cell) named(code string) bool {
	if code == "over_ceiling" || code == "run_too_long" {
		return true
	}
	var names []string
	for i := range w.each {
		for _, x := range w.each[i].c.In {
			for _, n := range x.Names() {
				_, n, _ = strings.Cut(":"+n, ":")
				names = append(names, n[strings.LastIndex(n, ":")+1:])
			}
		}
	}
	if slices.Contains(names, code) {
		return true
	}
	for _, row := range safety.Rows() {
		if slices.Contains(names, row.Code) && slices.Contains(row.Explains, code) {
			return true
		}
	}
	return false
}
