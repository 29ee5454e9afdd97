package bench

import (
	"math"
	"time"

	"trivet/control"
	"trivet/process/unit"
	"trivet/sim/plant"
)

// Commission finds the loop model of every heater by a step test, as a person would on a real machine: one heater at
// a time at part power, blowers on, watching only its own thermocouple. It knows nothing of the plant's parameters.
//
// Gain is from where the reading settles, inertia from its steepest rise (both from the definition of the model in
// control.Zone). Kp is inertia/6.5 s, which makes the loop about as fast as the study's (Kp = tau/(6.5 K), Ti = 26 s;
// 40 s for area heaters).
func Commission(m plant.Machine, b plant.Board, ambient unit.Celsius) ([]control.Zone, error) {
	names := m.HeaterNames()
	zones := make([]control.Zone, len(names))
	for i := range names {
		p, err := plant.New(m, b, ambient)
		if err != nil {
			return nil, err
		}
		zones[i] = bare(m, i)
		z := &zones[i]
		duty, spot, lasts := 0.7, plant.NozzleTop, 400.0
		switch z.Kind {
		case control.BottomAir:
			spot = plant.NozzleBottom
		case control.Area:
			spot, duty = plant.Bank0+plant.Spot(i-2), 0.4
		}
		end, steepest := step(p, i, spot, duty, lasts)
		z.Inertia = duty / math.Max(steepest, 1e-6)
		if z.Kind == control.Area {
			a := ambient.Absolute()
			e := unit.Celsius(end).Absolute()
			z.Gain = (math.Pow(e, 4) - math.Pow(a, 4)) / duty
		} else {
			z.Gain = (end - float64(ambient)) / duty
		}
		z.Kp = z.Inertia / 6.5
	}
	return zones, nil
}

// Highest set-points of the simulated machines' heaters. The guard's ceilings lie above them (see layout).
const (
	airMost  = unit.Celsius(400)
	areaMost = unit.Celsius(520)
)

// step drives heater i at duty for the given seconds and returns the last reading and the steepest rise over 5 s.
func step(p *plant.Plant, i int, spot plant.Spot, duty, seconds float64) (end, steepest float64) {
	var d plant.Drive
	d.Mains, d.Blower = 1, [2]float64{1, 1}
	d.Heater[i] = duty
	const tick = 100 * time.Millisecond
	const span = 50
	var past [span]float64
	n := int(seconds * 10)
	for k := range n {
		p.Step(tick, d)
		y := p.Sensed(spot)
		if k >= span {
			steepest = math.Max(steepest, (y-past[k%span])/(float64(span)*tick.Seconds()))
		}
		past[k%span] = y
		end = y
	}
	return end, steepest
}
