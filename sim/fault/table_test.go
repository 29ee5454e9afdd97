package fault

import (
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

var update = flag.Bool("update", false, "rewrite what is made from the table")

const (
	page      = "../../deploy/faults.md"
	scenarios = "../catalog/scenarios"
)

// TestWhatIsMadeFromTheTableIsAsTheTableSays compares the manual's page and the shipped scenarios with the table.
func TestWhatIsMadeFromTheTableIsAsTheTableSays(t *testing.T) {
	want := map[string]string{page: Page()}
	for name, text := range Scenarios() {
		want[filepath.Join(scenarios, name)] = text
	}
	have, err := filepath.Glob(filepath.Join(scenarios, "fault-table-*.toml"))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range have {
		if _, ok := want[f]; !ok {
			t.Errorf("%s is made from no row any more: remove it", f)
		}
	}
	for f, text := range want {
		if *update {
			if err := os.WriteFile(f, []byte(text), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		got, err := os.ReadFile(f)
		if err != nil || string(got) != text {
			t.Errorf("%s is not what the table says (%v); run go test ./sim/fault -update and read what changed", f, err)
		}
	}
}

func TestEveryRowOfTheTableIsSoundAndSaysWhatIsLeft(t *testing.T) {
	seen := map[string]bool{}
	for _, c := range Cases() {
		if seen[c.ID] || c.ID == "" || c.Hazard == "" || c.Residual == "" {
			t.Errorf("row %q: an id used twice, or hazard or residual missing", c.ID)
		}
		seen[c.ID] = true
		if (c.Shown == "") == (len(c.In) == 0) {
			t.Errorf("row %q is neither injected nor shown, or both", c.ID)
		}
		for p, e := range c.In {
			f, err := c.At(p, 0.5, 217)
			if err == nil {
				err = f.Validate()
			}
			if err != nil {
				t.Errorf("row %q in %s: %v", c.ID, p, err)
			}
			if _, timed := e.Class.Seconds(); timed && e.First == "" || e.Class == "" {
				t.Errorf("row %q in %s: a class with a time needs the name of what trips", c.ID, p)
			}
		}
	}
	if len(seen) < 80 {
		t.Errorf("%d rows only", len(seen))
	}
}

// TestEveryKindOfFaultIsInTheTable: a fault that can be injected and is in no row has no expectation.
func TestEveryKindOfFaultIsInTheTable(t *testing.T) {
	used := map[Kind]bool{}
	for _, c := range Cases() {
		used[c.Fault.Kind] = true
	}
	for _, r := range Rows() {
		if !used[r.Kind] {
			t.Errorf("%s is in no row of the table", r.Kind)
		}
	}
}

// TestTheTestsThatTheTableNamesExist keeps the rows that cannot be injected honest.
func TestTheTestsThatTheTableNamesExist(t *testing.T) {
	for _, c := range Cases() {
		if c.Shown == "" {
			continue
		}
		dir, name, _ := strings.Cut(c.Shown, ": ")
		files, _ := filepath.Glob(filepath.Join("../..", dir, "*_test.go"))
		found := false
		for _, f := range files {
			text, err := os.ReadFile(f)
			if err != nil {
				t.Fatal(err)
			}
			found = found || strings.Contains(string(text), "func "+name+"(")
		}
		if !found {
			t.Errorf("row %q is shown by %s, which does not exist", c.ID, c.Shown)
		}
	}
}

func TestAFaultMayComeSomeTimeAfterItsTrigger(t *testing.T) {
	late := 2.0
	line := NewTimeline([]Fault{{Kind: "contactor_dead", Phase: "heating", AfterS: &late}})
	var at time.Duration
	for now := time.Duration(0); now < 10*time.Second; now += 100 * time.Millisecond {
		m := Moment{Phase: "proving_air"}
		if now >= time.Second && now < 1500*time.Millisecond {
			m.Phase = "heating" // it need not last
		}
		line.Step(now, m, func(int, *Fault, bool) { at = now })
	}
	if at != 3*time.Second {
		t.Errorf("came at %v; want 2 s after the phase was reached at 1 s", at)
	}
	if (Fault{Kind: "contactor_dead", AfterS: &late}).Validate() == nil {
		t.Error("a delay with nothing to count from was accepted")
	}
}
