package api

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"io"
	"math"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"trivet/process/logfile"
	"trivet/process/unit"
	"trivet/station"
)

func TestTheTraceHasNullsWhereNothingWasRead(t *testing.T) {
	s := newServer(t, newDesk(t))
	var v struct {
		RunID     int64             `json:"run_id"`
		Channels  []station.Channel `json:"channels"`
		Time      []float64         `json:"time_s"`
		Profile   []float64         `json:"profile_s"`
		Columns   [][]*float64      `json:"columns"`
		Qualities []Stretch         `json:"qualities"`
		Thinned   bool              `json:"thinned"`
	}
	get(t, s, "/api/v1/trace", &v)
	if v.RunID != 5 || len(v.Time) != 30 || len(v.Profile) != 30 || len(v.Channels) != 2 || len(v.Columns) != 2 || v.Thinned {
		t.Fatalf("%+v", v)
	}
	if v.Columns[0][7] != nil || v.Columns[0][8] != nil || *v.Columns[0][9] != 34 || *v.Columns[1][7] != 0.5 || v.Profile[10] != 1 {
		t.Errorf("columns %v", v.Columns)
	}
	if len(v.Qualities) != 1 || v.Qualities[0] != (Stretch{"joint-corner", 0.7, 0.8, "open"}) {
		t.Errorf("qualities %+v", v.Qualities)
	}
	get(t, s, "/api/v1/trace?since_s=2.5", &v)
	if len(v.Time) != 4 || v.Time[0] != 2.6 {
		t.Errorf("after 2.5 s: %v", v.Time)
	}
}

// Whatever is recorded: a thinned trace is short, its time rises, it never leaves the range of what was measured, and it
// keeps the least and greatest value of every column.
func TestThinningKeepsTheExtremes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(maxTraceRows+1, 3*maxTraceRows).Draw(t, "rows")
		spike := rapid.IntRange(0, n-1).Draw(t, "spike")
		dip := rapid.IntRange(0, n-1).Filter(func(i int) bool { return i != spike }).Draw(t, "dip")
		bad := rapid.IntRange(0, n-1).Draw(t, "bad")
		rows := make([]station.Sample, n)
		for i := range rows {
			rows[i] = station.Sample{Seq: uint64(i), At: time.Duration(i) * 100 * time.Millisecond, N: 1}
			rows[i].Values[0], rows[i].Quality[0] = 100+float32(math.Sin(float64(i)/50)), unit.Good
		}
		for i := bad; i < min(n, bad+100); i++ {
			rows[i].Quality[0], rows[i].Values[0] = unit.Open, 9999 // must never be shown
		}
		rows[spike].Values[0], rows[spike].Quality[0] = 200, unit.Good
		rows[dip].Values[0], rows[dip].Quality[0] = 50, unit.Good
		v := traceOf(1, []station.Channel{{Name: "a", Unit: "°C", Kind: "sensor"}}, rows)
		if !v.Thinned || len(v.Time) > maxTraceRows || len(v.Time) < maxTraceRows/2 || len(v.Columns[0]) != len(v.Time) {
			t.Fatalf("%d rows became %d", n, len(v.Time))
		}
		least, most := float32(math.Inf(1)), float32(math.Inf(-1))
		for i, x := range v.Columns[0] {
			if i > 0 && v.Time[i] < v.Time[i-1] {
				t.Fatalf("time goes back at row %d", i)
			}
			if x == x {
				least, most = min(least, x), max(most, x)
			}
		}
		if least != 50 || most != 200 {
			t.Fatalf("range %v to %v; want 50 to 200", least, most)
		}
		if got, want := v.Time[len(v.Time)-1], float32(rows[n-1].At.Seconds()); got != want {
			t.Fatalf("the newest row is at %v; want %v", got, want)
		}
	})
}

func TestTheCSVIsWhatJudgeReads(t *testing.T) {
	d := newDesk(t)
	w := httptest.NewRecorder()
	newServer(t, d).Handler().ServeHTTP(w, request("GET", "/api/v1/runs/5/samples.csv", ""))
	if ct := w.Header().Get("Content-Type"); ct != "text/csv; charset=utf-8" || !strings.Contains(w.Header().Get("Content-Disposition"), "run-5.csv") {
		t.Errorf("headers %v", w.Header())
	}
	text := w.Body.Bytes()
	if first, _, _ := bytes.Cut(text, []byte("\n")); string(first) != "time_s,joint-corner_c,profile_time_s,duty_top" {
		t.Errorf("header %q", first)
	}
	tr, err := logfile.Parse("run-5.csv", text)
	if err != nil {
		t.Fatal(err)
	}
	if len(tr.Time) != 30 || len(tr.Columns) != 1 || tr.Columns[0].Role != "joint" {
		t.Fatalf("%d rows, columns %+v", len(tr.Time), tr.Columns)
	}
	for i, r := range tr.Columns[0].Readings {
		c, ok := r.Temp()
		if ok != (i != 7 && i != 8) || ok && c != unit.Celsius(25+i) {
			t.Errorf("row %d: %v, usable %v", i, c, ok)
		}
	}
}

func TestRecordsArePackedForThoseWhoCanUnpack(t *testing.T) {
	s := newServer(t, newDesk(t))
	for _, path := range []string{"/api/v1/trace", "/api/v1/runs/5/samples", "/api/v1/runs/5/samples.csv", "/api/v1/runs/77/samples"} {
		plain := httptest.NewRecorder()
		s.Handler().ServeHTTP(plain, request("GET", path, ""))
		r := request("GET", path, "")
		r.Header.Set("Accept-Encoding", "br, gzip")
		packed := httptest.NewRecorder()
		s.Handler().ServeHTTP(packed, r)
		if packed.Header().Get("Content-Encoding") != "gzip" || plain.Header().Get("Content-Encoding") != "" || packed.Code != plain.Code {
			t.Errorf("%s: %d %v", path, packed.Code, packed.Header())
			continue
		}
		z, err := gzip.NewReader(packed.Body)
		if err != nil {
			t.Fatal(err)
		}
		text, err := io.ReadAll(z)
		if err != nil || !bytes.Equal(text, plain.Body.Bytes()) {
			t.Errorf("%s: unpacked it is something else (%v)", path, err)
		}
	}
}

func TestTheHistoryAndOneRun(t *testing.T) {
	d := newDesk(t)
	d.runs = append([]station.RunRecord{{Head: station.RunHead{ID: 6}, LastAt: 3 * time.Second}}, d.runs...)
	s := newServer(t, d)
	var list RunsView
	get(t, s, "/api/v1/runs", &list)
	if len(list.Runs) != 2 || list.Runs[0].State != "running" || list.Runs[0].Elapsed != 3 || list.Runs[0].Verdict != nil || *list.Runs[1].Verdict != "pass" || list.Runs[1].Begun != "2026-05-04T10:00:00Z" {
		t.Errorf("%+v", list.Runs)
	}
	get(t, s, "/api/v1/runs?limit=1", &list)
	if len(list.Runs) != 1 {
		t.Errorf("%d runs; want 1", len(list.Runs))
	}
	var one map[string]any
	get(t, s, "/api/v1/runs/5", &one)
	judgement, _ := one["judgement"].(map[string]any)
	events, _ := one["events"].([]any)
	if one["profile"] != "Test part" || judgement["verdict"] != "pass" || len(events) != 1 {
		t.Errorf("%v", one)
	}
	get(t, s, "/api/v1/runs/6", &one)
	if one["judgement"] != nil {
		t.Errorf("%v", one["judgement"])
	}
}

func BenchmarkTraceOfTheLongestRun(b *testing.B) {
	channels := make([]station.Channel, 30)
	rows := make([]station.Sample, 108_000)
	for i := range rows {
		rows[i] = station.Sample{Seq: uint64(i), At: time.Duration(i) * 100 * time.Millisecond, N: 30}
		for k := range 30 {
			rows[i].Values[k], rows[i].Quality[k] = float32(i%977)/3, unit.Good
		}
	}
	for b.Loop() {
		if _, err := json.Marshal(traceOf(1, channels, rows)); err != nil {
			b.Fatal(err)
		}
	}
}
