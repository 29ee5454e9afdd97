package bench

import (
	"embed"
	"fmt"

	"trivet/control"
	"trivet/process/strict"
	"trivet/process/unit"
	"trivet/sim/plant"
)

//go:embed loops/*.toml
var loopFiles embed.FS

// loopFile holds what a step test of a machine found, so that it need not be repeated at each start.
type loopFile struct {
	Machine string `toml:"machine"`
	Loops   []struct {
		Heater  string  `toml:"heater"`
		Gain    float64 `toml:"gain"`            // K above ambient at full power; K⁴ for an area heater
		Inertia float64 `toml:"inertia_s_per_k"` // extra duty per K/s
		Kp      float64 `toml:"kp_per_k"`        // duty per K
		Ti      float64 `toml:"ti_s"`
	} `toml:"loop"`
}

// Loops returns the stored loop models of a shipped machine, and whether there are any. A machine without is
// commissioned by a simulated step test first.
func Loops(m plant.Machine) ([]control.Zone, bool, error) {
	file := "loops/" + m.Name + ".toml"
	data, err := loopFiles.ReadFile(file)
	if err != nil {
		return nil, false, nil // not a shipped machine
	}
	var f loopFile
	if err := strict.Decode(file, data, &f); err != nil {
		return nil, false, err
	}
	names := m.HeaterNames()
	if len(f.Loops) != len(names) {
		return nil, false, fmt.Errorf("%s: %d loops for %d heaters", file, len(f.Loops), len(names))
	}
	zones := make([]control.Zone, len(names))
	for i, n := range names {
		l := f.Loops[i]
		if l.Heater != n {
			return nil, false, fmt.Errorf("%s: loop %d is for %q; heater %d is %q", file, i+1, l.Heater, i+1, n)
		}
		zones[i] = bare(m, i)
		zones[i].Gain, zones[i].Inertia, zones[i].Kp, zones[i].Ti = l.Gain, l.Inertia, l.Kp, l.Ti
	}
	return zones, true, nil
}

// bare is heater i before its loop is known.
func bare(m plant.Machine, i int) control.Zone {
	z := control.Zone{Rated: unit.Watt(m.RatedW(i)), Kind: control.Area, Ceiling: areaMost, Ti: 40}
	switch i {
	case 0:
		z.Kind, z.Ceiling, z.Ti = control.TopAir, airMost, 26
	case 1:
		z.Kind, z.Ceiling, z.Ti = control.BottomAir, airMost, 26
	}
	return z
}
