package store

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"trivet/process"
	"trivet/process/unit"
	"trivet/station"
)

var (
	_ station.Recorder = (*DB)(nil)
	_ station.Archive  = (*DB)(nil)
	_ station.Recorder = (*Memory)(nil)
	_ station.Archive  = (*Memory)(nil)
)

type recorder interface {
	station.Recorder
	station.Archive
}

func open(t testing.TB, dir string) *DB {
	t.Helper()
	d, err := Open(context.Background(), dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { d.Close() })
	return d
}

func head() station.RunHead {
	return station.RunHead{
		BootID: "b1", BegunUTC: time.Date(2026, 5, 4, 10, 20, 30, 123456789, time.UTC), ClockSynced: true,
		Kind: process.Removal, Profile: "Heavy part, lead-free", ProfileTOML: "name = \"heavy\"\n", Board: "panel 7", Part: "U12", Serial: "0042",
		By: "Kim", Station: "bench", Simulated: true, Software: "dev",
		Channels: []station.Channel{{Name: "joint", Unit: "°C", Kind: "sensor"}, {Name: "target", Unit: "°C", Kind: "target"}, {Name: "duty:top", Unit: "1", Kind: "duty"}},
		Period:   100 * time.Millisecond,
	}
}

// sample is a row whose content follows from its number, so that any reader can check it.
func sample(seq uint64) station.Sample {
	s := station.Sample{Seq: seq, At: time.Duration(seq)*100*time.Millisecond + time.Duration(seq%7)*time.Microsecond, N: 3}
	s.Values = [station.MaxChannels]float32{25 + float32(seq)/8, 30 + float32(seq), float32(seq%101) / 100}
	s.Quality[0], s.Quality[1], s.Quality[2] = unit.Good, unit.Good, unit.Good
	if seq%10 == 9 {
		s.Values[0], s.Quality[0] = 0, unit.Open
	}
	return s
}

func samples(from, n uint64) []station.Sample {
	out := make([]station.Sample, n)
	for i := range out {
		out[i] = sample(from + uint64(i))
	}
	return out
}

// verdict is a real one, with limits and checks, so that everything in it has to survive.
func verdict(t testing.TB) *process.Verdict {
	t.Helper()
	alloy, ok := process.AlloyByName("SAC305")
	if !ok {
		t.Fatal("no such alloy")
	}
	tr := process.Trace{Columns: []process.Column{{Name: "joint", Role: "joint"}}}
	for s := range 400 {
		at := time.Duration(s) * time.Second
		tr.Time = append(tr.Time, at)
		tr.Columns[0].Readings = append(tr.Columns[0].Readings, unit.Measured(at, unit.Celsius(25+min(float64(s), 215))))
	}
	v, err := process.Judge(tr, process.WindowFor(process.Removal, alloy, nil))
	if err != nil {
		t.Fatal(err)
	}
	return &v
}

func must[T any](t testing.TB) func(T, error) T {
	return func(v T, err error) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

func TestWhatARunKeepsReadsBackEqual(t *testing.T) {
	dir := t.TempDir()
	for name, r := range map[string]recorder{"disk": open(t, filepath.Join(dir, "odd name %41 #1?")), "memory": NewMemory()} {
		t.Run(name, func(t *testing.T) {
			ctx := t.Context()
			id := must[int64](t)(r.Begin(ctx, head()))
			want := samples(0, 1500) // more than two chunks in one call
			if err := errors.Join(r.Append(ctx, id, want[:50]), r.Append(ctx, id, want[50:])); err != nil {
				t.Fatal(err)
			}
			happened := station.RunEvent{At: 3 * time.Second, UTC: time.Date(2026, 5, 4, 10, 20, 33, 0, time.UTC), Code: "state:held", Text: "Heat was held.", By: "Kim"}
			about := station.RunEvent{At: time.Hour, UTC: happened.UTC, Code: "viewer", Text: "Somebody looked.", By: ""}
			if err := errors.Join(r.Event(ctx, id, happened), r.Event(ctx, 0, about)); err != nil {
				t.Fatal(err)
			}
			end := station.RunEnd{State: station.Complete, Code: "complete", Reason: "The run is complete.", By: "", EndedUTC: happened.UTC, Elapsed: 150 * time.Second, Verdict: verdict(t)}
			if err := r.End(ctx, id, end); err != nil {
				t.Fatal(err)
			}

			h := head()
			h.ID = id
			record := station.RunRecord{Head: h, End: end, Samples: 1500, LastAt: want[1499].At}
			if diff := cmp.Diff(record, must[station.RunRecord](t)(r.Run(ctx, id))); diff != "" {
				t.Errorf("run differs (-want +got):\n%s", diff)
			}
			if diff := cmp.Diff([]station.RunRecord{record}, must[[]station.RunRecord](t)(r.Runs(ctx, 5))); diff != "" {
				t.Errorf("list of runs differs (-want +got):\n%s", diff)
			}
			channels, got, err := r.Samples(ctx, id)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(h.Channels, channels); diff != "" {
				t.Errorf("columns differ:\n%s", diff)
			}
			if diff := cmp.Diff(want, got); diff != "" {
				t.Errorf("samples differ:\n%s", diff)
			}
			if diff := cmp.Diff([]station.RunEvent{happened}, must[[]station.RunEvent](t)(r.Events(ctx, id))); diff != "" {
				t.Errorf("events of the run differ:\n%s", diff)
			}
			if diff := cmp.Diff([]station.RunEvent{about}, must[[]station.RunEvent](t)(r.Events(ctx, 0))); diff != "" {
				t.Errorf("events of the station differ:\n%s", diff)
			}
		})
	}
}

func TestWhatCannotBeKeptIsRefusedAndChangesNothing(t *testing.T) {
	for name, r := range map[string]recorder{"disk": open(t, t.TempDir()), "memory": NewMemory()} {
		t.Run(name, func(t *testing.T) {
			ctx := t.Context()
			id := must[int64](t)(r.Begin(ctx, head()))
			if err := r.Append(ctx, id, samples(0, 10)); err != nil {
				t.Fatal(err)
			}
			narrow := sample(10)
			narrow.N = 2
			backwards := []station.Sample{sample(12), sample(11)}
			twice := []station.Sample{sample(12), sample(12)}
			for what, err := range map[string]error{
				"samples already kept":         r.Append(ctx, id, samples(9, 3)),
				"a row with too few columns":   r.Append(ctx, id, []station.Sample{narrow}),
				"rows that go backwards":       r.Append(ctx, id, backwards),
				"one number twice":             r.Append(ctx, id, twice),
				"samples of no run":            r.Append(ctx, 99, samples(0, 1)),
				"an event of no run":           r.Event(ctx, 99, station.RunEvent{}),
				"the end of no run":            r.End(ctx, 99, station.RunEnd{State: station.Stopped}),
				"an end that does not say how": r.End(ctx, id, station.RunEnd{}),
			} {
				if err == nil {
					t.Errorf("%s: accepted", what)
				}
			}
			if _, got, _ := r.Samples(ctx, id); len(got) != 10 {
				t.Errorf("%d samples after refusals; want the 10 kept before", len(got))
			}
			if err := r.Append(ctx, id, samples(15, 5)); err != nil { // a hole is honest
				t.Errorf("samples after a hole: %v", err)
			}
			if err := r.End(ctx, id, station.RunEnd{State: station.Stopped, Code: "stopped"}); err != nil {
				t.Fatal(err)
			}
			if err := r.End(ctx, id, station.RunEnd{State: station.Complete}); err == nil {
				t.Error("a run ended twice")
			}
			if err := r.Append(ctx, id, samples(20, 1)); err == nil {
				t.Error("samples after the end: accepted")
			}
			var none station.ErrNoRun
			if _, err := r.Run(ctx, 99); !errors.As(err, &none) {
				t.Errorf("run 99: %v; want ErrNoRun", err)
			}
			if _, _, err := r.Samples(ctx, 99); !errors.As(err, &none) {
				t.Errorf("samples of run 99: %v; want ErrNoRun", err)
			}
			if _, err := r.Events(ctx, 99); !errors.As(err, &none) {
				t.Errorf("events of run 99: %v; want ErrNoRun", err)
			}
		})
	}
}

func TestARunLeftOpenIsClosedAsPowerLost(t *testing.T) {
	dir, ctx := t.TempDir(), t.Context()
	d := open(t, dir)
	with := must[int64](t)(d.Begin(ctx, head()))
	without := must[int64](t)(d.Begin(ctx, head()))
	if err := d.Append(ctx, with, samples(0, 1201)); err != nil { // the last one is at 2:00.0
		t.Fatal(err)
	}
	if err := d.Close(); err != nil {
		t.Fatal(err)
	}

	d = open(t, dir)
	if n := len(d.Recovered()); n != 2 {
		t.Fatalf("%d runs recovered; want 2", n)
	}
	for id, want := range map[int64]string{
		with:    "The power or the program was lost at 2:00; nothing resumes by itself.",
		without: "The power or the program was lost before its first sample was kept; nothing resumes by itself.",
	} {
		r := must[station.RunRecord](t)(d.Run(ctx, id))
		if r.End.State != station.Aborted || r.End.Code != "power_lost" || r.End.Reason != want || r.End.Elapsed != r.LastAt {
			t.Errorf("run %d ended as %+v; want aborted, power_lost, %q", id, r.End, want)
		}
	}
	if err := d.Append(ctx, with, samples(1201, 1)); err == nil {
		t.Error("a run of an earlier process went on")
	}
	d.Close()
	if n := len(open(t, dir).Recovered()); n != 0 {
		t.Errorf("%d runs recovered the second time; want 0", n)
	}
}

func TestTheMemoryRecordIsBounded(t *testing.T) {
	ctx, m := t.Context(), NewMemory()
	if err := m.Adopt(station.RunHead{ID: 12, Channels: head().Channels}, 700); err != nil {
		t.Fatal(err)
	}
	if err := m.Append(ctx, 12, samples(0, 1)); err == nil {
		t.Error("a sample that the disk had kept before was accepted again")
	}
	const n = 900_000 // at 23 bytes each more than fits
	for i := uint64(700); i < n; i += 5000 {
		if err := m.Append(ctx, 12, samples(i, 5000)); err != nil {
			t.Fatal(err)
		}
	}
	if m.bytes > memoryBytes {
		t.Errorf("%d bytes held; want at most %d", m.bytes, memoryBytes)
	}
	r := must[station.RunRecord](t)(m.Run(ctx, 12))
	if last := sample(n + 700 - 1); r.LastAt != last.At || r.Samples == 0 {
		t.Errorf("%d samples up to %v; want the newest, up to %v", r.Samples, r.LastAt, last.At)
	}
	for range 3 * memoryRuns {
		must[int64](t)(m.Begin(ctx, head()))
	}
	for range 2 * memoryEvents {
		if err := m.Event(ctx, 0, station.RunEvent{Code: "x"}); err != nil {
			t.Fatal(err)
		}
	}
	if len(m.runs) > memoryRuns || len(m.events) > memoryEvents || m.bytes != 0 {
		t.Errorf("%d runs, %d events, %d bytes; want at most %d, %d and 0", len(m.runs), len(m.events), m.bytes, memoryRuns, memoryEvents)
	}
}

func BenchmarkAppendFiveSeconds(b *testing.B) {
	d := open(b, b.TempDir())
	h := head()
	for len(h.Channels) < 30 {
		h.Channels = append(h.Channels, station.Channel{Name: "x", Unit: "1", Kind: "duty"})
	}
	id := must[int64](b)(d.Begin(b.Context(), h))
	rows := samples(0, 50)
	for i := uint64(0); b.Loop(); i++ {
		for k := range rows {
			rows[k].Seq, rows[k].N = i*50+uint64(k), 30
		}
		if err := d.Append(b.Context(), id, rows); err != nil {
			b.Fatal(err)
		}
	}
}

func TestAFullDiskFailsTheCallAndNothingElse(t *testing.T) {
	ctx, d := t.Context(), open(t, t.TempDir())
	id := must[int64](t)(d.Begin(ctx, head()))
	if err := d.Append(ctx, id, samples(0, 500)); err != nil {
		t.Fatal(err)
	}
	var pages int
	if err := d.samples.write.QueryRow("PRAGMA page_count").Scan(&pages); err != nil {
		t.Fatal(err)
	}
	limit := func(n int) {
		if _, err := d.samples.write.Exec(fmt.Sprintf("PRAGMA max_page_count=%d", n)); err != nil {
			t.Fatal(err)
		}
	}
	limit(pages + 1)
	err := d.Append(ctx, id, samples(500, 5000))
	if err == nil || !strings.Contains(err.Error(), "full") {
		t.Fatalf("%v; want an error that says the disk is full", err)
	}
	limit(1 << 20)
	if err := d.Append(ctx, id, samples(500, 5000)); err != nil {
		t.Errorf("the same rows after room was made: %v", err)
	}
	if _, got, err := d.Samples(ctx, id); err != nil || len(got) != 5500 {
		t.Errorf("%d samples, %v; want 5500", len(got), err)
	}
}

func BenchmarkListFiftyRuns(b *testing.B) {
	d := open(b, b.TempDir())
	for range 60 {
		id := must[int64](b)(d.Begin(b.Context(), head()))
		for i := range uint64(90) { // 7:30 at 10 Hz in chunks of 5 s
			if err := d.Append(b.Context(), id, samples(i*50, 50)); err != nil {
				b.Fatal(err)
			}
		}
		if err := d.End(b.Context(), id, station.RunEnd{State: station.Complete}); err != nil {
			b.Fatal(err)
		}
	}
	for b.Loop() {
		must[[]station.RunRecord](b)(d.Runs(b.Context(), 50))
	}
}

func BenchmarkReadTheLongestRunFromMemory(b *testing.B) {
	m, h := NewMemory(), head()
	for len(h.Channels) < 27 {
		h.Channels = append(h.Channels, station.Channel{Name: "x", Unit: "1", Kind: "duty"})
	}
	id := must[int64](b)(m.Begin(b.Context(), h))
	rows := samples(0, 108_000)
	for i := range rows {
		rows[i].N = 27
	}
	if err := m.Append(b.Context(), id, rows); err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if _, got, err := m.Samples(b.Context(), id); err != nil || len(got) < 100_000 {
			b.Fatal(len(got), err)
		}
	}
}
