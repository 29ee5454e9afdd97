package main

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"text/tabwriter"
	"time"

	"trivet/sim/bench"
)

type compareCmd struct {
	Scenario string   `arg:"" help:"A shipped scenario, or a scenario file; its law is replaced."`
	Laws     []string `default:"table,pid,cascade-pid,cascade,full" help:"Laws to compare, separated by commas. clairvoyant, the bound, takes a minute or more."`
	Seed     *int64   `help:"Replaces the scenario's seed."`
	Out      string   `help:"Directory for compare.svg." type:"path"`
}

// Run runs several laws on one board and prints them side by side. Its exit status does not depend on how they did: being
// outside limits is what some of them are there to show.
func (c *compareCmd) Run(e *env) error {
	if err := checkLaws("--laws", c.Laws); err != nil {
		return err
	}
	parts, err := loadScenario(c.Scenario)
	if err != nil {
		return err
	}
	parts.Scenario.Expect = nil
	if c.Seed != nil {
		parts.Scenario.Seed = *c.Seed
	}
	if c.Out != "" {
		if err := os.MkdirAll(c.Out, 0o755); err != nil {
			return fmt.Errorf("the output directory cannot be made: %w", err)
		}
	}
	bar := newBar(e.errOut, "")
	res, err := bench.Compare(e.ctx, parts, c.Laws, func(law string, done, total time.Duration) {
		bar.name = law
		bar.count(int(100*done/max(1, total)), 100)
	})
	bar.done()
	if err != nil {
		return fmt.Errorf("%s: %w", c.Scenario, err)
	}
	if c.Out != "" {
		if err := os.WriteFile(filepath.Join(c.Out, "compare.svg"), []byte(res.SVG()), 0o644); err != nil {
			return err
		}
	}
	return printComparison(e.out, res)
}

// printComparison prints one row per law. A figure that a run did not get far enough to have is a dash.
func printComparison(out io.Writer, c *bench.Comparison) error {
	fmt.Fprintf(out, "%s, %s, %s. Errors are those of the true joint while heating.\n\n", c.Parts.Board.Title, c.Parts.Machine.Title, c.Parts.Profile.Title)
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(w, "law\trms °C\tabove 150 °C\tpeak off by °C\tliquidus off by s\tspread of joints °C\tpackage top °C\tended\tverdict\t")
	for i := range c.Laws {
		s := &c.Laws[i].Result.Summary
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t\n", c.Laws[i].Law, cell(s.RmsC, "%.2f"), cell(s.RmsAbove150C, "%.2f"), cell(s.PeakErrorC, "%+.1f"),
			cell(s.TalErrorS, "%+.0f"), cell(s.MaxDeltaTC, "%.1f"), cell(s.MaxBodyC, "%.1f"), s.State.Code, word(s.Verdict))
	}
	return w.Flush()
}

func cell(v *float64, form string) string {
	if v == nil {
		return "–"
	}
	return fmt.Sprintf(form, *v)
}

func word(s string) string {
	if s == "" {
		return "–"
	}
	return s
}
