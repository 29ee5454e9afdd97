package main

import (
	"encoding/json"
	"os"
	"strings"
	"syscall"
	"testing"
	"time"

	"trivet/safety"
)

// TestATripThatOwesAnInspectionOutlivesTheProgram starts the real program on a directory where an earlier one left a trip.
func TestATripThatOwesAnInspectionOutlivesTheProgram(t *testing.T) {
	data := t.TempDir()
	f := newTripFile(data)
	if err := f.Save([]safety.Owed{{Code: "relay_stuck", Subject: "Top air"}}); err != nil {
		t.Fatal(err)
	}
	for life := range 2 {
		d := startDaemon(t, "--data", data)
		tripped := false
		for deadline := time.Now().Add(10 * time.Second); !tripped && time.Now().Before(deadline); time.Sleep(50 * time.Millisecond) {
			var s json.RawMessage
			d.get("/api/v1/state", &s)
			tripped = strings.Contains(string(s), "relay_stuck")
		}
		if !tripped {
			t.Fatalf("life %d: the trip is gone", life)
		}
		// An orderly end, then a kill: neither forgives.
		sig := syscall.SIGTERM
		if life > 0 {
			sig = syscall.SIGKILL
		}
		if err := d.cmd.Process.Signal(sig); err != nil {
			t.Fatal(err)
		}
		_ = d.cmd.Wait() // killed: its status is the signal
	}
	if owed, err := f.Load(); err != nil || len(owed) != 1 {
		t.Errorf("owed %v, %v", owed, err)
	}
}

func TestADamagedTripFileIsAnErrorAndNoFileIsNone(t *testing.T) {
	f := newTripFile(t.TempDir())
	if owed, err := f.Load(); err != nil || owed != nil {
		t.Fatalf("no file: %v, %v", owed, err)
	}
	if err := f.Save([]safety.Owed{{Code: "contactor_welded"}}); err != nil {
		t.Fatal(err)
	}
	if st, err := os.Stat(f.path); err != nil || st.Mode().Perm() != 0o600 {
		t.Fatalf("%v %v; want mode 0600", st, err)
	}
	good, err := os.ReadFile(f.path)
	if err != nil {
		t.Fatal(err)
	}
	// What a reader cannot tell from the sound file says the same thing, or is an error: every prefix and every flipped bit.
	same := func(o []safety.Owed) bool {
		return len(o) == 1 && o[0].Code == "contactor_welded" && o[0].Subject == ""
	}
	for n := range len(good) {
		bad := append([]byte(nil), good[:n]...)
		readsSame(t, f, bad, same)
		for k := range 8 {
			bad := append([]byte(nil), good...)
			bad[n] ^= 1 << k
			readsSame(t, f, bad, same)
		}
	}
}

func readsSame(t *testing.T, f *tripFile, data []byte, same func([]safety.Owed) bool) {
	t.Helper()
	if err := os.WriteFile(f.path, data, 0o600); err != nil {
		t.Fatal(err)
	}
	if owed, err := f.Load(); err == nil && !same(owed) {
		t.Fatalf("%q was read as %v", data, owed)
	}
}
