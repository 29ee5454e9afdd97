package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestJudgeExitsByItsVerdict(t *testing.T) {
	body := 250.0
	tight := 240.0
	for name, c := range map[string]struct {
		args judgeArgs
		exit int
		says string
	}{
		"kept":                 {judgeArgs{Log: "removal-of-a-heavy-part.csv", Alloy: "sac305", Kind: "removal", BodyLimit: &body}, exitDone, "Pass: "},
		"body limit missed":    {judgeArgs{Log: "removal-of-a-heavy-part.csv", Alloy: "SAC305", Kind: "removal", BodyLimit: &tight}, exitOutside, "Fail: body, peak"},
		"peak too low":         {judgeArgs{Log: "peak-too-low.csv", Alloy: "SAC305"}, exitOutside, "Fail: coldest joint, peak"},
		"judged for tin-lead":  {judgeArgs{Log: "placement-with-tin-lead.csv", Alloy: "Sn63Pb37", Kind: "placement"}, exitDone, "Pass: "},
		"judged as the strict": {judgeArgs{Log: "placement-with-tin-lead.csv", Alloy: "Sn63Pb37"}, exitDone, "judged as placement"},
	} {
		t.Run(name, func(t *testing.T) {
			c.args.Log = filepath.Join("../../testdata/logs", c.args.Log)
			var out bytes.Buffer
			exit, err := judge(c.args, &out)
			if err != nil || exit != c.exit || !strings.Contains(out.String(), c.says) {
				t.Errorf("exit %d, %v\n%s", exit, err, out.String())
			}
			c.args.JSON = true
			out.Reset()
			var v struct{ Verdict string }
			if jsonExit, err := judge(c.args, &out); err != nil || jsonExit != exit || json.Unmarshal(out.Bytes(), &v) != nil || (v.Verdict == "pass") != (exit == exitDone) {
				t.Errorf("as JSON: exit %d, %v, %s", jsonExit, err, out.String())
			}
		})
	}
}

func TestJudgeSaysWhyItCannot(t *testing.T) {
	dir := t.TempDir()
	bad := filepath.Join(dir, "bad.csv")
	if err := os.WriteFile(bad, []byte("time_s,joint_c\n0,25\n0,26\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	cold := 12.0
	for _, c := range []struct {
		args judgeArgs
		says string
	}{
		{judgeArgs{Log: bad, Alloy: "SAC305"}, bad + ":3: time_s: is 0 after 0; allowed: a later time on each row"},
		{judgeArgs{Log: bad, Alloy: "solder"}, `alloy "solder" is not known; allowed: SAC305, `},
		{judgeArgs{Log: bad, Alloy: "SAC305", Kind: "bake"}, `kind "bake" is not known; allowed: removal, placement, reball, dressing, preheat`},
		{judgeArgs{Log: bad, Alloy: "SAC305", BodyLimit: &cold}, "--body-limit is 12; allowed: 100 to 400 °C"},
		{judgeArgs{Log: filepath.Join(dir, "none.csv"), Alloy: "SAC305"}, "no such file"},
		{judgeArgs{Log: dir, Alloy: "SAC305"}, "is a directory"},
	} {
		var out bytes.Buffer
		exit, err := judge(c.args, &out)
		if exit != exitBad || err == nil || !strings.Contains(err.Error(), c.says) || out.Len() > 0 {
			t.Errorf("exit %d, %v; want %q", exit, err, c.says)
		}
	}
}
