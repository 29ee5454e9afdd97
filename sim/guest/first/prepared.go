package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"trivet/cmd/trivet/machine"
	"trivet/control/steptest"
	"trivet/sim/bench"
	"trivet/station"
)

// stepTested is the simulated machine with the same heaters, of which step tests on virtual time are stored.
const stepTested = "bench-5kw"

// Bands of the guard's heat balances, K, as commissioning writes them at least (see station.Conclude).
const airBand, areaBand = 20, 40

// prepared puts a finished commissioning beside the program's records: step tests on virtual time instead of half an hour of heating. The form "commission" does without it and has the program measure everything through the nodes.
func prepared(f *machine.File) error {
	like := f.Machine
	like.Name = stepTested
	zones, known, err := bench.Loops(like)
	if err != nil || !known {
		return fmt.Errorf("no step test of %s is stored: %v", stepTested, err)
	}
	now := time.Now().UTC()
	c := station.Commissioned{Machine: f.Name, Digest: f.Digest, InputsUTC: now, InputsBy: "rig", AtUTC: now, By: "rig", RoomC: room}
	for _, i := range f.Wiring.Interlocks {
		c.Inputs = append(c.Inputs, station.InputProven{Name: i.Name, State: steptest.Proven})
	}
	for i, n := range f.HeaterNames() {
		z, band := zones[i], float64(airBand)
		if i > 1 {
			band = areaBand
		}
		c.Loops = append(c.Loops, station.LoopMeasured{Heater: n, Gain: z.Gain, InertiaSPK: z.Inertia, KpPerK: z.Kp, TiS: z.Ti, BandK: band})
	}
	result, err := json.Marshal(c)
	if err != nil {
		return err
	}
	var compact bytes.Buffer
	if err := json.Compact(&compact, result); err != nil {
		return err
	}
	sum := sha256.Sum256(compact.Bytes())
	text := fmt.Sprintf(`{"format":"trivet-commissioning-v1","sum":%q,"result":%s}`, hex.EncodeToString(sum[:]), result)
	if err := os.MkdirAll(dataDir, 0o750); err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(dataDir, "commissioning.json"), []byte(text), 0o600)
}
