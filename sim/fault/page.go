package fault

import (
	"fmt"
	"strings"
)

// Page returns the fault table as the manual's page, in Markdown. A test keeps the shipped page equal to it.
func Page() string {
	var b strings.Builder
	b.WriteString(`# What can go wrong, and what the station does then

This page is made from the fault table in ` + "`sim/fault`" + ` (` + "`go test ./sim/fault -update`" + `); do not edit it. Every row with a phase is run on a simulated
machine, with the temperatures of the simulated plant watched, not only those of the sensors. No real machine was measured.

**Trivet is a controller, not a safety device, and claims to meet no safety standard.** Your machine needs its own over-temperature limiters, thermal
fuses, series contactor, emergency stop, fuses, residual-current device and protective earth, wired and tried by a qualified person under your local
electrical code. Never leave it unattended while it is hot.

| class | what it means |
| --- | --- |
`)
	for _, c := range []struct {
		c    Class
		text string
	}{
		{R0, "every relay and heat-enable off in the tick that sees it, 0.1 s"}, {R1, "off within 1 s"},
		{R1Slow, "off within 2.6 s: that amplifier looks for an open couple only every 1.6 s"}, {R2, "off within 2 s"}, {R5, "off within 5 s"},
		{R30, "off within 30 s; ceilings bound it meanwhile"}, {Hold10, "no more heat at once, off after 10 s"},
		{Refused, "the run is refused, or ends before its heat"}, {Told, "an alarm, and no more than that"},
		{Bounded, "not recognised for what it is, or not in time; the ceilings bound what it can do. Where a name is given, nothing else may be named first"},
	} {
		fmt.Fprintf(&b, "| %s | %s |\n", c.c, c.text)
	}
	b.WriteString("\n| fault | hazard | what happens | when | class | named first | what is left |\n| --- | --- | --- | --- | --- | --- | --- |\n")
	for _, c := range Cases() {
		if c.Shown != "" {
			fmt.Fprintf(&b, "| %s | %s | %s | – | – | shown by `%s` | – |\n", c.ID, c.Hazard, c.Text(), c.Shown)
			continue
		}
		for k, g := range groups(&c) {
			what, left := c.Text(), c.Residual
			if k > 0 {
				what, left = "〃", "〃"
			}
			fmt.Fprintf(&b, "| %s | %s | %s | %s | %s | %s | %s |\n", c.ID, c.Hazard, what, g.phases, g.e.Class, strings.ReplaceAll(g.e.First, "|", " or "), left)
		}
	}
	return b.String()
}

// group is the phases that share an expectation.
type group struct {
	phases string
	e      Expect
}

func groups(c *Case) []group {
	var out []group
next:
	for _, p := range Phases() {
		e, ok := c.In[p]
		if !ok {
			continue
		}
		for i := range out {
			if out[i].e == e {
				out[i].phases += ", " + string(p)
				continue next
			}
		}
		out = append(out, group{string(p), e})
	}
	return out
}

// Scenarios returns the shipped scenario files that are made from the table, by file name: the first row of every kind of fault that has to
// take the heat in the soak, with one name that may come first.
func Scenarios() map[string]string {
	out := map[string]string{}
	seen := map[Kind]bool{}
	for _, c := range Cases() {
		e, ok := c.In[Soak]
		limit, timed := e.Class.Seconds()
		if !ok || !timed || len(e.Names()) != 1 || seen[c.Fault.Kind] || c.Law != "" || notInScenarios(c.Fault.Kind) {
			continue
		}
		seen[c.Fault.Kind] = true
		out["fault-table-"+c.ID+".toml"] = scenario(&c, e, limit)
	}
	return out
}

// notInScenarios are kinds whose time is counted in ticks of drive, which a scenario cannot say, and one that needs the safety goroutine.
func notInScenarios(k Kind) bool {
	switch k {
	case "relay_stuck_on", "relay_stuck_off", "relay_half_stuck", "sense_stuck_on", "sense_stuck_off", "bus_blocks":
		return true
	}
	return false
}

func scenario(c *Case, e Expect, limit float64) string {
	var b strings.Builder
	fmt.Fprintf(&b, "# Made from the fault table (go test ./sim/fault -update); do not edit. Hazard %s, class %s.\n", c.Hazard, e.Class)
	fmt.Fprintf(&b, "# What is left: %s.\n", c.Residual)
	fmt.Fprintf(&b, "name = %q\ntitle = %q\n", "fault-table-"+c.ID, c.Text())
	b.WriteString("machine = \"bench-5kw\"\nboard = \"switch-16-layer\"\nprofile = \"removal-heavy-lead-free\"\nseed = 7\n\n[[fault]]\n")
	fmt.Fprintf(&b, "kind = %q\n", c.Fault.Kind)
	if c.Fault.Target != "" {
		fmt.Fprintf(&b, "target = %q\n", c.Fault.Target)
	}
	if c.Fault.With != "" {
		fmt.Fprintf(&b, "with = %q\n", c.Fault.With)
	}
	if c.Fault.Value != 0 {
		fmt.Fprintf(&b, "value = %g\n", c.Fault.Value)
	}
	fmt.Fprintf(&b, "joint_above_c = 155\n\n[expect]\nstate = \"aborted\"\ncode = %q\noff_within_s = %g\nenable_off_within_s = %g\n", "trip:"+e.First, limit, limit)
	return b.String()
}
