package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestEveryShippedFileIsRecognisedAndWithoutProblems(t *testing.T) {
	for _, dir := range []string{"profile", "board", "machine", "scenario"} {
		files, err := filepath.Glob("../../sim/catalog/" + dir + "s/*.toml")
		if err != nil || len(files) == 0 {
			t.Fatalf("%d %ss, %v", len(files), dir, err)
		}
		for _, f := range files {
			var out bytes.Buffer
			exit, err := check(f, &out)
			if err != nil || exit != exitDone || !strings.HasPrefix(out.String(), f+": a "+dir+" without problems\n") {
				t.Errorf("exit %d, %v\n%s", exit, err, out.String())
			}
		}
	}
}

func TestCheckNamesFileLineMistakeAndWhatIsAllowed(t *testing.T) {
	path := "../../testdata/profiles/bad-ramp-too-steep.toml"
	exit, err := check(path, &bytes.Buffer{})
	if want := path + ":11: segment[0].ramp_c_per_s: is 7; allowed: above 0 and at most 6"; exit != exitBad || err == nil || !strings.HasPrefix(err.Error(), want) {
		t.Errorf("exit %d, %v; want %s", exit, err, want)
	}
}

func TestCheckTellsWhatAFileIsByWhatIsInIt(t *testing.T) {
	for name, c := range map[string]struct{ text, want string }{
		"a configuration":             {"listen = \"127.0.0.1:8420\"\n[sim]\n", ""},
		"a configuration with a slip": {"listen = \"127.0.0.1:8420\"\n[sim]\nspeeed = 3\n", ":3: sim.speeed: is not a key that is known here; did you mean speed?"},
		"nothing known":               {"colour = \"red\"\n", "nothing in it tells what it describes; allowed: profile (segment, alloy, …), "},
		"empty":                       {"", "nothing in it tells what it describes"},
		"not TOML":                    {"colour = \n", ":1: is not TOML"},
		"a network with a slip":       {"{\"format\":\"rc-network-v2\"}", "format"},
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "f")
			if err := os.WriteFile(path, []byte(c.text), 0o600); err != nil {
				t.Fatal(err)
			}
			exit, err := check(path, &bytes.Buffer{})
			if c.want == "" {
				if exit != exitDone || err != nil {
					t.Errorf("exit %d, %v", exit, err)
				}
				return
			}
			if exit != exitBad || err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("exit %d, %v; want %s", exit, err, c.want)
			}
		})
	}
}
