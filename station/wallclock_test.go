package station_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"strings"
	"testing"
)

// clocks are the only files between a sensor and a relay in which a time of day can appear, each with what it is for. All else counts in
// time.Duration since the start, which no step of a clock moves (invariant I-18, hazard C-07).
var clocks = map[string]string{
	"station/runner.go":               "paces the loop by differences of monotonic readings",
	"station/paced.go":                "paces the loop by differences of monotonic readings",
	"hal/lane/lane.go":                "paces a bus by differences of monotonic readings",
	"station/clerk.go":                "labels of the record",
	"station/record.go":               "labels of the record",
	"station/lesson.go":               "labels of lessons",
	"station/commission_result.go":    "the dates of a commissioning",
	"station/commission_prooftest.go": "the dates of a commissioning",
	"station/report/report.go":        "the dates of a report, made from records after a run",
	"station/commission_keep.go":      "the dates of a commissioning",
	"station/check/check.go":          "how long a search may take, in tests",
	"hal/haltest/sweep.go":            "how long a sweep takes, in tests",
}

// monotonic are those that measure: a method that drops the monotonic part of a reading (package time, "Monotonic Clocks") would make a
// difference of two readings follow the wall.
var monotonic = map[string]bool{"station/runner.go": true, "station/paced.go": true, "hal/lane/lane.go": true}

var droppers = map[string]bool{"Round": true, "Truncate": true, "UTC": true, "Local": true, "AddDate": true, "Unix": true, "UnixMilli": true,
	"UnixMicro": true, "UnixNano": true, "Format": true}

// clockWords are the names in package time that lead to a time of day.
var clockWords = map[string]bool{"Time": true, "Now": true, "Since": true, "Until": true, "Unix": true, "UnixMilli": true, "UnixMicro": true, "Date": true,
	"Parse": true, "ParseInLocation": true, "Local": true, "UTC": true, "LoadLocation": true, "Location": true}

func TestNothingBetweenSensorAndRelayKnowsTheTimeOfDay(t *testing.T) {
	used := map[string]bool{}
	looked := 0
	for _, dir := range []string{"station", "safety", "control", "hal", "process/unit", "sim/plant", "sim/rig", "sim/chip", "sim/fault"} {
		err := filepath.WalkDir(filepath.Join("..", filepath.FromSlash(dir)), func(path string, e fs.DirEntry, err error) error {
			if err != nil || e.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
				return err
			}
			looked++
			name := strings.TrimPrefix(filepath.ToSlash(path), "../")
			tells, drops := clockUse(t, path)
			switch {
			case len(tells) > 0 && clocks[name] == "":
				t.Errorf("%s uses time.%s: time comes in as an argument there", name, strings.Join(tells, ", time."))
			case len(tells) > 0:
				used[name] = true
			}
			if monotonic[name] && len(drops) > 0 {
				t.Errorf("%s calls %s: a reading without its monotonic part follows the wall clock", name, strings.Join(drops, ", "))
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	for name := range clocks {
		if !used[name] {
			t.Errorf("%s tells no time any more: take it off the list", name)
		}
	}
	if looked < 80 {
		t.Errorf("%d files only: is the layout another?", looked)
	}
}

// clockUse lists the words of package time in a file that lead to a time of day, and methods that would drop a monotonic part.
func clockUse(t *testing.T, path string) (tells, drops []string) {
	t.Helper()
	f, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.SkipObjectResolution)
	if err != nil {
		t.Fatal(err)
	}
	local := ""
	for _, imp := range f.Imports {
		if imp.Path.Value == `"time"` {
			if local = "time"; imp.Name != nil {
				local = imp.Name.Name
			}
		}
	}
	if local == "." {
		t.Errorf("%s imports time without its name: nobody can see what it uses", path)
	}
	ast.Inspect(f, func(n ast.Node) bool {
		s, ok := n.(*ast.SelectorExpr)
		if !ok {
			return true
		}
		switch x, ok := s.X.(*ast.Ident); {
		case ok && local != "" && x.Name == local && clockWords[s.Sel.Name]:
			tells = append(tells, s.Sel.Name)
		case droppers[s.Sel.Name]:
			drops = append(drops, s.Sel.Name)
		}
		return true
	})
	return tells, drops
}
