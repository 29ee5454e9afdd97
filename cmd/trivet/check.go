package main

import (
	"bytes"
	"fmt"
	"io"
	"strings"
	"time"

	"trivet/cmd/trivet/machine"
	"trivet/process"
	"trivet/process/strict"
	"trivet/sim/catalog"
	"trivet/sim/network"
)

// described is what a TOML file can describe: told apart by the keys that only such a file has at its top. The name of
// the file tells nothing, so people may call theirs what they like.
type described struct {
	what  string
	keys  []string
	check func(file string, data []byte) (details []string, err error)
}

// descriptions lists what can be checked. The keys are those that no other kind of file has, so that a file with a
// mistake in it is still recognised by the rest.
func descriptions() []described {
	return []described{
		{"profile", []string{"segment", "alloy", "kind", "tolerance_c"}, checkProfile},
		{"board", []string{"package", "layers", "thickness_mm", "size_x_mm", "size_y_mm", "neighbour", "thermocouple", "core"}, checkBoard},
		{"machine", []string{"bank", "top", "bottom", "deck", "fans", "mains_budget_w", "wiring"}, checkMachine},
		{"scenario", []string{"machine", "board", "profile", "law", "schedule", "fault", "expect", "seed", "lift_after_s"}, checkScenario},
		{"configuration", []string{"sim", "station", "listen", "hosts", "data_dir"}, checkConfig},
	}
}

// check checks a file of any kind the program reads and prints what it is. An error lists every problem with its line.
func check(path string, out io.Writer) (int, error) {
	data, err := readFile(path, max(strict.MaxSize, network.MaxSize))
	if err != nil {
		return exitBad, err
	}
	what, details, err := inspect(path, data)
	if err != nil {
		return exitBad, err
	}
	if _, err := fmt.Fprintf(out, "%s: a %s without problems\n", path, what); err != nil {
		return exitBad, err
	}
	for _, d := range details {
		if _, err := fmt.Fprintf(out, "%s: %s\n", path, d); err != nil {
			return exitBad, err
		}
	}
	return exitDone, nil
}

// inspect finds out what a file describes and checks it as that.
func inspect(file string, data []byte) (what string, details []string, err error) {
	// TOML cannot begin with a brace, JSON networks always do.
	if text := bytes.TrimSpace(bytes.TrimPrefix(data, []byte("\ufeff"))); len(text) > 0 && text[0] == '{' {
		_, err := network.Parse(file, data)
		return "thermal network", nil, err
	}
	// The kind with most of its keys present wins, so that a file with a slip in one of them is still checked as what
	// it was meant to be, and gets a message about the slip.
	var best described
	most, names := 0, []string(nil)
	for _, d := range descriptions() {
		found := 0
		for _, k := range d.keys {
			if strict.Present(data, k) {
				found++
			}
		}
		if found > most {
			best, most = d, found
		}
		names = append(names, fmt.Sprintf("%s (%s, …)", d.what, strings.Join(d.keys[:2], ", ")))
	}
	// Nothing known: either it is not TOML at all, which has a line, or it is something this program never reads.
	if most == 0 {
		if err := strict.Decode(file, data, &struct{}{}); err != nil && !isUnknownKey(err) {
			return "", nil, err // not TOML at all: say where
		}
		return "", nil, strict.Problems{{File: file, What: "nothing in it tells what it describes", Allowed: strings.Join(names, ", ") + ", or a thermal network as JSON"}}
	}
	details, err = best.check(file, data)
	return best.what, details, err
}

// isUnknownKey reports whether a file was refused only for keys that an empty table does not have.
func isUnknownKey(err error) bool {
	problems, ok := err.(strict.Problems)
	return ok && len(problems) > 0 && problems[0].Key != ""
}

// checkProfile also plans the profile and passes on its warnings: a profile can be sound and still unwise.
func checkProfile(file string, data []byte) ([]string, error) {
	p, err := catalog.ParseProfile(file, data)
	if err != nil {
		return nil, err
	}
	details := []string{fmt.Sprintf("%q, %s of %s, %d segments, peak %v", p.Title, p.Kind, p.Alloy.Name, len(p.Segments), p.Peak())}
	if plan, err := process.NewPlan(p, min(25, p.Segments[0].Target)); err == nil {
		details = append(details, fmt.Sprintf("from 25 °C %s to the peak, %s in all", clock(plan.PeakAt()), clock(plan.Total().Round(time.Second))))
	}
	for _, w := range p.Warnings() {
		details = append(details, "warning: "+w)
	}
	return details, nil
}

// The rest have nothing to add: either there is a list of problems, or there is not.
func checkBoard(file string, data []byte) ([]string, error) {
	_, err := catalog.ParseBoard(file, data)
	return nil, err
}

// checkMachine also says, of a real machine, what its wiring leaves uncovered.
func checkMachine(file string, data []byte) ([]string, error) {
	if !machine.Wired(data) {
		_, err := catalog.ParseMachine(file, data)
		return nil, err
	}
	f, err := machine.Parse(file, data)
	if err != nil {
		return nil, err
	}
	w := &f.Wiring
	details := []string{fmt.Sprintf("%q: %d heaters with %.0f W of %.0f W budget, %d sensors, %d blowers, %d interlocks",
		f.Title, len(w.Heaters), f.InstalledW(), f.MainsBudgetW, len(w.Sensors), len(w.Blowers), len(w.Interlocks))}
	for _, u := range f.Uncovered() {
		details = append(details, "not covered: "+u)
	}
	return append(details, "to come before heat: commissioning, and every hardware layer of deploy/wiring.md"), nil
}

func checkScenario(file string, data []byte) ([]string, error) {
	_, err := catalog.ParseScenario(file, data)
	return nil, err
}

func checkConfig(file string, data []byte) ([]string, error) {
	_, err := parseConfig(file, data)
	return nil, err
}
