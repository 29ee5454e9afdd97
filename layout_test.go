// Package trivet_test guards the layout of the module: which package may import which, and why.
package trivet_test

import (
	"encoding/json"
	"errors"
	"io"
	"os/exec"
	"strings"
	"testing"
)

type pkg struct {
	ImportPath string
	Imports    []string
	Doc        string
}

// packages lists every package of the module with its direct imports, as the go tool sees them.
func packages(t *testing.T) []pkg {
	t.Helper()
	out, err := exec.Command("go", "list", "-json=ImportPath,Imports,Doc", "./...").Output()
	if err != nil {
		t.Fatal(err)
	}
	var list []pkg
	for dec := json.NewDecoder(strings.NewReader(string(out))); ; {
		var p pkg
		if err := dec.Decode(&p); errors.Is(err, io.EOF) {
			return list
		} else if err != nil {
			t.Fatal(err)
		}
		list = append(list, p)
	}
}

// in reports whether path is dir or below it.
func in(path, dir string) bool { return path == dir || strings.HasPrefix(path, dir+"/") }

var forbidden = []struct {
	from, to string
	except   string // a package below from that may
	why      string
}{
	{"trivet/safety", "trivet/control", "", "nobody can weaken a cut-off by changing a law"},
	{"trivet/control", "trivet/safety", "", "a law that knew the limits would come to lean on them"},
	{"trivet/safety", "trivet/process", "trivet/process/unit", "safety knows units and nothing of profiles, jobs or tuning"},
	{"trivet/station", "trivet/hal", "", "the same loop runs on pins, on emulated chips and on a three-line fake"},
	{"trivet/station", "trivet/sim", "", "the station does not know whether its machine is real"},
	{"trivet/station", "trivet/store", "", "the loop must not be able to touch the disk"},
	{"trivet/station", "trivet/api", "", "requests ask the station, not the other way round"},
	{"trivet/api", "trivet/hal", "", "there is no path from the network to a pin"},
	{"trivet/api", "trivet/store", "", "a request asks for records through an interface"},
	{"trivet/api", "trivet/sim", "", "the page does not know whether the machine is real"},
	{"trivet/api", "modernc.org/sqlite", "", "only store links SQL"},
	{"trivet/hal", "trivet/station", "", "interfaces live with the caller"},
	{"trivet/hal", "trivet/control", "", "a driver reads and switches; it decides nothing"},
	{"trivet/hal", "trivet/safety", "", "a driver reads and switches; it decides nothing"},
	{"trivet/process", "trivet/control", "", "what is heated does not depend on how"},
	{"trivet/process", "trivet/station", "", "what is heated does not depend on the machine"},
	{"trivet/sim/plant", "trivet/control", "", "the plant is the truth; it must not know the law"},
	{"trivet/sim/plant", "trivet/safety", "", "the plant is the truth; it must not know the limits"},
	{"trivet/store", "trivet/api", "", "records do not depend on who asks"},
}

func TestImportsKeepTheBoundaries(t *testing.T) {
	for _, p := range packages(t) {
		for _, imp := range p.Imports {
			for _, f := range forbidden {
				if in(p.ImportPath, f.from) && in(imp, f.to) && !(f.except != "" && in(imp, f.except)) {
					t.Errorf("%s imports %s: %s", p.ImportPath, imp, f.why)
				}
			}
		}
	}
}

// Only store may link SQL, and only cmd may log to the terminal by itself.
func TestSQLIsLinkedInOnePlace(t *testing.T) {
	for _, p := range packages(t) {
		for _, imp := range p.Imports {
			if (imp == "database/sql" || in(imp, "modernc.org/sqlite")) && !in(p.ImportPath, "trivet/store") {
				t.Errorf("%s imports %s: only store links SQL", p.ImportPath, imp)
			}
		}
	}
}

// Pure packages take time as an argument and do nothing by themselves.
var pure = []string{"trivet/process", "trivet/control", "trivet/safety", "trivet/sim/plant", "trivet/sim/fault"}

func TestPurePackagesHaveNoClockNoIONoLog(t *testing.T) {
	impure := map[string]string{
		"os": "I/O", "io/ioutil": "I/O", "net": "I/O", "net/http": "I/O", "log": "logging", "log/slog": "logging",
		"go.uber.org/zap": "logging", "sync": "goroutines", "sync/atomic": "goroutines", "context": "goroutines", "math/rand": "hidden state", "os/exec": "I/O",
	}
	for _, p := range packages(t) {
		for _, dir := range pure {
			if !in(p.ImportPath, dir) {
				continue
			}
			for _, imp := range p.Imports {
				if why, bad := impure[imp]; bad {
					t.Errorf("%s imports %s: pure packages have no %s", p.ImportPath, imp, why)
				}
			}
			// "time" is allowed for durations; asking it for the time is not.
			if out, err := exec.Command("grep", "-rnE", `time\.(Now|Since|Sleep|After|NewTimer|NewTicker)\(|^\s*go func|^func init\(`, "--include=*.go", "--exclude=*_test.go", strings.TrimPrefix(p.ImportPath, "trivet/")).Output(); err == nil {
				t.Errorf("%s asks a clock, starts a goroutine or has an init:\n%s", p.ImportPath, out)
			}
		}
	}
}

func TestEveryPackageSaysWhatItIsFor(t *testing.T) {
	for _, p := range packages(t) {
		if p.Doc == "" && p.ImportPath != "trivet" {
			t.Errorf("%s has no package comment", p.ImportPath)
		}
	}
}
