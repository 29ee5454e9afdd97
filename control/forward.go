package control

import (
	"math"

	"trivet/process/unit"
)

// sigma is the Stefan–Boltzmann constant in W/m²K⁴ (CODATA 2018, exact).
const sigma = 5.670374419e-8

// Load is what is to be heated, as far as a calliper and the number of layers tell: no measurement, no fit.
// It only shapes the feed-forward; what it gets wrong the outer loop corrects.
type Load struct {
	Board float64 // heat capacity of the board per area, J/m²K
	Part  float64 // heat capacity of the part per area, J/m²K
}

// Reach is how the machine's heat gets to the board, from the machine's description.
type Reach struct {
	TopH     float64 // heat transfer of the top jet under its nozzle, W/m²K
	BottomH  float64 // the same of the bottom jet
	AreaView float64 // share of the board's underside view that is filled by lit area emitters, 0…1
}

// Coefficients of the board's losses and surfaces; values from the physics study.
const (
	naturalH = 11.0 // natural convection of both faces together, W/m²K
	epsBoard = 0.9  // solder mask
	epsPair  = 0.83 // board times emitter emissivity, 0.9·0.92
	warmer   = 1e-3 // heat capacity grows by this share per kelvin above 25 °C
)

// forward returns the air and area-heater temperatures that would carry a board of this load along the plan: the
// steady heat balance per area of a plate heated from both faces, solved for the sources.
//
//	under the emitters: ε σ F (T_area⁴ − T⁴) = C_board·dT/dt + losses
//	under the nozzles:  (h_top + h_bottom)(T_air − T) = C_part·dT/dt
//
// The area heaters carry the board, the air carries the part: that keeps top, bottom and surroundings together, and
// the board flat. target is where the joint should be, slope how fast it should move.
func forward(l Load, r Reach, ambient, target unit.Celsius, slope float64) (air, area unit.Celsius) {
	t, a := target.Absolute(), ambient.Absolute()
	grow := 1 + warmer*(float64(target)-25)
	loss := naturalH*(t-a) + epsBoard*sigma*(math.Pow(t, 4)-math.Pow(a, 4))
	need := l.Board*grow*slope + loss
	t4 := math.Pow(t, 4) + need/(epsPair*sigma*math.Max(r.AreaView, 0.05))
	area = unit.Celsius(math.Sqrt(math.Sqrt(math.Max(t4, math.Pow(a, 4)))) - unit.ZeroCelsiusInKelvin)
	lift := l.Part * grow * slope / math.Max(r.TopH+r.BottomH, 10)
	return target.Plus(unit.Kelvin(lift)), area
}
