package main

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"
)

// faults runs the fault command and returns its exit status and what it wrote.
func faults(t *testing.T, args ...string) (code int, out, errOut string) {
	t.Helper()
	var o, e bytes.Buffer
	code = run(t.Context(), append([]string{"fault"}, args...), &o, &e)
	return code, o.String(), e.String()
}

func TestTheFaultListHasEveryRowWithClassAndName(t *testing.T) {
	code, out, _ := faults(t, "list", "--json")
	var rows []faultRow
	if err := json.Unmarshal([]byte(out), &rows); err != nil || code != exitDone {
		t.Fatalf("exit %d, %v", code, err)
	}
	if len(rows) < 300 {
		t.Errorf("%d rows only", len(rows))
	}
	for _, r := range rows {
		if r.ID == "" || r.Hazard == "" || r.Residual == "" || (r.Class == "") != (r.Shown != "") {
			t.Errorf("incomplete: %+v", r)
		}
	}
	if code, out, _ := faults(t, "list"); code != exitDone || !strings.Contains(out, "relay-stuck-on-top") {
		t.Errorf("the plain list: exit %d\n%s", code, out)
	}
}

func TestAFaultRunSaysWhatCameOfItAndIsTheSameForTheSameSeed(t *testing.T) {
	code, out, errOut := faults(t, "run", "door", "--json", "--seed", "3", "--board", "thin-4-layer", "--phase", "preheat")
	var r struct {
		First     string   `json:"first"`
		ReactionS *float64 `json:"reaction_s"`
		Wrong     []string `json:"wrong"`
	}
	if err := json.Unmarshal([]byte(out), &r); err != nil || code != exitDone {
		t.Fatalf("exit %d, %v, %s", code, err, errOut)
	}
	if r.First != "door" || r.ReactionS == nil || !(*r.ReactionS <= 0.1) || len(r.Wrong) != 0 {
		t.Errorf("%+v", r)
	}
	if _, again, _ := faults(t, "run", "door", "--json", "--seed", "3", "--board", "thin-4-layer", "--phase", "preheat"); again != out {
		t.Error("the same seed gave another answer")
	}
}

// TestAFaultThatCannotBePutOnIsAnError: nothing is ever ignored.
func TestAFaultThatCannotBePutOnIsAnError(t *testing.T) {
	for story, c := range map[string]struct {
		args []string
		says string
	}{
		"unknown":                {[]string{"run", "nothing-like-it"}, "there is no fault"},
		"not at the lines":       {[]string{"run", "bit-flip"}, "shown by"},
		"phase of no row":        {[]string{"run", "door", "--phase", "cool"}, "allowed are"},
		"no such phase":          {[]string{"run", "door", "--phase", "lunch"}, "allowed are"},
		"no such board":          {[]string{"run", "door", "--board", "moon"}, "moon"},
		"a flag without a row":   {[]string{"run"}, "expected"},
		"a seed of no number":    {[]string{"run", "door", "--seed", "x"}, "seed"},
		"a word that is no verb": {[]string{"mend"}, "mend"},
	} {
		if code, _, errOut := faults(t, c.args...); code != exitBad || !strings.Contains(errOut, c.says) {
			t.Errorf("%s: exit %d, %q; want 2 and %q in it", story, code, errOut, c.says)
		}
	}
}
