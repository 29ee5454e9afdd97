package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"trivet/process"
	"trivet/process/unit"
	"trivet/sim/bench"
	"trivet/sim/catalog"
	"trivet/sim/network"
)

type simulateCmd struct {
	Scenario string  `arg:"" optional:"" help:"A shipped scenario, or a scenario file."`
	Seed     *int64  `help:"Replaces the scenario's seed."`
	Out      string  `help:"Directory for samples.csv and summary.json." type:"path"`
	JSON     bool    `name:"json" help:"Print the summary as JSON."`
	Network  string  `help:"A thermal network (rc-network-v1 JSON) in place of a scenario." type:"path"`
	Until    float64 `help:"With --network: last time, s."`
	Step     float64 `help:"With --network: time between rows, s."`
	List     bool    `help:"List the shipped scenarios, boards, machines and profiles."`
}

func (c *simulateCmd) Run(e *env) error {
	switch {
	case c.List:
		fmt.Fprintf(e.out, "scenarios: %s\nboards:    %s\nmachines:  %s\nprofiles:  %s\n", strings.Join(catalog.Scenarios(), ", "),
			strings.Join(catalog.Boards(), ", "), strings.Join(catalog.Machines(), ", "), strings.Join(catalog.Profiles(), ", "))
		return nil
	case c.Network != "" && c.Scenario != "":
		return errors.New("simulate takes a scenario or --network, not both")
	case c.Network != "":
		return c.network(e)
	case c.Scenario == "":
		return fmt.Errorf("simulate needs a scenario; shipped are %s, or give a file ending in .toml", strings.Join(catalog.Scenarios(), ", "))
	}
	parts, err := loadScenario(c.Scenario)
	if err != nil {
		return err
	}
	if c.Seed != nil {
		parts.Scenario.Seed = *c.Seed
	}
	if c.Out != "" {
		if err := os.MkdirAll(c.Out, 0o755); err != nil {
			return fmt.Errorf("the output directory cannot be made: %w", err)
		}
	}
	bar := newBar(e.errOut, parts.Scenario.Name)
	begun := time.Now()
	res, err := bench.Run(e.ctx, parts, bar.show)
	bar.done()
	if err != nil {
		return fmt.Errorf("%s: %w", c.Scenario, err)
	}
	s := &res.Summary
	s.WallS = time.Since(begun).Seconds()
	s.TimesReal = s.SimulatedS / s.WallS
	if c.Out != "" {
		if err := writeRun(c.Out, res); err != nil {
			return err
		}
	}
	if c.JSON {
		enc := json.NewEncoder(e.out)
		enc.SetIndent("", "  ")
		if err := enc.Encode(s); err != nil {
			return err
		}
	} else {
		printRun(e.out, res)
	}
	if s.OutsideLimits() {
		e.exit = exitOutside
	}
	return nil
}

func (c *simulateCmd) network(e *env) error {
	data, err := os.ReadFile(c.Network)
	if err != nil {
		return err
	}
	n, err := network.Parse(c.Network, data)
	if err != nil {
		return err
	}
	return writeNetwork(e.out, n, c.Until, c.Step)
}

// loadScenario reads a shipped scenario by name or one from a file, with everything it names. Paths in a file are
// relative to that file.
func loadScenario(name string) (bench.Parts, error) {
	dir := "."
	var s catalog.Scenario
	var err error
	if strings.HasSuffix(name, ".toml") {
		data, readErr := os.ReadFile(name)
		if readErr != nil {
			return bench.Parts{}, readErr
		}
		dir = filepath.Dir(name)
		s, err = catalog.ParseScenario(name, data)
	} else {
		s, err = catalog.ScenarioNamed(name)
	}
	if err != nil {
		return bench.Parts{}, err
	}
	return loadParts(s, dir)
}

func loadParts(s catalog.Scenario, dir string) (bench.Parts, error) {
	p := bench.Parts{Scenario: s}
	var err error
	if p.Machine, err = named(s.Machine, dir, catalog.Machine, catalog.ParseMachine); err != nil {
		return p, err
	}
	if p.Board, err = named(s.Board, dir, catalog.Board, catalog.ParseBoard); err != nil {
		return p, err
	}
	if p.Profile, err = named(s.Profile, dir, catalog.Profile, catalog.ParseProfile); err != nil {
		return p, err
	}
	if s.BodyLimitC != nil {
		limited := p.Profile
		limited.BodyLimit = unit.Celsius(*s.BodyLimitC)
		if p.Profile, err = process.NewProfile(limited); err != nil {
			return p, fmt.Errorf("body_limit_c: %w", err)
		}
	}
	return p, err
}

// named gets a thing from the catalogue, or from a file when its name ends in .toml.
func named[T any](name, dir string, shipped func(string) (T, error), parse func(string, []byte) (T, error)) (T, error) {
	if !strings.HasSuffix(name, ".toml") {
		return shipped(name)
	}
	path := name
	if !filepath.IsAbs(path) {
		path = filepath.Join(dir, name)
	}
	data, err := os.ReadFile(path)
	if err != nil {
		var zero T
		return zero, err
	}
	return parse(path, data)
}

// printRun ends a run on the terminal: the sentence, the figures, the verdict table.
func printRun(w io.Writer, r *bench.Result) {
	s := &r.Summary
	fmt.Fprintln(w, s.Sentence)
	fmt.Fprintln(w)
	line := func(name string, v *float64, unit string) {
		if v != nil {
			fmt.Fprintf(w, "  %-44s %8.2f %s\n", name, *v, unit)
		}
	}
	line("joint against plan, rms (true)", s.RmsC, "°C")
	line("joint against plan above 150 °C, rms (true)", s.RmsAbove150C, "°C")
	line("peak of the joint (true)", s.PeakC, "°C")
	line("peak against its target", s.PeakErrorC, "°C")
	line("time to peak", s.ToPeakS, "s")
	line("time above liquidus (true)", s.TalS, "s")
	line("time above liquidus against plan", s.TalErrorS, "s")
	line("hottest minus coldest joint, most (true)", s.MaxDeltaTC, "°C")
	line("package top, most (true)", s.MaxBodyC, "°C")
	line("from the peak to 60 °C", s.CoolS, "s")
	line("fault to relays off", s.ReactionS, "s")
	line("fault to heat-enable off", s.EnableOffS, "s")
	fmt.Fprintf(w, "  %-44s %8.0f times real time\n\n", "speed", s.TimesReal)
	if len(r.Verdict.Checks) > 0 {
		fmt.Fprintln(w, r.Verdict.Table())
	}
	if len(s.Trips) > 0 {
		fmt.Fprintln(w, "alarms in order:", strings.Join(s.Trips, ", "))
	}
	for _, u := range s.Unmet {
		fmt.Fprintln(w, "not as the scenario expects:", u)
	}
}
