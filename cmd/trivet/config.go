package main

import (
	"fmt"
	"net"
	"os"
	"path/filepath"
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
	Sim    *simPart `toml:"sim"`      // a simulated machine

	Access accessPart `toml:"access"` // who may look, TLS
	Limits limitsPart `toml:"limits"` // how many connections

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
	if s.Sim == nil {
		return s, fmt.Errorf("no machine is described: start with --sim for a simulated one, or give --config with a [sim] table; real machines are described in a later version")
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
	fill(&s.Sim.Machine, defaultMachine)
	fill(&s.Sim.Board, defaultBoard)
	fill(&s.Sim.Profile, defaultProfile)
	fill(&s.Sim.Law, defaultLaw)
	if s.Sim.AmbientC == 0 {
		s.Sim.AmbientC = 25
	}
	if s.Sim.Speed == 0 {
		s.Sim.Speed = 1
	}
	if s.Sim.Seed == 0 {
		s.Sim.Seed = 1
	}
	return s, nil
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
	if s.Sim == nil {
		bad("is missing", "a [sim] table; real machines are described in a later version", "sim")
		return s, wrong
	}
	if v := s.Sim.Speed; v != 0 && !(v >= 1 && v <= mostSpeed) {
		bad(fmt.Sprintf("is %g", v), fmt.Sprintf("between 1 and %d", mostSpeed), "sim", "speed")
	}
	if v := s.Sim.AmbientC; v != 0 && !(v >= 5 && v <= 45) {
		bad(fmt.Sprintf("is %g", v), "between 5 and 45", "sim", "ambient_c")
	}
	if v := s.Sim.Law; v != "" && v != "full" && v != "cascade" {
		bad(fmt.Sprintf("is %q", v), "full or cascade", "sim", "law")
	}
	shipped := func(key, v string, list []string) {
		if v == "" || strings.HasSuffix(v, ".toml") {
			return
		}
		for _, n := range list {
			if n == v {
				return
			}
		}
		bad(fmt.Sprintf("is %q, which is not shipped", v), strings.Join(list, ", ")+", or a path ending in .toml", "sim", key)
	}
	shipped("machine", s.Sim.Machine, catalog.Machines())
	shipped("board", s.Sim.Board, catalog.Boards())
	shipped("profile", s.Sim.Profile, catalog.Profiles())
	for i, f := range s.Sim.Faults {
		if err := f.Validate(); err != nil {
			bad(err.Error(), "", "sim", "fault", i, "kind")
		}
	}
	if len(wrong) > 0 {
		return settings{}, wrong
	}
	return s, nil
}
