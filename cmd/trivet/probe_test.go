package main

import (
	"os"
	"strings"
	"testing"
	"time"

	"periph.io/x/conn/v3/gpio"

	"trivet/cmd/trivet/machine"
	"trivet/sim/catalog"
)

func emulated(t *testing.T, file string) (*machine.File, *machine.Emulated) {
	t.Helper()
	data, err := os.ReadFile("../../deploy/machines/" + file)
	if err != nil {
		t.Fatal(err)
	}
	f, err := machine.Parse(file, data)
	if err != nil {
		t.Fatal(err)
	}
	board, err := catalog.Board("thin-4-layer")
	if err != nil {
		t.Fatal(err)
	}
	e, err := f.Emulate(board, 23, 1)
	if err != nil {
		t.Fatal(err)
	}
	return f, e
}

func TestProbeReadsEverySensorAndClaimsNoLine(t *testing.T) {
	f, e := emulated(t, "full-retrofit.toml")
	var out strings.Builder
	silent, err := probeSensors(t.Context(), &out, f, e, 3*time.Second, e.Rig.Advance)
	if err != nil || silent != 0 {
		t.Errorf("%v, %d silent", err, silent)
	}
	lines := strings.Split(strings.TrimSpace(out.String()), "\n")
	if len(lines) != len(f.Wiring.Sensors) || !strings.Contains(lines[0], "°C, cold junction") {
		t.Errorf("%s", out.String())
	}
	for _, p := range append(e.Rig.Relays, e.Rig.Enable, e.Rig.Heartbeat) {
		if p.Function() != "" {
			t.Errorf("%s was touched: %s", p, p.Function())
		}
	}
}

func TestSafeOutputsDriveHeatersAndContactorLow(t *testing.T) {
	f, e := emulated(t, "full-retrofit.toml")
	for _, p := range append(e.Rig.Relays, e.Rig.Enable) {
		_ = p.Out(gpio.High) // as a killed program may leave them
	}
	n, err := f.AllOff(e)
	if err != nil || n != len(e.Rig.Relays)+2 {
		t.Errorf("%d, %v", n, err)
	}
	for _, p := range append(e.Rig.Relays, e.Rig.Enable, e.Rig.Heartbeat) {
		if p.Level() != gpio.Low {
			t.Errorf("%s is still high", p)
		}
	}
}
