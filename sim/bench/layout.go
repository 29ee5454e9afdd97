// Package bench puts a simulated machine together with the real drivers, the real station and a law, and runs scenarios
// on it on virtual time. Nothing in it is a model of the program: it is the program, on emulated chips.
package bench

import (
	"time"

	"trivet/control"
	"trivet/process/unit"
	"trivet/safety"
	"trivet/sim/plant"
	"trivet/sim/rig"
	"trivet/station"
)

// Ceilings of the simulated machines. Nozzle and emitter ceilings are machine limits, above the highest set-points;
// joint and board ceilings are the trade's (board surface never above 260 °C: common practice); a small neighbour is classed 260 °C
// by J-STD-020 (looked up in a secondary copy), which says nothing of its joints: those need a shield.
const (
	jointCeiling     = unit.Celsius(260)
	bodyCeiling      = unit.Celsius(260) // a run's own body limit tightens this
	boardCeiling     = unit.Celsius(260)
	neighbourCeiling = unit.Celsius(260)
	nozzleCeiling    = unit.Celsius(450)
	areaCeiling      = unit.Celsius(590)
	longestRun       = 25 * time.Minute // with heat; the longest shipped profile takes less than half
	extractionHold   = 10 * time.Second // hazard I-01: at most 30 s
	lostAfter        = 700 * time.Millisecond
)

// limits describes the rig to the guard.
func limits(r *rig.Rig, zones []control.Zone, ambient unit.Celsius) safety.Limits {
	l := safety.Limits{MaxRun: longestRun, ExtractionHold: extractionHold, Mirror: true, StartTest: true, Supply: true, Room: ambient}
	for i, n := range r.Names {
		h := safety.Heater{Name: heaterLabel(n), Blower: -1, Sense: true}
		if i < 2 {
			h.Blower = i
		}
		h.Loop = loop(r, zones[i], i)
		l.Heaters[i] = h
		l.NHeaters++
	}
	for _, n := range []string{"Top blower", "Bottom blower"} {
		l.Blowers[l.NBlowers] = safety.Blower{Name: n, Proof: true}
		l.NBlowers++
	}
	for _, i := range rig.Interlocks() {
		l.Interlocks[l.NInterlock] = i
		l.NInterlock++
	}
	for i := range r.Probes {
		p := &r.Probes[i]
		heaters := safety.All
		switch {
		case p.Spot == plant.NozzleTop:
			heaters = 1
		case p.Spot == plant.NozzleBottom:
			heaters = 2
		case p.Role == safety.RoleArea:
			heaters = safety.Mask(4) << (p.Spot - plant.Bank0)
		}
		lost := lostAfter
		if need := 5 * p.Every; need > lost {
			lost = need // slow inputs are multiplexed: five periods (invariant I-12) forgive a burst of 0.3 s and a sample beside it
		}
		l.Sensors[l.NSensors] = safety.Sensor{Name: p.Label, Role: p.Role, Ceiling: p.Ceiling, Heaters: heaters, Guard: p.Guard, LostAfter: lost, Noise: commissionedNoise}
		l.NSensors++
	}
	return l
}

// commissionedNoise is the spread at rest that commissioning would write down, K rms: the upper end of what the control goals allow for.
const commissionedNoise = 0.25

// Bands of the guard's heat balances, K: 1.25 times the worst of the fault-free campaign (TestFaultFreeHours prints it).
const (
	airBand  = 20.0
	areaBand = 40.0
)

// loop tells the guard what the step test of heater i has found.
func loop(r *rig.Rig, z control.Zone, i int) safety.Loop {
	o := safety.Loop{Sensor: -1, Gain: z.Gain, Inertia: z.Inertia, Radiates: z.Kind == control.Area, Band: airBand}
	spot := plant.Bank0 + plant.Spot(i-2)
	switch i {
	case 0:
		spot = plant.NozzleTop
	case 1:
		spot = plant.NozzleBottom
	}
	if o.Radiates {
		o.Band = areaBand
	}
	for k := range r.Probes {
		if r.Probes[k].Spot == spot {
			o.Sensor = k
			return o
		}
	}
	return safety.Loop{} // no sensor of its own: nothing to judge by
}

// probes is what is fitted to every simulated machine: three kinds of amplifier, mixed as shops mix them. The joint is on
// the chip that reports an open couple with every conversion.
func probes(m plant.Machine, centre bool) []rig.Probe {
	out := []rig.Probe{
		{Name: "joint-corner", Label: "Corner joint", Role: safety.RoleJoint, Spot: plant.Corner, Chip: "max31855", Ceiling: jointCeiling, Guard: true},
		{Name: "package-top", Label: "Package top", Role: safety.RolePackageTop, Spot: plant.PackageTop, Chip: "max31856", Ceiling: bodyCeiling, Guard: true},
		{Name: "board", Label: "Board", Role: safety.RoleBoard, Spot: plant.BoardNear, Chip: "max31855", Ceiling: boardCeiling, Guard: true},
		{Name: "nozzle-top", Label: "Top air", Role: safety.RoleNozzle, Spot: plant.NozzleTop, Chip: "max31855", Ceiling: nozzleCeiling, Guard: true},
		{Name: "nozzle-bottom", Label: "Bottom air", Role: safety.RoleNozzle, Spot: plant.NozzleBottom, Chip: "max31855", Ceiling: nozzleCeiling, Guard: true},
		{Name: "neighbour", Label: "Neighbour part", Role: safety.RoleNeighbour, Spot: plant.Neighbour, Chip: "ad8495", Ceiling: neighbourCeiling},
	}
	if centre {
		out = append(out, rig.Probe{Name: "joint-centre", Label: "Centre joint", Role: safety.RoleJoint, Spot: plant.Centre, Chip: "max31855", Ceiling: jointCeiling, Guard: true})
	}
	for i, n := range m.HeaterNames()[2:] {
		out = append(out, rig.Probe{Name: "area-" + n, Label: heaterLabel(n), Role: safety.RoleArea, Spot: plant.Bank0 + plant.Spot(i), Chip: "ad8495", Ceiling: areaCeiling, Guard: true})
	}
	return out
}

func heaterLabel(name string) string {
	switch name {
	case "top":
		return "Top air"
	case "bottom":
		return "Bottom air"
	}
	return "Area " + name
}

// setup describes the rig to people and to the rest of the program.
func setup(r *rig.Rig, zones []control.Zone, speed float64, ambient unit.Celsius) station.Setup {
	u := station.Setup{
		Name: r.Machine.Title, Simulated: true, Speed: speed, Limits: limits(r, zones, ambient), Budget: unit.Watt(r.Machine.MainsBudgetW),
		Period: station.Period, Ambient: ambient, Board: r.Board.Title,
	}
	for i := range r.Probes {
		p := &r.Probes[i]
		u.Sensors = append(u.Sensors, station.SensorInfo{Name: p.Name, Label: p.Label, Chip: p.Chip, Type: "K", Role: p.Role, Every: p.Every})
	}
	for i, n := range r.Names {
		h := station.HeaterInfo{Name: n, Label: heaterLabel(n), Kind: "area", Rated: zones[i].Rated, Ceiling: zones[i].Ceiling}
		spot := plant.Bank0 + plant.Spot(i-2)
		switch i {
		case 0:
			h.Kind, spot = "hot_air_top", plant.NozzleTop
		case 1:
			h.Kind, spot = "hot_air_bottom", plant.NozzleBottom
		}
		for k := range r.Probes {
			if r.Probes[k].Spot == spot {
				h.Sensor = k
			}
		}
		u.Heaters = append(u.Heaters, h)
	}
	return u
}
