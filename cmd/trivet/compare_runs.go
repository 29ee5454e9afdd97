package main

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"trivet/process/compare"
	"trivet/process/unit"
	"trivet/station"
	"trivet/store"
)

type runsCmd struct {
	Data    string `required:"" help:"Directory of records; a station may be running on it." type:"path"`
	Limit   int    `help:"How many runs, newest first." default:"50"`
	Compare bool   `help:"How alike the runs of each pairing of board, part and machine are, and whether something drifts."`
	JSON    bool   `name:"json" help:"Print JSON."`
}

// Run lists runs, or compares them.
func (c *runsCmd) Run(e *env) error {
	if c.Limit < 1 || c.Limit > 100_000 {
		return fmt.Errorf("--limit is %d; allowed: 1 to 100000", c.Limit)
	}
	r, err := store.OpenReader(e.ctx, c.Data)
	if err != nil {
		return err
	}
	defer r.Close()
	list, err := r.Runs(e.ctx, c.Limit)
	if err != nil {
		return err
	}
	if !c.Compare {
		return tellRuns(e.out, list, c.JSON)
	}
	groups, err := compareRuns(e.ctx, r, list)
	if err != nil {
		return err
	}
	if c.JSON {
		out := json.NewEncoder(e.out)
		out.SetIndent("", "  ")
		return out.Encode(groups)
	}
	return tellCompared(e.out, groups)
}

// listedRun is a line of the list.
type listedRun struct {
	ID       int64    `json:"id"`
	Begun    string   `json:"begun_utc"`
	Kind     string   `json:"kind"`
	Board    string   `json:"board"`
	Serial   string   `json:"serial"`
	State    string   `json:"state"` // empty while it is open
	Verdict  string   `json:"verdict"`
	PeakC    *float64 `json:"peak_c"`
	AboveLiq *float64 `json:"time_above_liquidus_s"`
}

func tellRuns(out io.Writer, list []station.RunRecord, asJSON bool) error {
	rows := []listedRun{}
	for i := range list {
		h, e := &list[i].Head, &list[i].End
		l := listedRun{ID: h.ID, Begun: h.BegunUTC.Format(time.RFC3339), Kind: string(h.Kind), Board: h.Board, Serial: h.Serial, State: string(e.State)}
		if e.Verdict != nil {
			l.Verdict, l.PeakC, l.AboveLiq = e.Verdict.Word(), e.Verdict.Measures.Peak, e.Verdict.Measures.AboveLiquidus
		}
		rows = append(rows, l)
	}
	if asJSON {
		enc := json.NewEncoder(out)
		enc.SetIndent("", "  ")
		return enc.Encode(rows)
	}
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "run\tbegun\tkind\tboard\tserial\tended as\tverdict\tpeak, °C\tabove liquidus, s")
	for _, l := range rows {
		if l.State == "" {
			l.State = "open"
		}
		fmt.Fprintf(w, "%d\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", l.ID, l.Begun, l.Kind, l.Board, l.Serial, l.State, l.Verdict, orNothing(l.PeakC), orNothing(l.AboveLiq))
	}
	return w.Flush()
}

func orNothing(v *float64) string {
	if v == nil {
		return ""
	}
	return fmt.Sprintf("%.1f", *v)
}

// comparedGroup is the runs of one pairing with one profile.
type comparedGroup struct {
	Machine string           `json:"machine"`
	Board   string           `json:"board"`
	Part    string           `json:"part"`
	Kind    string           `json:"kind"`
	Profile string           `json:"profile"`
	Runs    []int64          `json:"runs"` // in their order
	Passed  int              `json:"passed"`
	Spreads []compare.Spread `json:"spreads"`
}

// compareRuns groups complete runs by what makes them comparable, and compares each group.
func compareRuns(ctx context.Context, r *store.Reader, list []station.RunRecord) ([]comparedGroup, error) {
	type key struct{ machine, board, part, kind, profile string }
	groups, figures := map[key]*comparedGroup{}, map[key][]compare.Run{}
	names := map[key]map[string]string{} // units by figure
	for i := len(list) - 1; i >= 0; i-- {
		h, e := &list[i].Head, &list[i].End
		if e.State != station.Complete {
			continue // a run that was cut short is no measure of the machine
		}
		k := key{h.Station, h.Board, h.Part, string(h.Kind), h.ProfileTOML}
		g := groups[k]
		if g == nil {
			g = &comparedGroup{Machine: h.Station, Board: h.Board, Part: h.Part, Kind: string(h.Kind), Profile: h.Profile}
			groups[k], names[k] = g, map[string]string{}
		}
		channels, rows, err := r.Samples(ctx, h.ID)
		if err != nil {
			return nil, err
		}
		f := figuresOf(&list[i], channels, rows, names[k])
		g.Runs, figures[k] = append(g.Runs, h.ID), append(figures[k], compare.Run{ID: h.ID, Figures: f})
		if e.Verdict != nil && e.Verdict.Pass {
			g.Passed++
		}
	}
	var out []comparedGroup
	for k, g := range groups {
		g.Spreads = compare.Of(figures[k], toCompare(names[k], figures[k]))
		out = append(out, *g)
	}
	slices.SortFunc(out, func(a, b comparedGroup) int {
		return cmp.Or(cmp.Compare(len(b.Runs), len(a.Runs)), cmp.Compare(a.Runs[0], b.Runs[0]))
	})
	return out, nil
}

// Names of figures that every run has.
const (
	figurePeak, figureAbove, figureToPeak, figureEnergy = "peak", "time above liquidus", "25 °C to peak", "energy to the peak"

	driveOf = "drive of " // and the heater: its mean duty until the plan's peak
)

// figuresOf reduces a run to figures.
func figuresOf(r *station.RunRecord, channels []station.Channel, rows []station.Sample, units map[string]string) map[string]float64 {
	out := map[string]float64{}
	put := func(name, of string, v float64) { out[name], units[name] = v, of }
	if v := r.End.Verdict; v != nil {
		for name, m := range map[string]*float64{figurePeak: v.Measures.Peak, figureAbove: v.Measures.AboveLiquidus, figureToPeak: v.Measures.ToPeak} {
			if m != nil {
				put(name, map[bool]string{true: "°C", false: "s"}[name == figurePeak], *m)
			}
		}
	}
	until := peakOfPlan(channels, rows)
	if until < 2 {
		return out
	}
	for k, c := range channels[:min(len(channels), station.MaxChannels)] {
		if c.Kind != "duty" && c.Kind != "power" {
			continue
		}
		sum, long := 0.0, 0.0
		for i := 1; i < until; i++ {
			if dt := (rows[i].At - rows[i-1].At).Seconds(); rows[i].Quality[k] == unit.Good {
				sum, long = sum+float64(rows[i].Values[k])*dt, long+dt
			}
		}
		switch {
		case long == 0:
		case c.Kind == "duty":
			put(driveOf+strings.TrimPrefix(c.Name, "duty:"), "%", 100*sum/long)
		default:
			put(figureEnergy, "kJ", sum/1000)
		}
	}
	return out
}

// peakOfPlan is the first row in which the plan is at its highest, 0 when there is none.
func peakOfPlan(channels []station.Channel, rows []station.Sample) (row int) {
	highest := float32(0)
	for k, c := range channels[:min(len(channels), station.MaxChannels)] {
		if c.Kind != "target" {
			continue
		}
		for i := range rows {
			if rows[i].Quality[k] == unit.Good && rows[i].Values[k] > highest+0.01 {
				highest, row = rows[i].Values[k], i
			}
		}
	}
	return row
}

// toCompare lists the figures in their order with what matters of them: judgement. Drive and energy matter relative to what is usual.
func toCompare(units map[string]string, runs []compare.Run) []compare.Figure {
	order := []compare.Figure{{Name: figurePeak, Matters: 2}, {Name: figureAbove, Matters: 8}, {Name: figureToPeak, Matters: 15}, {Name: figureEnergy}}
	var drives []string
	for name := range units {
		if strings.HasPrefix(name, driveOf) {
			drives = append(drives, name)
		}
	}
	slices.Sort(drives)
	for _, d := range drives {
		order = append(order, compare.Figure{Name: d})
	}
	for i := range order {
		f := &order[i]
		if f.Unit = units[f.Name]; f.Matters == 0 {
			for _, r := range runs {
				f.Matters = max(f.Matters, 0.04*r.Figures[f.Name])
			}
		}
	}
	return order
}

// tellCompared prints each group as a table and what stands out.
func tellCompared(out io.Writer, groups []comparedGroup) error {
	if len(groups) == 0 {
		_, err := fmt.Fprintln(out, "There are no complete runs to compare.")
		return err
	}
	for _, g := range groups {
		fmt.Fprintf(out, "%s on %s, %s, %s: %d runs, %d passed\n", g.Board, g.Machine, g.Kind, g.Profile, len(g.Runs), g.Passed)
		if len(g.Spreads) == 0 {
			fmt.Fprintln(out, "Nothing to compare: it takes two runs.")
			fmt.Fprintln(out)
			continue
		}
		w := tabwriter.NewWriter(out, 0, 0, 2, ' ', tabwriter.AlignRight)
		fmt.Fprintln(w, "\tmean\tdeviation\tleast\tmost\tover all runs\t")
		for _, s := range g.Spreads {
			over := "too few runs"
			if s.N >= compare.Fewest {
				over = fmt.Sprintf("%+.2f", s.Drift.Over)
			}
			fmt.Fprintf(w, "%s, %s\t%.1f\t%.2f\t%.1f\t%.1f\t%s\t\n", s.Name, s.Unit, s.Mean, s.Deviates, s.Least, s.Most, over)
		}
		if err := w.Flush(); err != nil {
			return err
		}
		if err := tellDrift(out, g); err != nil {
			return err
		}
	}
	return nil
}

// tellDrift prints what stands out of a group, and what it may mean.
func tellDrift(out io.Writer, g comparedGroup) error {
	rising, drives := 0, 0
	for _, s := range g.Spreads {
		if strings.HasPrefix(s.Name, driveOf) {
			drives++
			if s.Drift.Told && s.Drift.Over > 0 {
				rising++
			}
		}
		if text := s.Sentence(); text != "" {
			fmt.Fprintln(out, text)
		}
	}
	switch {
	case rising == 0:
	case rising == drives:
		fmt.Fprintln(out, "All heaters need more for the same course: look at the mains voltage, draughts, the blowers and the thermocouples before the heaters.")
	default:
		fmt.Fprintln(out, "Some heaters need more for the same course: they, or the air through them, may be ageing. Commissioning measures them anew.")
	}
	_, err := fmt.Fprintln(out)
	return err
}
