package main

import (
	"encoding/json"
	"fmt"
	"io"
	"sort"
	"strings"
	"time"

	"trivet/sim/bench"
)

type sweepCmd struct {
	Scenario string `arg:"" help:"A shipped scenario, or a scenario file; its board is replaced by drawn ones."`
	Boards   int    `default:"60" help:"How many boards to draw, 1 to 10000."`
	Seed     int64  `default:"1" help:"Same seed, same boards."`
	Law      string `help:"Replaces the scenario's law."`
	JSON     bool   `name:"json" help:"Print JSON."`
}

// Run runs one scenario over boards drawn at random and prints what every figure of merit came to.
func (c *sweepCmd) Run(e *env) error {
	if c.Boards < 1 || c.Boards > 10000 {
		return fmt.Errorf("--boards is %d; it must be between 1 and 10000", c.Boards)
	}
	parts, err := loadScenario(c.Scenario)
	if err != nil {
		return err
	}
	switch c.Law {
	case "":
	case "cascade", "full":
		parts.Scenario.Law = c.Law
	default:
		return fmt.Errorf("--law is %q; it must be cascade or full", c.Law)
	}
	bar := newBar(e.errOut, "boards")
	begun := time.Now()
	s, err := bench.Sweep(e.ctx, parts, c.Boards, c.Seed, func(done, of int) {
		// The bar counts seconds of simulated time; a board stands for one.
		bar.show(time.Duration(done)*time.Second, time.Duration(of)*time.Second)
	})
	bar.done()
	if err != nil {
		return err
	}
	s.WallS = time.Since(begun).Seconds()
	if c.JSON {
		enc := json.NewEncoder(e.out)
		enc.SetIndent("", "  ")
		if err := enc.Encode(s); err != nil {
			return err
		}
	} else {
		printSweep(e.out, s)
	}
	if s.Verdict["pass"] < s.Boards {
		e.exit = exitOutside
	}
	return nil
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
}
