package report

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"trivet/process"
	"trivet/process/job"
	"trivet/process/logfile"
	"trivet/process/unit"
	"trivet/station"
)

// course is the joint of the made-up run, °C after s seconds: 220 °C is crossed at 330 and 410 s.
func course(s float64) float64 {
	points := [][2]float64{{0, 25}, {180, 150}, {270, 190}, {330, 220}, {370, 240}, {390, 240}, {510, 120}}
	for i := 1; i < len(points); i++ {
		if a, b := points[i-1], points[i]; s <= b[0] {
			return a[1] + (b[1]-a[1])*(s-a[0])/(b[0]-a[0])
		}
	}
	return 120
}

// made is a run with everything in it; heavy makes all lists and words long.
func made(t testing.TB, heavy bool) *Input {
	t.Helper()
	alloy, err := process.FindAlloy("SAC305")
	if err != nil {
		t.Fatal(err)
	}
	profile, err := process.NewProfile(process.Profile{Name: "made-up", Title: "Made up", Kind: process.Placement, Alloy: alloy, BodyLimit: 250,
		Segments: []process.Segment{{Name: "Soak", Target: 190, Ramp: 0.6}, {Name: "Peak", Target: 240, Ramp: 0.5, Hold: 20 * time.Second}, {Name: "Cool", Target: 60, Ramp: 1, Cool: true}}})
	if err != nil {
		t.Fatal(err)
	}
	in := &Input{Profile: &profile, Software: "test", Seal: strings.Repeat("5a", 32), Record: []byte("{\"a\":\"\\u003cb\\u003e\"}\n"),
		Channels: []station.Channel{{Name: "joint-corner", Unit: "°C", Kind: "sensor"}, {Name: "package-top", Unit: "°C", Kind: "sensor"}, {Name: "nozzle-top", Unit: "°C", Kind: "sensor"},
			{Name: "target", Unit: "°C", Kind: "target"}, {Name: "profile_time", Unit: "s", Kind: "profile_time"}, {Name: "joint_estimate", Unit: "°C", Kind: "estimate"}, {Name: "joint_doubt", Unit: "°C", Kind: "doubt"}}}
	in.Run.Head = station.RunHead{ID: 7, BegunUTC: time.Date(2026, 11, 25, 10, 0, 0, 0, time.UTC), Kind: process.Placement, Profile: "Made <up>", Board: "Panel & co", Part: "lid", By: "Kim",
		Station: "bench", Software: "test", Period: time.Second, Channels: in.Channels}
	tr := process.Trace{Columns: []process.Column{{Name: "joint-corner", Role: process.RoleJoint}, {Name: "package-top", Role: process.RoleBody}}}
	for s := range 511 {
		at := time.Duration(s) * time.Second
		c := course(float64(s))
		r := station.Sample{Seq: uint64(s), At: at, N: 7, Values: [station.MaxChannels]float32{float32(c), float32(c + 4), 300, float32(c - 1), float32(s), float32(c + 0.5), 1}}
		for k := range in.Channels {
			r.Quality[k] = unit.Good
		}
		if s > 100 && s < 108 { // nothing was read
			r.Quality[0] = unit.Open
		}
		in.Rows = append(in.Rows, r)
		tr.Time = append(tr.Time, at)
		for k := range tr.Columns {
			v := unit.Unusable(at, unit.Open)
			if r.Quality[k] == unit.Good {
				v = unit.Measured(at, unit.Celsius(r.Values[k]))
			}
			tr.Columns[k].Readings = append(tr.Columns[k].Readings, v)
		}
	}
	body := unit.Celsius(250)
	v, err := process.Judge(tr, process.WindowFor(process.Placement, alloy, &body))
	if err != nil {
		t.Fatal(err)
	}
	in.Run.Samples, in.Run.LastAt = 511, 510*time.Second
	in.Run.End = station.RunEnd{State: station.Complete, Code: "complete", Reason: "The profile has been run to its end.", By: "Kim", EndedUTC: in.Run.Head.BegunUTC.Add(510 * time.Second), Elapsed: 510 * time.Second, Verdict: &v}
	in.Events = []station.RunEvent{{At: 0, Code: "command:start", Text: "Start <script>alert(1)</script>", By: "Kim"}, {At: 380 * time.Second, Code: "lift:confirmed", Text: "The lift was confirmed."}}
	if heavy {
		burden(in)
	}
	return in
}

// burden fills every list beyond what fits on two sheets.
func burden(in *Input) {
	long := strings.Repeat("a very long word about what happened ", 12)
	in.Run.Head.Board, in.Run.Head.Part, in.Run.Head.Serial, in.Run.Head.Station, in.Run.End.Reason = long, long, long, long, long[:200]
	in.Run.Head.Simulated = true
	in.Faults = []string{long[:150], long[:150], long[:150], "more"}
	for i := range 300 {
		in.Events = append(in.Events, station.RunEvent{At: time.Duration(i) * time.Second, Code: "alarm:door", Text: fmt.Sprintf("%d %s", i, long), By: fmt.Sprintf("Person %d", i)})
	}
	in.Run.End.Verdict.Columns = append(in.Run.End.Verdict.Columns, process.ColumnRole{Name: station.EstimateColumn, Role: process.RoleJoint})
	in.Run.End.Verdict.Notes = []string{long[:160], long[:160], long[:160], long[:160], long[:160], "more"}
	in.Job = &job.Job{Opening: job.Opening{ID: "J-1", Customer: long, Board: job.Board{Type: "panel", Serial: "1"}, Part: job.Part{Type: "lid", Serial: "2"}, Plan: job.Steps()}}
	for range 40 {
		in.Job.Events = append(in.Job.Events, job.Event{At: in.Run.Head.BegunUTC, By: "Kim", Kind: job.Attached, Name: "photo.jpg", Digest: strings.Repeat("ab", 32)})
	}
}

func TestTheReportSaysWhatThereIsToSay(t *testing.T) {
	text := string(HTML(made(t, false)))
	for _, want := range []string{"Run 7: placement", ">pass<", "Panel &amp; co", "Made &lt;up&gt;", "coldest joint, peak", "J-STD-020D.1 Table 5-2", "Until cooling, over 504 samples, the estimate was off by 0.50 °C rms, at most by +0.5 °C",
		"100.0 % of them", "lift confirmed", "Seal of the record: <code>5a5a", "<h2>Alarms</h2>\n<p>None.</p>", "People named: Kim."} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is not said", want)
		}
	}
	if n := strings.Count(text, `stroke-width="1.9"`); n != 3 { // two pieces, because nothing was read in between, and the legend
		t.Errorf("the joint is drawn in %d pieces with its legend, want 3", n)
	}
	in := made(t, false)
	for i := range in.Rows {
		in.Rows[i].Quality[0] = unit.Open
	}
	in.Run.End.Verdict.Columns[0].Name = station.EstimateColumn
	if text := string(HTML(in)); !strings.Contains(text, "What is judged here is an estimate.") {
		t.Error("it is not said at the top that an estimate was judged")
	}
	if text := string(HTML(in)); !strings.Contains(text, "Nothing measured the joint. It was taken to have reached 240.5 °C, with a 95 % band of ± 1.0 °C") {
		t.Error("it is not said that nothing measured the joint")
	}
}

// What comes from outside is text; the file runs nothing and asks for nothing.
func TestTheReportRunsNothingAndAsksForNothing(t *testing.T) {
	for _, heavy := range []bool{false, true} {
		text := string(HTML(made(t, heavy)))
		if bad := regexp.MustCompile(`(?i)<script|<iframe|<link|<img|javascript:|src=|href=|@import|url\(|\son[a-z]+=`).FindString(text); bad != "" {
			t.Errorf("it holds %q", bad)
		}
		if rest := strings.ReplaceAll(text, "http://www.w3.org/2000/svg", ""); strings.Contains(rest, "://") {
			t.Error("it names an address")
		}
	}
	empty := HTML(&Input{})
	if _, faults, err := Check(empty); err != nil || len(faults) > 0 {
		t.Errorf("a report about nothing: %v, %v", faults, err)
	}
}

func TestEveryByteOfAReportIsCovered(t *testing.T) {
	in := made(t, false)
	in.Rows = in.Rows[:3] // small
	whole := HTML(in)
	record, faults, err := Check(whole)
	if err != nil || len(faults) > 0 || !bytes.Equal(record, in.Record) {
		t.Fatalf("untouched: %q, %v, %v", record, faults, err)
	}
	for i := range whole {
		edited := bytes.Clone(whole)
		edited[i] ^= 1
		if _, faults, err := Check(edited); err == nil && len(faults) == 0 {
			t.Errorf("byte %d of %d is not covered: %q", i, len(whole), whole[max(0, i-20):min(len(whole), i+20)])
		}
	}
	for name, edited := range map[string][]byte{"cut": whole[:len(whole)-1], "longer": append(bytes.Clone(whole), '\n'), "a byte put in": append([]byte(" "), whole...), "nothing": nil} {
		if _, faults, err := Check(edited); err == nil && len(faults) == 0 {
			t.Errorf("%s: not found", name)
		}
	}
	if _, faults, _ := Check(bytes.Replace(whole, []byte("Panel"), []byte("Pamel"), 1)); len(faults) != 1 || faults[0] != "Changed: who, what, where and when." {
		t.Errorf("the place is not named: %q", faults)
	}
}

func TestTheCSVIsReadByJudge(t *testing.T) {
	in := made(t, false)
	tr, err := logfile.Parse("run.csv", CSV(in.Channels, in.Rows))
	if err != nil {
		t.Fatal(err)
	}
	v, err := process.Judge(tr, process.WindowFor(process.Placement, in.Profile.Alloy, nil))
	if err != nil || math.Abs(*v.Measures.AboveLiquidus-80) > 0.01 || *v.Measures.Peak != 240 {
		t.Errorf("%+v, %v", v.Measures, err)
	}
}

// Two sheets of A4 and of Letter, whatever is in it. Chromium prints it; without Chromium there is nothing to see.
func TestItPrintsOnTwoSheets(t *testing.T) {
	chromium, err := exec.LookPath("chromium")
	if err != nil || testing.Short() {
		t.Skip("no Chromium, or no time for it")
	}
	alone := made(t, true)
	alone.Job = nil
	for name, in := range map[string]*Input{"light": made(t, false), "heavy": made(t, true), "heavy without a job": alone} {
		for _, sheet := range []string{"A4", "Letter"} {
			dir := t.TempDir()
			file, pdf := filepath.Join(dir, "r.html"), filepath.Join(dir, "r.pdf")
			text := strings.Replace(string(HTML(in)), "@page{", "@page{size:"+sheet+";", 1)
			if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
				t.Fatal(err)
			}
			out, err := exec.CommandContext(t.Context(), chromium, "--headless", "--no-sandbox", "--disable-gpu", "--user-data-dir="+dir, "--no-pdf-header-footer", "--print-to-pdf="+pdf, "file://"+file).CombinedOutput()
			if err != nil {
				t.Fatalf("%v\n%s", err, out)
			}
			data, err := os.ReadFile(pdf)
			if err != nil {
				t.Fatal(err)
			}
			if n := len(regexp.MustCompile(`/Type\s*/Page\b`).FindAll(data, -1)); n != 2 {
				t.Errorf("%s: %d sheets of %s; want 2", name, n, sheet)
			}
		}
	}
}
