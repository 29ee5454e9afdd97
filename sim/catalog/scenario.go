package catalog

import (
	"embed"
	"fmt"
	"slices"
	"sort"
	"strings"

	"trivet/process/strict"
	"trivet/sim/fault"
)

//go:embed scenarios/*.toml
var scenarioFiles embed.FS

// Scenario is one bench run: which machine, board and profile, which law, what goes wrong, and what is expected.
type Scenario struct {
	Name    string `toml:"name"`
	Title   string `toml:"title"`
	Machine string `toml:"machine"` // a shipped machine, or a path ending in .toml
	Board   string `toml:"board"`   // likewise
	Profile string `toml:"profile"` // likewise
	Seed    int64  `toml:"seed"`

	CentreJoint  bool     `toml:"centre_joint"`   // a second thermocouple at the centre ball
	AmbientC     float64  `toml:"ambient_c"`      // room temperature; 25 when absent
	LiftAfterS   *float64 `toml:"lift_after_s"`   // how long the technician takes once the window is open; absent: 5; negative: never
	BodyLimitC   *float64 `toml:"body_limit_c"`   // replaces the profile's limit of the package top
	Law          string   `toml:"law"`            // one of Laws; "cascade" when absent
	Proof        bool     `toml:"proof"`          // prove the thermocouples by a warm-up first
	ContinueRunS float64  `toml:"continue_run_s"` // how long to go on after the run has ended; 30 when absent

	Schedule []ScheduleStep `toml:"schedule"` // for law = "schedule": plain duties, open loop
	Faults   []fault.Fault  `toml:"fault"`
	Expect   *Expect        `toml:"expect"`
}

// ScheduleStep holds duties from a moment until the next step.
type ScheduleStep struct {
	AtS  float64            `toml:"at_s"`
	Duty map[string]float64 `toml:"duty"` // by heater name, 0…1
	Fan  float64            `toml:"fan"`
}

// Expect is what a scenario must come to; tests and `trivet simulate` compare with it.
type Expect struct {
	State      string   `toml:"state"`        // how the run ends
	Code       string   `toml:"code"`         // its reason code
	OffWithinS *float64 `toml:"off_within_s"` // from the fault to every relay (or the named head's) off
	OffOf      []string `toml:"off_of"`       // heaters meant by off_within_s; all when absent
	EnableOffS *float64 `toml:"enable_off_within_s"`
	Verdict    string   `toml:"verdict"`
}

// Laws lists the laws a scenario can name, from the least that is known of the board to the most.
func Laws() []string {
	return []string{
		"schedule",    // duties by the clock, from the scenario itself
		"table",       // heater temperatures by the clock, as a technician finds them on a sample board
		"pid",         // one PID on the joint, every heater at the same duty
		"cascade-pid", // PI on the joint above a loop per heater
		"cascade",     // the same with feed-forward from size and layer count
		"full",        // fits the board while it heats, and plans on what it found
		"clairvoyant", // was told everything beforehand: no law, but the bound for all of them
	}
}

// IsLaw reports whether name is one of Laws.
func IsLaw(name string) bool { return slices.Contains(Laws(), name) }

// ParseScenario reads and checks one scenario file. Its error lists every problem with file and line.
func ParseScenario(file string, data []byte) (Scenario, error) {
	var s Scenario
	if err := strict.Decode(file, data, &s); err != nil {
		return Scenario{}, err
	}
	var wrong strict.Problems
	var lines *strict.Lines // found with the first problem, if there is one
	bad := func(what, allowed string, path ...any) {
		key := ""
		for _, p := range path {
			switch v := p.(type) {
			case string:
				key += "." + v
			case int:
				key += fmt.Sprintf("[%d]", v)
			}
		}
		if lines == nil {
			found := strict.LinesOf(data)
			lines = &found
		}
		key = strings.TrimPrefix(key, ".")
		wrong = append(wrong, strict.Problem{File: file, Line: lines.At(key), Key: key, What: what, Allowed: allowed})
	}
	need := func(v, key, allowed string) {
		if v == "" {
			bad("is missing", allowed, key)
		}
	}
	need(s.Name, "name", "a short name without spaces")
	need(s.Machine, "machine", strings.Join(Machines(), ", ")+", or a file")
	need(s.Board, "board", strings.Join(Boards(), ", ")+", or a file")
	need(s.Profile, "profile", strings.Join(Profiles(), ", ")+", or a file")
	known := func(v, key string, list []string) {
		if v == "" || strings.HasSuffix(v, ".toml") {
			return
		}
		for _, n := range list {
			if n == v {
				return
			}
		}
		bad(fmt.Sprintf("is %q, which is not shipped", v), strings.Join(list, ", ")+", or a path ending in .toml", key)
	}
	known(s.Machine, "machine", Machines())
	known(s.Board, "board", Boards())
	known(s.Profile, "profile", Profiles())
	if s.AmbientC == 0 {
		s.AmbientC = 25
	}
	if !(s.AmbientC >= 5 && s.AmbientC <= 45) {
		bad(fmt.Sprintf("is %g", s.AmbientC), "between 5 and 45", "ambient_c")
	}
	switch s.Law {
	case "":
		s.Law = "cascade"
	case "schedule":
		if len(s.Schedule) == 0 {
			bad("is \"schedule\", but there is no [[schedule]] step", "at least one step", "law")
		}
	default:
		if !IsLaw(s.Law) {
			bad(fmt.Sprintf("is %q", s.Law), strings.Join(Laws(), ", "), "law")
		}
	}
	last := -1.0
	for i, st := range s.Schedule {
		if !(st.AtS > last && st.AtS <= 10800) {
			bad(fmt.Sprintf("is %g", st.AtS), "later than the step before and at most 10800", "schedule", i, "at_s")
		}
		last = st.AtS
		for h, d := range st.Duty {
			if !(d >= 0 && d <= 1) {
				bad(fmt.Sprintf("is %g for %s", d, h), "between 0 and 1", "schedule", i, "duty")
			}
		}
	}
	for i, f := range s.Faults {
		if err := f.Validate(); err != nil {
			bad(err.Error(), "", "fault", i, "kind")
		}
	}
	if s.ContinueRunS == 0 {
		s.ContinueRunS = 30
	}
	if !(s.ContinueRunS >= 0 && s.ContinueRunS <= 3600) {
		bad(fmt.Sprintf("is %g", s.ContinueRunS), "between 0 and 3600", "continue_run_s")
	}
	if len(wrong) > 0 {
		return Scenario{}, wrong
	}
	return s, nil
}

// Scenario returns a shipped scenario.
func ScenarioNamed(name string) (Scenario, error) {
	data, err := scenarioFiles.ReadFile("scenarios/" + name + ".toml")
	if err != nil {
		return Scenario{}, fmt.Errorf("no scenario %q is shipped; there are %s", name, strings.Join(Scenarios(), ", "))
	}
	return ParseScenario(name+".toml", data)
}

// Scenarios lists the shipped scenarios.
func Scenarios() []string { return names(scenarioFiles, "scenarios") }

func names(fs embed.FS, dir string) []string {
	entries, err := fs.ReadDir(dir)
	if err != nil {
		return nil // the directory is embedded: this cannot happen
	}
	var out []string
	for _, e := range entries {
		out = append(out, strings.TrimSuffix(e.Name(), ".toml"))
	}
	sort.Strings(out)
	return out
}
