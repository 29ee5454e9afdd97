package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"trivet/process"
	"trivet/process/unit"
	"trivet/station"
	"trivet/store"
)

// archiveOf makes a directory with n complete runs of one pairing; the area heater needs 1 % more from run to run.
func archiveOf(t *testing.T, n int) string {
	t.Helper()
	dir, ctx := filepath.Join(t.TempDir(), "data"), t.Context()
	db, err := store.Open(ctx, dir)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	channels := []station.Channel{{Name: "joint-corner", Unit: "°C", Kind: "sensor"}, {Name: "target", Unit: "°C", Kind: "target"}, {Name: "duty:top", Unit: "1", Kind: "duty"},
		{Name: "duty:area", Unit: "1", Kind: "duty"}, {Name: "power", Unit: "W", Kind: "power"}}
	for k := range n {
		begun := time.Date(2026, 11, 1+k, 9, 0, 0, 0, time.UTC)
		id, err := db.Begin(ctx, station.RunHead{BegunUTC: begun, Kind: process.Removal, Profile: "Made up", Board: "panel", Part: "lid", By: "Kim", Station: "bench", Software: "test", Channels: channels, Period: time.Second})
		if err != nil {
			t.Fatal(err)
		}
		var rows []station.Sample
		for s := range 40 {
			r := station.Sample{Seq: uint64(s), At: time.Duration(s) * time.Second, N: len(channels),
				Values: [station.MaxChannels]float32{25 + float32(s), 25 + float32(s), 0.5, 0.6 * (1 + 0.01*float32(k)), 2000}}
			for i := range channels {
				r.Quality[i] = unit.Good
			}
			rows = append(rows, r)
		}
		peak := 64.0
		v := process.Verdict{Pass: true, Measures: process.Measures{Peak: &peak}}
		for _, err := range []error{db.Append(ctx, id, rows), db.Event(ctx, id, station.RunEvent{At: time.Second, UTC: begun, Code: "state:running", Text: "It runs.", By: "Kim"}),
			db.End(ctx, id, station.RunEnd{State: station.Complete, Code: "complete", Reason: "Done.", By: "Kim", EndedUTC: begun.Add(time.Minute), Elapsed: 40 * time.Second, Verdict: &v})} {
			if err != nil {
				t.Fatal(err)
			}
		}
	}
	return dir
}

// does runs the program and returns what it said.
func does(t *testing.T, want int, args ...string) string {
	t.Helper()
	var out, errOut bytes.Buffer
	if code := run(t.Context(), args, &out, &errOut); code != want {
		t.Fatalf("%v: exit status %d; want %d\n%s%s", args, code, want, out.String(), errOut.String())
	}
	return out.String() + errOut.String()
}

func TestAReportOfARunProvesItselfAndNamesWhatWasChanged(t *testing.T) {
	data, dir := archiveOf(t, 1), t.TempDir()
	for _, form := range []string{"html", "json"} {
		file := filepath.Join(dir, "r."+form)
		does(t, exitDone, "report", "1", "--data", data, "--out", file)
		if said := does(t, exitDone, "verify", file); !strings.Contains(said, "everything is as it was written, 1 events and 1 chunks") {
			t.Errorf("%s: %s", form, said)
		}
		whole, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		for i := 0; i < len(whole); i += 1 + len(whole)/150 {
			edited := bytes.Clone(whole)
			edited[i] ^= 1
			if err := os.WriteFile(file, edited, 0o644); err != nil {
				t.Fatal(err)
			}
			var out, errOut bytes.Buffer
			if code := run(t.Context(), []string{"verify", file}, &out, &errOut); code == exitDone || out.Len()+errOut.Len() == 0 {
				t.Errorf("%s: byte %d changed, exit status %d: %s%s", form, i, code, out.String(), errOut.String())
			}
		}
		// Whoever makes the list of digests anew is found by the record's own chain; whoever changes a name in the record by its place.
		if err := os.WriteFile(file, bytes.Replace(whole, []byte("It runs."), []byte("It rums."), 2), 0o644); err != nil {
			t.Fatal(err)
		}
		if said := does(t, exitOutside, "verify", file); !strings.Contains(said, "Event 1 is not the one that was kept there") {
			t.Errorf("%s: %s", form, said)
		}
	}
	if csv := does(t, exitDone, "report", "1", "--data", data, "--format", "csv"); !strings.HasPrefix(csv, "time_s,joint-corner_c,target_c,duty_top,duty_area,power_w\n0,25.000,25.000,0.500,0.600,2000.000\n") {
		t.Errorf("%.120s", csv)
	}
	if said := does(t, exitBad, "report", "9", "--data", data); !strings.Contains(said, "there is no run 9") {
		t.Error(said)
	}
	if said := does(t, exitBad, "verify", filepath.Join("..", "..", "testdata", "logs", "peak-too-low.csv")); !strings.Contains(said, "is no report, record or backup") {
		t.Error(said)
	}
	if said := does(t, exitBad, "verify"); !strings.Contains(said, "name one thing") {
		t.Error(said)
	}
}

func TestRecordsAreVerifiedBackedUpWipedAndRestored(t *testing.T) {
	data, dir := archiveOf(t, 3), t.TempDir()
	before := does(t, exitDone, "verify", "--data", data)
	if !strings.Contains(before, "3 runs, 0 jobs; everything is as it was written") {
		t.Error(before)
	}
	file := filepath.Join(dir, "b.trivet")
	does(t, exitDone, "backup", "--data", data, "--out", file)
	does(t, exitDone, "verify", file)
	if said := does(t, exitBad, "backup", "--data", data, "--out", file); !strings.Contains(said, "exists already") {
		t.Error(said)
	}
	if said := does(t, exitBad, "restore", file, "--data", data); !strings.Contains(said, "holds records already") {
		t.Error(said)
	}
	record := does(t, exitDone, "report", "2", "--data", data, "--format", "json")
	if err := os.RemoveAll(data); err != nil {
		t.Fatal(err)
	}
	if said := does(t, exitDone, "restore", file, "--data", data); !strings.Contains(said, "Look the machine over before it heats") {
		t.Error(said)
	}
	if after := does(t, exitDone, "verify", "--data", data); after != before {
		t.Errorf("restored: %s", after)
	}
	if does(t, exitDone, "report", "2", "--data", data, "--format", "json") != record {
		t.Error("the record of run 2 came back changed")
	}
	if said := does(t, exitBad, "verify", "--data", dir); !strings.Contains(said, "no such file") {
		t.Error(said)
	}
}

func TestRunsAreListedAndADriftIsTold(t *testing.T) {
	data := archiveOf(t, 12)
	if said := does(t, exitDone, "runs", "--data", data, "--limit", "2"); !strings.Contains(said, "12   2026-11-12") || strings.Contains(said, "10   2026") {
		t.Error(said)
	}
	said := does(t, exitDone, "runs", "--data", data, "--compare")
	for _, want := range []string{"panel on bench, removal, Made up: 12 runs, 12 passed", "drive of area rises: by 6.6 % over 12 runs, 0.6 a run", "Some heaters need more for the same course"} {
		if !strings.Contains(said, want) {
			t.Errorf("%q is not said:\n%s", want, said)
		}
	}
	if strings.Contains(said, "drive of top rises") {
		t.Error(said)
	}
	if said := does(t, exitDone, "runs", "--data", data, "--compare", "--json"); !strings.Contains(said, `"told": true`) {
		t.Error(said)
	}
	does(t, exitBad, "runs", "--data", data, "--limit", fmt.Sprint(0))
}
