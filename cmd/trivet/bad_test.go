package main

import (
	"bytes"
	"flag"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "rewrite golden files; read them before you commit")

// TestEveryBrokenFileGetsLinesThatSayWhereWhatAndWhatIsAllowed runs every file of testdata/bad through the program, as a person
// would, and compares what it says with the golden text beside them.
func TestEveryBrokenFileGetsLinesThatSayWhereWhatAndWhatIsAllowed(t *testing.T) {
	t.Chdir("../../testdata/bad")
	files, err := filepath.Glob("*")
	if err != nil {
		t.Fatal(err)
	}
	placed := regexp.MustCompile(`^[a-z0-9-]+\.(toml|json|csv):\d+: .+`)
	var all bytes.Buffer
	n := 0
	for _, f := range files {
		if f == "messages.golden" {
			continue
		}
		n++
		args := []string{"check", f}
		if strings.HasSuffix(f, ".csv") {
			args = []string{"judge", f, "--alloy", "SAC305"}
		}
		var out, errOut bytes.Buffer
		if code := run(t.Context(), args, &out, &errOut); code != exitBad {
			t.Errorf("%s: exit status %d; want %d\n%s", f, code, exitBad, errOut.String())
		}
		text := strings.TrimRight(errOut.String(), "\n")
		all.WriteString(text + "\n")
		if strings.Contains(text, "\n") {
			t.Errorf("%s holds one mistake but gets several lines:\n%s", f, text)
		}
		if !placed.MatchString(text) || !(strings.Contains(text, "allowed") || strings.Contains(text, "must") || strings.Contains(text, "expected")) {
			t.Errorf("%s: not file, line, what is wrong and what is allowed: %q", f, text)
		}
		if out.Len() > 0 {
			t.Errorf("%s: wrote to standard output: %q", f, out.String())
		}
	}
	if n < 20 {
		t.Errorf("only %d broken files", n)
	}
	if *update {
		if err := os.WriteFile("messages.golden", all.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile("messages.golden")
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(want, all.Bytes()) {
		t.Errorf("messages differ from messages.golden; got\n%s", all.String())
	}
}

func TestABadCommandLineSaysSoInOneLine(t *testing.T) {
	for _, args := range [][]string{{"dance"}, {"simulate"}, {"simulate", "nothing-like-this"}, {"serve"}, {"serve", "--sim", "--speed", "5000"},
		{"judge", "missing.csv", "--alloy", "SAC305"}, {"check", "missing.toml"}, {"judge", "x.csv"}} {
		var out, errOut bytes.Buffer
		code := run(t.Context(), args, &out, &errOut)
		text := strings.TrimRight(errOut.String(), "\n")
		if code != exitBad || text == "" || strings.Contains(text, "\n") {
			t.Errorf("%v: exit status %d, said %q", args, code, text)
		}
	}
}
