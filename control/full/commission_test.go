package full_test

import (
	"math"
	"time"

	"trivet/control"
	"trivet/process/unit"
	"trivet/sim/plant"
)

// commission finds the loop model of every heater by a step test on the machine as described: what a builder does once.
func commission(m plant.Machine, b plant.Board) []control.Zone {
	zones := make([]control.Zone, m.Heaters())
	for i := range zones {
		p, err := plant.New(m, b, 25)
		if err != nil {
			panic(err)
		}
		z := control.Zone{Rated: unit.Watt(m.RatedW(i)), Kind: control.Area, Ceiling: 520, Ti: 40}
		duty, spot := 0.4, plant.Bank0+plant.Spot(i-2)
		switch i {
		case 0:
			z.Kind, z.Ceiling, z.Ti, duty, spot = control.TopAir, 400, 26, 0.7, plant.NozzleTop
		case 1:
			z.Kind, z.Ceiling, z.Ti, duty, spot = control.BottomAir, 400, 26, 0.7, plant.NozzleBottom
		}
		d := plant.Drive{Mains: 1, Blower: [2]float64{1, 1}}
		d.Heater[i] = duty
		past, steepest := make([]float64, 0, 4000), 0.0
		for k := range 4000 {
			p.Step(100*time.Millisecond, d)
			past = append(past, p.Sensed(spot))
			if k >= 50 {
				steepest = max(steepest, (past[k]-past[k-50])/5)
			}
		}
		end := past[len(past)-1]
		z.Inertia = duty / max(steepest, 1e-6)
		z.Gain = (end - 25) / duty
		if z.Kind == control.Area {
			z.Gain = (math.Pow(end+273.15, 4) - math.Pow(298.15, 4)) / duty
		}
		z.Kp = z.Inertia / 6.5
		zones[i] = z
	}
	return zones
}

func steady() float64 { return 1 }
