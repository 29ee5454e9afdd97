package main

import (
	"encoding/json"
	"fmt"
	"io"
	"sort"
	"strings"
	"text/tabwriter"
	"time"

	"trivet/sim/bench"
	"trivet/sim/catalog"
)

type sweepCmd struct {
	Scenario string   `arg:"" help:"A shipped scenario, or a scenario file; its board is replaced by drawn ones."`
	Boards   int      `default:"60" help:"How many boards to draw, 1 to 10000."`
	Seed     int64    `default:"1" help:"Same seed, same boards."`
	Law      []string `help:"Laws to sweep in place of the scenario's, separated by commas; each sees the same boards."`
	Proof    bool     `help:"Begin every run with the warm-up proof."`
	Days     int      `help:"Boards of each type, run one after the other by the law that learns; 0 for one first article of each."`
	Repeat   bool     `help:"With --days: then one more of each type without a joint thermocouple, and a board of another type in its place."`
	JSON     bool     `name:"json" help:"Print JSON: an object for one law, a list for several."`
}

// Run runs one scenario over boards drawn at random, once for each law, and prints what every figure of merit came to.
func (c *sweepCmd) Run(e *env) error {
	if c.Boards < 1 || c.Boards > 10000 {
		return fmt.Errorf("--boards is %d; it must be between 1 and 10000", c.Boards)
	}
	parts, err := loadScenario(c.Scenario)
	if err != nil {
		return err
	}
	parts.Scenario.Proof = parts.Scenario.Proof || c.Proof
	if c.Days != 0 || c.Repeat {
		return c.series(e, parts)
	}
	laws := c.Law
	if len(laws) == 0 {
		laws = []string{parts.Scenario.Law}
	}
	if err := checkLaws("--law", laws); err != nil {
		return err
	}
	var all []*bench.Sweeped
	for _, law := range laws {
		parts.Scenario.Law = law
		bar := newBar(e.errOut, "boards, law "+law)
		begun := time.Now()
		s, err := bench.Sweep(e.ctx, parts, c.Boards, c.Seed, bar.count)
		bar.done()
		if err != nil {
			return fmt.Errorf("law %s: %w", law, err)
		}
		s.WallS = time.Since(begun).Seconds()
		all = append(all, s)
		if !c.JSON {
			printSweep(e.out, s) // at once: the next law may take minutes
		}
		if s.Verdict["pass"] < s.Boards {
			e.exit = exitOutside
		}
	}
	if c.JSON {
		enc := json.NewEncoder(e.out)
		enc.SetIndent("", "  ")
		if len(all) == 1 {
			return enc.Encode(all[0])
		}
		return enc.Encode(all)
	}
	return printGoals(e.out, all)
}

// checkLaws refuses a name that is not a law.
func checkLaws(flag string, laws []string) error {
	for _, l := range laws {
		if !catalog.IsLaw(l) {
			return fmt.Errorf("%s names %q; it must be of %s", flag, l, strings.Join(catalog.Laws(), ", "))
		}
	}
	return nil
}

// count shows progress in things done rather than in time.
func (b *bar) count(done, of int) {
	if !b.on || time.Since(b.last) < 50*time.Millisecond {
		return
	}
	b.last = time.Now()
	const width = 32
	full := width * done / max(1, of)
	fmt.Fprintf(b.w, "\r%s [%s%s] %d of %d ", b.name, strings.Repeat("=", full), strings.Repeat(" ", width-full), done, of)
}

func printSweep(w io.Writer, s *bench.Sweeped) {
	fmt.Fprintf(w, "%d boards drawn with seed %d, %s on %s, law %s, %.0f s of computing.\n\n", s.Boards, s.Seed, s.Profile, s.Machine, s.Law, s.WallS)
	fmt.Fprintf(w, "%-30s %6s %10s %10s %10s  %s\n", "figure", "boards", "median", "95 %", "worst", "of board")
	for _, f := range s.Figures {
		fmt.Fprintf(w, "%-30s %6d %7.2f %-2s %7.2f %-2s %7.2f %-2s  %d\n", f.Name, f.N, f.Median, f.Unit, f.P95, f.Unit, f.Worst, f.Unit, f.Board)
	}
	counts := func(name string, m map[string]int) {
		var keys []string
		for k := range m {
			keys = append(keys, k)
		}
		sort.Strings(keys)
		for i, k := range keys {
			label := k
			if label == "" {
				label = "none"
			}
			keys[i] = fmt.Sprintf("%s %d", label, m[k])
		}
		fmt.Fprintf(w, "%s: %s\n", name, strings.Join(keys, ", "))
	}
	fmt.Fprintln(w)
	counts("ended", s.Ended)
	counts("verdict", s.Verdict)
	fmt.Fprintln(w)
}

// printGoals prints each goal of the project beside what every law came to. A run that was cut off counts with what there
// is of it, which flatters a law whose runs end early: the line on how they ended stands under each table.
func printGoals(out io.Writer, all []*bench.Sweeped) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprint(w, "goal\tlimit")
	for _, s := range all {
		fmt.Fprintf(w, "\t%s", s.Law)
	}
	fmt.Fprintln(w)
	judged := make([][]bench.Judged, len(all))
	for i, s := range all {
		judged[i] = s.Judge()
	}
	for k, g := range bench.Goals() {
		fmt.Fprintf(w, "%s\t%s", g.Words, g.Limit(judged[0][k].Unit))
		for i := range all {
			j := judged[i][k]
			if j.Any {
				fmt.Fprintf(w, "\t%.2f, %s", j.Got, j.Word())
			} else {
				fmt.Fprintf(w, "\t%s", j.Word())
			}
		}
		fmt.Fprintln(w)
	}
	fmt.Fprint(w, "runs that came to their end\tall")
	for _, s := range all {
		fmt.Fprintf(w, "\t%d of %d", s.Ended["complete"], s.Boards)
	}
	fmt.Fprintln(w)
	return w.Flush()
}
