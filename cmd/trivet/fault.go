package main

import (
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"

	"trivet/sim/bench"
	"trivet/sim/fault"
)

type faultCmd struct {
	List faultListCmd `cmd:"" help:"The fault table: what is injected, when, and what must come of it."`
	Run  faultRunCmd  `cmd:"" help:"Inject one fault of the table on a simulated machine, and compare with the table."`
}

type faultListCmd struct {
	JSON bool `name:"json" help:"Print JSON."`
}

// faultRow is one row of the table in one phase.
type faultRow struct {
	ID       string `json:"id"`
	Hazard   string `json:"hazard"`
	Phase    string `json:"phase"` // empty where the row cannot be injected
	Class    string `json:"class"`
	First    string `json:"first"`
	Injected string `json:"injected"`
	Residual string `json:"residual"`
	Shown    string `json:"shown_by,omitempty"` // the test that shows it instead
}

// Run prints the table.
func (c *faultListCmd) Run(e *env) error {
	var rows []faultRow
	for _, f := range fault.Cases() {
		r := faultRow{ID: f.ID, Hazard: f.Hazard, Injected: f.Text(), Residual: f.Residual, Shown: f.Shown}
		if f.Shown != "" {
			rows = append(rows, r)
			continue
		}
		for _, p := range fault.Phases() {
			if x, ok := f.In[p]; ok {
				r.Phase, r.Class, r.First = string(p), string(x.Class), x.First
				rows = append(rows, r)
			}
		}
	}
	if c.JSON {
		return printJSON(e.out, rows)
	}
	w := tabwriter.NewWriter(e.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "fault\thazard\tphase\tclass\tnamed first")
	for _, r := range rows {
		if r.Shown != "" {
			r.Phase, r.Class, r.First = "–", "–", "shown by "+r.Shown
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\n", r.ID, r.Hazard, r.Phase, r.Class, strings.ReplaceAll(r.First, "|", " or "))
	}
	return w.Flush()
}

type faultRunCmd struct {
	ID    string `arg:"" help:"A fault of the table, see fault list."`
	Seed  int64  `default:"1" help:"Noise, and the moment inside the phase."`
	Board string `default:"switch-16-layer" help:"A shipped board."`
	Phase string `help:"When: before, idle, proof, preheat, soak, reflow, lift, cool, after. Default: the first the row is tried in, soak before others."`
	JSON  bool   `name:"json" help:"Print JSON."`
}

// Run injects one fault. Exit status 1 means that what came is not what the table says.
func (c *faultRunCmd) Run(e *env) error {
	f, err := fault.FindCase(c.ID)
	if err != nil {
		return err
	}
	p := fault.Phase(c.Phase)
	if p == "" {
		order := append([]fault.Phase{fault.Soak}, fault.Phases()...)
		if k := slices.IndexFunc(order, func(p fault.Phase) bool { _, ok := f.In[p]; return ok }); k >= 0 {
			p = order[k]
		}
	}
	r, err := bench.RunCell(e.ctx, bench.Cell{Case: f, Phase: p, Board: c.Board, Seed: c.Seed})
	if err != nil {
		return err
	}
	if len(r.Wrong) > 0 {
		e.exit = exitOutside
	}
	if c.JSON {
		return printJSON(e.out, r)
	}
	printCell(e.out, &f, p, r)
	return nil
}

func printCell(w io.Writer, f *fault.Case, p fault.Phase, r *bench.CellResult) {
	fmt.Fprintf(w, "%s (%s), %s, on %s\n\n", r.ID, r.Hazard, p, r.Board)
	line := func(name, v string) { fmt.Fprintf(w, "  %-26s %s\n", name, v) }
	line("injected", f.Text())
	line("class", r.Class)
	if r.AllowedS != nil {
		line("allowed", fmt.Sprintf("%.1f s to relays and heat-enable low", *r.AllowedS))
	}
	if r.ReactionS != nil {
		line("took", fmt.Sprintf("%.1f s", *r.ReactionS))
	}
	line("named first", word(r.First))
	line("table says", word(strings.ReplaceAll(f.In[p].First, "|", " or ")))
	line("alarms", word(strings.Join(r.Alarms, ", ")))
	line("true temperatures", fmt.Sprintf("%s came closest to its limit: %+.1f °C", r.Of, r.AboveC))
	line("what is left", f.Residual)
	fmt.Fprintln(w)
	for _, u := range r.Wrong {
		fmt.Fprintln(w, "not as the table says:", u)
	}
	if len(r.Wrong) == 0 {
		fmt.Fprintln(w, "As the table says. Everything simulated: a real machine needs its own proof, by somebody qualified.")
	}
}

func printJSON(w io.Writer, v any) error {
	enc := json.NewEncoder(w)
	enc.SetIndent("", "  ")
	return enc.Encode(v)
}
