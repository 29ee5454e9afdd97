package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"trivet/control/full"
	"trivet/process"
	"trivet/sim/bench"
	"trivet/sim/catalog"
	"trivet/station"
)

// ride runs a profile on the machine of a file, emulated, to its end on virtual time.
func ride(t *testing.T, file, board, profile, law string, change func(*settings)) (*equipment, station.Snapshot, *process.Verdict) {
	t.Helper()
	path, err := filepath.Abs(filepath.Join("../../deploy/machines", file))
	if err != nil {
		t.Fatal(err)
	}
	s := settings{dir: ".", Station: &stationPart{Machine: path, Board: board, Profile: profile, Law: law}, Sim: &simPart{AmbientC: 23, Speed: 1, Seed: 3}}
	if change != nil {
		change(&s)
	}
	q, err := s.equip()
	if err != nil {
		t.Fatal(err)
	}
	var snap station.Snapshot
	clerk := station.NewClerk(q.setup, station.NoRecord{}, func(*station.RunOrder) station.RunHead { return station.RunHead{} }, nil)
	o := q.options
	o.Publish = func(s *station.Snapshot) { snap = *s; clerk.Note(t.Context(), s) }
	st, err := station.New(o)
	if err != nil {
		t.Fatal(err)
	}
	q.drive.latest = func(dst *station.Snapshot) { *dst = snap }
	mind, _ := o.Law.(*full.Law)
	p, err := catalog.Profile(profile)
	if err != nil {
		t.Fatal(err)
	}
	var refused error
	begun := false
	for now := station.Period; now < time.Hour; now += station.Period {
		q.drive.before(now)
		if now == 3*time.Second {
			if err := st.Post(station.Command{Event: station.Start, By: "test", Order: &station.RunOrder{Kind: p.Kind, Profile: p, Board: board, By: "test"}}, func(err error) { refused, begun = err, err == nil }); err != nil {
				t.Fatal(err)
			}
		}
		if snap.Lift.Open && !snap.Lift.Confirmed {
			_ = st.Post(station.Command{Event: station.Lifted, By: "test"}, func(error) {})
		}
		st.Tick(now, 0)
		if mind != nil {
			if w, ok := mind.Want(); ok {
				r := full.Solve(w)
				mind.Give(r)
				if a := bench.AheadOf(&r); a != nil {
					st.SetAhead(a)
				}
			}
		}
		if refused != nil {
			t.Fatalf("the start was refused: %v", refused)
		}
		if begun && now > 10*time.Second && !snap.State.Live() {
			break
		}
	}
	return q, snap, clerk.Verdict()
}

func TestTheMachineOfAFileRemovesAPartOnEmulatedChips(t *testing.T) {
	for _, c := range []struct{ file, board, profile, law string }{
		{"full-retrofit.toml", "switch-16-layer", "removal-heavy-lead-free", "cascade"},
		{"full-retrofit.toml", "lamp-aluminium", "removal-heavy-lead-free", "full"},
		{"air-and-plate.toml", "thin-4-layer", "removal-gentle-lead-free", "cascade"},
		{"air-and-plate.toml", "handset-10-layer", "removal-gentle-lead-free", "full"}, // no bottom air, no package top
	} {
		if c.law == "full" && os.Getenv("TRIVET_WIRED") == "" {
			continue // fits and plans are slow under the race detector, and nothing in them knows of wiring
		}
		_, snap, v := ride(t, c.file, c.board, c.profile, c.law, nil)
		if v == nil {
			t.Errorf("%+v: ended %q %q, no verdict", c, snap.State, snap.Ended.Code)
			continue
		}
		t.Logf("%+v: %s %s, passed %v", c, snap.State, snap.Ended.Code, v.Pass)
		for _, k := range v.Checks {
			if !k.OK {
				t.Logf("   %+v", k)
			}
		}
		if snap.State != station.Complete {
			t.Errorf("%+v: ended as %s, %s", c, snap.State, snap.Ended.Code)
		}
	}
}

// What cannot be connected locks the heat and lets the page come up.
func TestAMachineWithoutItsChipsComesUpWithTheHeatLocked(t *testing.T) {
	path, _ := filepath.Abs("../../deploy/machines/full-retrofit.toml")
	s := settings{dir: ".", Station: &stationPart{Machine: path, Board: "switch-16-layer", Profile: defaultProfile, Law: "cascade"}}
	if _, err := os.Stat("/dev/gpiochip0"); err == nil {
		t.Skip("this computer has GPIO chips: nothing is claimed on it by a test")
	}
	q, err := s.equip()
	if err != nil {
		t.Fatal(err)
	}
	if q.missing == nil || !strings.Contains(q.missing.Error(), "heat_enable") || !strings.Contains(q.missing.Error(), "sensor joint-corner") || !q.setup.Limits.Unfit {
		t.Fatalf("missing: %v", q.missing)
	}
	var snap station.Snapshot
	o := q.options
	o.Publish = func(s *station.Snapshot) { snap = *s }
	st, err := station.New(o)
	if err != nil {
		t.Fatal(err)
	}
	p, _ := catalog.Profile(defaultProfile)
	var refused error
	_ = st.Post(station.Command{Event: station.Start, By: "test", Order: &station.RunOrder{Kind: p.Kind, Profile: p, By: "test"}}, func(err error) { refused = err })
	for now := station.Period; now < 3*time.Second; now += station.Period {
		st.Tick(now, 0)
	}
	if refused == nil || snap.Verdict.Ready || snap.State != station.Idle {
		t.Errorf("refused %v, ready %v, %s", refused, snap.Verdict.Ready, snap.State)
	}
	bad := station.PermissivesNow(&q.setup.Limits, &snap.Facts)[0]
	if bad.Code != "whole" || bad.Holds {
		t.Errorf("the first thing said is %+v", bad)
	}
}
