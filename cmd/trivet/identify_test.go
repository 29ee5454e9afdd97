package main

import (
	"bytes"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// The records in testdata/steps say in their first lines from which process they were computed; the golden files are what
// identify made of them. Numbers are compared to a part in a thousand: the last digits of a search differ between processors.
func TestIdentifyGivesTheGoldenModelOfEachRecord(t *testing.T) {
	files, err := filepath.Glob("../../testdata/steps/*.csv")
	if err != nil || len(files) < 4 {
		t.Fatalf("%d records, %v", len(files), err)
	}
	for _, f := range files {
		t.Run(filepath.Base(f), func(t *testing.T) {
			var out bytes.Buffer
			if exit, err := identify(f, true, &out); exit != exitDone || err != nil {
				t.Fatalf("exit %d, %v", exit, err)
			}
			golden := strings.TrimSuffix(f, ".csv") + ".json"
			if *update {
				if err := os.WriteFile(golden, out.Bytes(), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(golden)
			if err != nil {
				t.Fatal(err)
			}
			var g, w any
			if json.Unmarshal(out.Bytes(), &g) != nil || json.Unmarshal(want, &w) != nil || !alike(g, w) {
				t.Errorf("got\n%swant\n%s", out.Bytes(), want)
			}
		})
	}
}

// alike compares two JSON values, numbers to a part in a thousand.
func alike(a, b any) bool {
	switch a := a.(type) {
	case map[string]any:
		o, ok := b.(map[string]any)
		if !ok || len(a) != len(o) {
			return false
		}
		for k, v := range a {
			if w, ok := o[k]; !ok || !alike(v, w) {
				return false
			}
		}
		return true
	case float64:
		o, ok := b.(float64)
		return ok && math.Abs(a-o) <= 1e-3*math.Max(math.Abs(a), math.Abs(o))
	}
	return a == b
}

func TestIdentifyTellsPeopleUnitsUncertaintyAndCaution(t *testing.T) {
	// Through the whole program once, so that the command is known to be wired.
	var out, complaint bytes.Buffer
	if exit := run(t.Context(), []string{"identify", "../../testdata/steps/area-heater-second-order.csv"}, &out, &complaint); exit != exitDone || complaint.Len() > 0 {
		t.Fatalf("exit %d, %s", exit, complaint.String())
	}
	for _, want := range []string{
		"a second-order model with dead time, from ", "°C per unit of the input", "time constant", " s\n", "±", "proposed settings (SIMC), Kc in units of the input per °C", "series form", "ideal form", "cut-offs armed",
	} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("no %q in\n%s", want, out.String())
		}
	}
}

func TestIdentifySaysWhyItCannot(t *testing.T) {
	dir := t.TempDir()
	long := strings.Repeat("x", 100)
	steady := "time_s,input,temp_c\n"
	for i := range 40 {
		steady += strings.Join([]string{string(rune('0'+i/10)) + string(rune('0'+i%10)), "0", "25"}, ",") + "\n"
	}
	for text, says := range map[string]string{
		"":                                    ": the record is empty; allowed: a header with time_s, input and temp_c",
		"time_s;input;temp_c\n":               ":1: time_s: no column has this name; allowed: ",
		"0,0,25\n":                            ":1: time_s: no column has this name",
		"time_s,duty,temp_c\n":                ":1: input: no column has this name",
		"time_s,input,temp_f\n":               ":1: temp_c: no column has this name",
		"# a\n\ntime_s,input,temp_c\n0,0\n":   ":4: the row has 2 cells; allowed: 3, as in the header",
		"time_s,input,temp_c\n0,0,\n":         `:2: temp_c: is ""; allowed: a temperature from -55 to 1000 °C on each row`,
		"time_s,input,temp_c\n0,0,9999\n":     `:2: temp_c: is "9999"`,
		"time_s,input,temp_c\n0,0,NaN\n":      `:2: temp_c: is "NaN"`,
		"time_s,input,temp_c\n0,Inf,25\n":     `:2: input: is "Inf"; allowed: a number of at most 4e9`,
		"time_s,input,temp_c\n0,on,25\n":      `:2: input: is "on"`,
		"time_s,input,temp_c\nnan,0,25\n":     `:2: time_s: is "nan"`,
		"time_s,input,temp_c\n1,0,2\n1,0,2\n": ":3: time_s: is 1 after 1; allowed: a later time on each row",
		"time_s,input,temp_c\n1,0,2\n":        ": the record is too short: it has 1 rows; allowed: at least 18",
		steady:                                ": the input never changes: it is 0 throughout; allowed: a record that begins before the step",
		long:                                  ":1: time_s: no column has this name",
	} {
		path := filepath.Join(dir, "bad.csv")
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		var out bytes.Buffer
		exit, err := identify(path, true, &out)
		if exit != exitBad || err == nil || !strings.HasPrefix(err.Error(), path+says) || strings.Contains(err.Error(), "\n") || out.Len() > 0 {
			t.Errorf("%.60q: exit %d, %v; want %s%s", text, exit, err, path, says)
		}
	}
	if exit, err := identify(filepath.Join(dir, "none.csv"), false, &bytes.Buffer{}); exit != exitBad || err == nil {
		t.Errorf("a missing file: exit %d, %v", exit, err)
	}
}

func TestIdentifyReadsColumnsInAnyOrderAndIgnoresOthers(t *testing.T) {
	s, err := parseStep("a.csv", []byte("\ufeff# note\r\nfan,\"Temp_C\",INPUT,time_s\r\n1,25.5,0,0\r\n\r\n# more\r\n0,26,40,0.5\r\n"))
	if err != nil || len(s.Time) != 2 || s.Time[1] != 0.5 || s.Input[1] != 40 || s.Temp[0] != 25.5 {
		t.Errorf("%+v, %v", s, err)
	}
}
