package main

import (
	"encoding/json"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// symbolsOf lists the functions of a built program.
func symbolsOf(t *testing.T, tag string) string {
	t.Helper()
	out, err := exec.Command("go", "tool", "nm", program(t, tag)).Output()
	if err != nil {
		t.Fatal(err)
	}
	return string(out)
}

// Whatever makes a program hang or its disk stall on order must not be in a program that heats (I-42). The simulated machine is in
// every program, because a simulation is one of its uses; how it is kept from a real machine is the next test's.
func TestTheHooksAreInNoNormalBuild(t *testing.T) {
	normal, with := symbolsOf(t, ""), symbolsOf(t, hookTag)
	for _, m := range []string{"main.(*hook).", "trivet/store/iofault."} {
		if strings.Contains(normal, m) {
			t.Errorf("the normal build has the symbol %s…", m)
		}
		if !strings.Contains(with, m) { // else this test would look for a name that no longer exists
			t.Errorf("the build with the tag does not have the symbol %s…", m)
		}
	}
	linked := map[string]int{}
	for _, m := range regexp.MustCompile(`trivet/(sim/[a-z]+)\.`).FindAllStringSubmatch(normal, -1) {
		linked[m[1]]++
	}
	t.Logf("the simulator in a normal build, symbols per package: %v", linked)
	if linked["sim/rig"] == 0 {
		t.Error("the normal build has no simulated machine: then the tests beside this one have lost their object")
	}
}

// Faults come from the table [sim] and from nowhere else (N-10). With that table the chips are emulated, all of them; without it
// nothing drives a simulation, so there is nothing that could be broken.
func TestARealMachineHasNoFaultInjection(t *testing.T) {
	file, err := filepath.Abs("../../deploy/machines/full-retrofit.toml")
	if err != nil {
		t.Fatal(err)
	}
	station := "[station]\nmachine = \"" + file + "\"\nboard = \"switch-16-layer\"\n"
	fault := "[[%s.fault]]\nkind = \"sensor_open\"\ntarget = \"joint-corner\"\n"
	for _, table := range []string{"station", "machine", "faults"} {
		if _, err := parseConfig("station.toml", []byte(station+strings.ReplaceAll(fault, "%s", table))); err == nil {
			t.Errorf("a fault in the table %s was taken", table)
		}
	}
	s, err := parseConfig("station.toml", []byte(station))
	if err != nil {
		t.Fatal(err)
	}
	if s.Sim != nil {
		t.Fatal("a [sim] table came from nowhere")
	}
	// Who injects: one function, called in one place.
	sources, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	var callers []string
	for _, f := range sources {
		text, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		if !strings.HasSuffix(f, "_test.go") && strings.Contains(string(text), ".Apply(") {
			callers = append(callers, f)
		}
	}
	if !slices.Equal(callers, []string{"simdriver.go"}) {
		t.Errorf("faults are applied in %v; want the driver of the simulated machine alone", callers)
	}
	if q := (&equipment{}); q.before() != nil {
		t.Error("a machine without a simulation driver has something that runs before its ticks")
	}
}

func TestNoRouteInjectsAFault(t *testing.T) {
	d := startBuilt(t, "--data", t.TempDir())
	var doc struct {
		Paths map[string]map[string]json.RawMessage `json:"paths"`
	}
	d.get("/api/v1/openapi.json", &doc)
	if len(doc.Paths) < 10 {
		t.Fatalf("%d paths in the document", len(doc.Paths))
	}
	for p := range doc.Paths {
		if regexp.MustCompile(`fault|inject|sim|hook|debug`).MatchString(p) {
			t.Errorf("there is a way in at %s", p)
		}
	}
	for _, p := range []string{"/api/v1/faults", "/api/v1/fault", "/api/v1/sim", "/api/v1/sim/faults", "/debug/pprof/"} {
		if code, text := d.post(p, `{"kind":"sensor_open","target":"joint-corner"}`); code != http.StatusNotFound && code != http.StatusMethodNotAllowed {
			t.Errorf("POST %s: %d %.80s", p, code, text)
		}
	}
}
