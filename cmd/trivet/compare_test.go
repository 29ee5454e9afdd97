package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestCompareWritesATableAndOneChart(t *testing.T) {
	dir := t.TempDir()
	var out, errOut bytes.Buffer
	if code := run(t.Context(), []string{"compare", "removal-50mm", "--laws", "table,cascade", "--out", dir}, &out, &errOut); code != exitDone {
		t.Fatalf("status %d: %s", code, errOut.String())
	}
	for _, want := range []string{"law", "table", "cascade", "complete"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("%q is not in\n%s", want, out.String())
		}
	}
	svg, err := os.ReadFile(filepath.Join(dir, "compare.svg"))
	if err != nil || !strings.HasPrefix(string(svg), "<svg") {
		t.Errorf("chart: %v", err)
	}
	if errOut.Len() > 0 {
		t.Errorf("a progress bar where there is no terminal: %q", errOut.String())
	}
}

func TestSweepPrintsEachLawOnTheSameBoardsAndItsGoals(t *testing.T) {
	sweep := func(laws string) (string, int) {
		var out, errOut bytes.Buffer
		code := run(t.Context(), []string{"sweep", "removal-50mm", "--boards", "2", "--seed", "5", "--law", laws}, &out, &errOut)
		if code == exitBad {
			t.Fatal(errOut.String())
		}
		return out.String(), code
	}
	both, _ := sweep("pid,cascade")
	for _, want := range []string{"law pid", "law cascade", "median at most 1 °C", "never above +2 °C", "runs that came to their end"} {
		if !strings.Contains(both, want) {
			t.Errorf("%q is not in\n%s", want, both)
		}
	}
	if !strings.Contains(both, "met") {
		t.Error("no goal is judged in words")
	}
	alone, _ := sweep("cascade")
	row := func(s string) string {
		_, s, _ = strings.Cut(s, "law cascade")
		_, s, _ = strings.Cut(s, "rms_c ")
		s, _, _ = strings.Cut(s, "\n")
		return s
	}
	if row(alone) == "" || row(alone) != row(both) {
		t.Errorf("alone %q, beside another law %q", row(alone), row(both))
	}
}

func TestALawThatIsNoneIsRefusedWithThoseThereAre(t *testing.T) {
	for _, args := range [][]string{{"sweep", "removal-50mm", "--law", "cascade,magic"}, {"compare", "removal-50mm", "--laws", "magic"}} {
		var out, errOut bytes.Buffer
		if code := run(t.Context(), args, &out, &errOut); code != exitBad || !strings.Contains(errOut.String(), `"magic"`) || !strings.Contains(errOut.String(), "cascade-pid") {
			t.Errorf("%v: status %d, %q", args, code, errOut.String())
		}
	}
}
