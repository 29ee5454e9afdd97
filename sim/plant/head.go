package plant

import "math"

// wallEmissivity is that of an oxidised steel tube around the element, from memory.
const wallEmissivity = 0.7

// head is the state of one hot-air head. Equations: physics study.
type head struct {
	d       *Head
	flow    float64 // share of full flow
	element float64 // °C
	wall    float64 // °C
	air     float64 // °C at the nozzle's mouth

	flow65 float64 // flow^0.65, what the jet's heat transfer goes with; negative before the first step
	mcp    float64 // W/K
	epsE   float64 // effectiveness of the element as a heat exchanger
	epsW   float64 // the same for the wall
}

// spin sets the share of full flow. The exponent 0.65 lies between the laminar and the turbulent laws of jet heat
// transfer (0.5 and 0.7, Martin 1977, from memory).
func (s *head) spin(flow float64) {
	if flow == s.flow && s.flow65 >= 0 {
		return
	}
	s.flow, s.flow65 = flow, math.Pow(flow, 0.65)
	s.mcp = s.d.Flow * flow
	s.epsE, s.epsW = effectiveness(s.d.ElementUA, s.mcp), effectiveness(s.d.WallUA, s.mcp)
}

// effectiveness is that of a heat exchanger whose one side has constant temperature (Incropera and DeWitt, 6th ed., eq. 11.35a).
func effectiveness(ua, mcp float64) float64 {
	if !(mcp > 1e-6*ua) {
		return 1 // no air to speak of: it takes the temperature of what it touches
	}
	return 1 - math.Exp(-ua/mcp)
}

// shineShare is by how much a wall at t °C loses more than its rated conductance says, which holds near 300 °C: a fifth of
// that is radiation, which grows with the cube of the absolute temperature. Without it a head that has lost its air
// would heat its wall without bound. A judgement.
func shineShare(t float64) float64 {
	x := (t + zeroC) / 573
	return 0.8 + 0.2*x*x*x
}

// burn advances the head by h seconds with electrical power watts and air drawn in at inlet. It returns the heat that
// left with the air stream, counted from inlet, and the heat lost by the wall, both in J.
func (s *head) burn(h, watts, inlet, ambient float64) (stream, lost float64) {
	hot := inlet + s.epsE*(s.element-inlet)
	toAir := s.mcp * (hot - inlet)
	toWall := s.d.Radiating * wallEmissivity * sigma * (pow4(s.element) - pow4(s.wall))
	s.air = hot - s.epsW*(hot-s.wall)
	fromAir := s.mcp * (hot - s.air)
	loss := s.d.WallLoss * shineShare(s.wall) * (s.wall - ambient)
	s.element += (watts - toAir - toWall) * h / s.d.ElementHeat
	s.wall += (fromAir + toWall - loss) * h / s.d.WallHeat
	return s.mcp * (s.air - inlet) * h, loss * h
}

// stored returns the heat in the head above what it held at t0, in J.
func (s *head) stored(t0 float64) float64 {
	return s.d.ElementHeat*(s.element-t0) + s.d.WallHeat*(s.wall-t0)
}
