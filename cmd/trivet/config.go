package main

import (
	"fmt"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"trivet/api"
	"trivet/process/strict"
	"trivet/sim/catalog"
	"trivet/sim/fault"
)

// settings is the configuration file. It is seen only in this package.
type settings struct {
	Listen string   `toml:"listen"`   // address and port of the page
	Hosts  []string `toml:"hosts"`    // further names the page may be reached by, without port
	Data   string   `toml:"data_dir"` // where records are kept
	Sim    *simPart `toml:"sim"`      // a simulated machine; beside [station] it puts that machine on emulated chips

	Station *stationPart `toml:"station"` // a real machine

	Access accessPart `toml:"access"` // who may look, TLS
	Limits limitsPart `toml:"limits"` // how many connections

	Watchdog watchdogPart `toml:"watchdog"` // of the computer

	dir string // paths in the file are relative to it
}

type simPart struct {
	Machine  string        `toml:"machine"`
	Board    string        `toml:"board"`
	Profile  string        `toml:"profile"` // offered first on the page
	Seed     int64         `toml:"seed"`
	AmbientC float64       `toml:"ambient_c"`
	Speed    float64       `toml:"speed"`
	Law      string        `toml:"law"`   // "full" knows the board; "cascade" does not
	Faults   []fault.Fault `toml:"fault"` // what goes wrong, for practice
	// Commission makes a machine on emulated chips owe its commissioning like a real one, for practice.
	Commission bool `toml:"commission"`
}

// stationPart says which machine is real and what lies on it.
type stationPart struct {
	Machine string `toml:"machine"` // its file, with wiring
	Board   string `toml:"board"`   // shipped, or a file
	Profile string `toml:"profile"` // offered first on the page
	Law     string `toml:"law"`
}

// What is used where neither the file nor a flag says anything.
const (
	defaultListen  = "127.0.0.1:8420"
	defaultData    = "./data"
	defaultMachine = "bench-5kw"
	defaultBoard   = "switch-16-layer"
	defaultProfile = "removal-heavy-lead-free"
	defaultLaw     = "full"
	mostSpeed      = 100
)

// settings merges file, flags and defaults, flags last.
func (c *serveCmd) settings() (settings, error) {
	s := settings{dir: "."}
	if c.Config != "" {
		data, err := os.ReadFile(c.Config)
		if err != nil {
			return s, err
		}
		if s, err = parseConfig(c.Config, data); err != nil {
			return s, err
		}
		s.dir = filepath.Dir(c.Config)
	}
	if c.Sim && s.Sim == nil {
		s.Sim = &simPart{}
	}
	if s.Sim == nil && s.Station == nil {
		return s, fmt.Errorf("no machine is described: start with --sim for a simulated one, or give --config with a [station] or a [sim] table")
	}
	if c.Speed != 0 && s.Sim == nil {
		return s, fmt.Errorf("--speed is for simulated machines; a real one runs at its own")
	}
	if c.Speed != 0 {
		if !(c.Speed >= 1 && c.Speed <= mostSpeed) {
			return s, fmt.Errorf("--speed is %g; it must be between 1 and %d", c.Speed, mostSpeed)
		}
		s.Sim.Speed = c.Speed
	}
	if c.Data != "" {
		s.Data = c.Data
	}
	if c.Listen != "" {
		s.Listen = c.Listen
	}
	fill := func(v *string, otherwise string) {
		if *v == "" {
			*v = otherwise
		}
	}
	s.Access = c.access(s.Access, s.dir)
	if key, what, allowed := s.Access.check(); key != "" {
		return s, fmt.Errorf("--%s %s; allowed: %s", strings.ReplaceAll(key, "_", "-"), what, allowed)
	}
	fill(&s.Listen, defaultListen)
	fill(&s.Data, defaultData)
	if t := s.Station; t != nil {
		fill(&t.Profile, defaultProfile)
		fill(&t.Law, defaultLaw)
	}
	if t := s.Sim; t != nil {
		t.complete(fill)
	}
	return s, nil
}

// complete puts in what the file leaves out.
func (t *simPart) complete(fill func(*string, string)) {
	fill(&t.Machine, defaultMachine)
	fill(&t.Board, defaultBoard)
	fill(&t.Profile, defaultProfile)
	fill(&t.Law, defaultLaw)
	if t.AmbientC == 0 {
		t.AmbientC = 25
	}
	if t.Speed == 0 {
		t.Speed = 1
	}
	if t.Seed == 0 {
		t.Seed = 1
	}
}

// parseConfig reads and checks a configuration file. Its error lists every problem with file and line.
func parseConfig(file string, data []byte) (settings, error) {
	var s settings
	if err := strict.Decode(file, data, &s); err != nil {
		return settings{}, err
	}
	var wrong strict.Problems
	bad := func(what, allowed string, path ...any) {
		var key []string
		for _, p := range path {
			key = append(key, fmt.Sprint(p))
		}
		wrong = append(wrong, strict.Problem{File: file, Line: strict.Line(data, path...), Key: strings.Join(key, "."), What: what, Allowed: allowed})
	}
	if s.Listen != "" {
		if _, port, err := net.SplitHostPort(s.Listen); err != nil || port == "" {
			bad(fmt.Sprintf("is %q", s.Listen), "an address and a port, such as 127.0.0.1:8420", "listen")
		}
	}
	for i, h := range s.Hosts {
		if h == "" || strings.ContainsAny(h, "/:* ") {
			bad(fmt.Sprintf("is %q", h), "a plain host name without scheme, port or wildcard", "hosts", i)
		}
	}
	if key, what, allowed := s.Access.check(); key != "" {
		bad(what, allowed, "access", key)
	}
	if key, what, allowed := api.Limits(s.Limits).Check(); key != "" {
		bad(what, allowed, "limits", key)
	}
	if key, what, allowed := s.Watchdog.check(); key != "" {
		bad(what, allowed, "watchdog", key)
	}
	c := configCheck{bad: bad}
	switch {
	case s.Sim == nil && s.Station == nil:
		bad("is missing", "a [station] table for a real machine, or a [sim] table for a simulated one", "station")
	default:
		c.station(s.Station, s.Sim)
		c.sim(s.Sim)
	}
	if len(wrong) > 0 {
		return settings{}, wrong
	}
	return s, nil
}

// configCheck reports what is wrong with what runs on what.
type configCheck struct {
	bad func(what, allowed string, path ...any)
}

func (c configCheck) station(t *stationPart, sim *simPart) {
	if t == nil {
		return
	}
	if !strings.HasSuffix(t.Machine, ".toml") {
		c.bad(fmt.Sprintf("is %q", t.Machine), "the path of a machine file with wiring, ending in .toml", "station", "machine")
	}
	if t.Board == "" {
		c.bad("is missing", "the board that lies on the machine: "+strings.Join(catalog.Boards(), ", ")+", or a path ending in .toml", "station", "board")
	}
	c.law(t.Law, "station")
	c.shipped("station", "board", t.Board, catalog.Boards())
	c.shipped("station", "profile", t.Profile, catalog.Profiles())
	if sim != nil && (sim.Machine != "" || sim.Board != "" || sim.Profile != "" || sim.Law != "") {
		c.bad("names a machine, board, profile or law of its own", "none of them beside [station], which says all four", "sim")
	}
}

func (c configCheck) law(v, table string) {
	if v != "" && v != "full" && v != "cascade" {
		c.bad(fmt.Sprintf("is %q", v), "full or cascade", table, "law")
	}
}

func (c configCheck) shipped(table, key, v string, list []string) {
	if v == "" || strings.HasSuffix(v, ".toml") || slices.Contains(list, v) {
		return
	}
	c.bad(fmt.Sprintf("is %q, which is not shipped", v), strings.Join(list, ", ")+", or a path ending in .toml", table, key)
}

func (c configCheck) sim(t *simPart) {
	if t == nil {
		return
	}
	if v := t.Speed; v != 0 && !(v >= 1 && v <= mostSpeed) {
		c.bad(fmt.Sprintf("is %g", v), fmt.Sprintf("between 1 and %d", mostSpeed), "sim", "speed")
	}
	if v := t.AmbientC; v != 0 && !(v >= 5 && v <= 45) {
		c.bad(fmt.Sprintf("is %g", v), "between 5 and 45", "sim", "ambient_c")
	}
	c.law(t.Law, "sim")
	c.shipped("sim", "machine", t.Machine, catalog.Machines())
	c.shipped("sim", "board", t.Board, catalog.Boards())
	c.shipped("sim", "profile", t.Profile, catalog.Profiles())
	for i, f := range t.Faults {
		if err := f.Validate(); err != nil {
			c.bad(err.Error(), "", "sim", "fault", i, "kind")
		}
	}
}
