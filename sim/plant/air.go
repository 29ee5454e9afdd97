package plant

import "math"

// Free convection from a horizontal plate, W/m²K: Nu = 0.54·Ra^¼ with the warm face up, 0.27·Ra^¼ with it down
// (Incropera and DeWitt, 6th ed., eqs. 9.30 and 9.32; valid for Ra 1e4…1e7 and 1e5…1e10, used a little below that for
// the smallest boards). dT is the excess over the air at ambient °C, length is area over perimeter in m.
func stillAir(up bool, dT, ambient, length float64) float64 {
	dT = math.Abs(dT)
	if dT < 1 {
		dT = 1 // a board at room temperature still sits in the draught of the room
	}
	film := ambient + dT/2 + zeroC
	x := (film - 350) / 50
	// Air at 1 bar, linear between the handbook values at 350 K and 400 K (same book, Table A.4, from memory).
	k, nu, alpha := 0.0300+0.0038*x, (20.92+5.49*x)*1e-6, (29.9+8.4*x)*1e-6
	ra := 9.81 / film * dT * length * length * length / (nu * alpha)
	c := 0.27
	if up {
		c = 0.54
	}
	return c * math.Sqrt(math.Sqrt(ra)) * k / length
}

// jetFace is one face of the board, or the top of the package, in the air of a jet, of fans and of the room.
type jetFace struct {
	s       *sheet
	area    []float64 // m² open to the air per cell; 0 where covered
	reach   []float64 // strength of the jet relative to its centre
	mix     []float64 // share of the jet's excess temperature that arrives
	buried  []float64 // resistance from the face to the middle of the cell, m²K/W
	edge    []float64 // conductance at the board's rim, W/K
	jetGain []float64 // W per kelvin of the nozzle air above ambient
}

// shape sets where the jet reaches: constant under the nozzle, falling outside as (r/R)^-1.3 in strength and
// 1/r in excess temperature (physics study, 1.2; the exponents are fits from memory of wall-jet measurements).
func (f *jetFace) shape(i int, r, radius float64) {
	f.reach[i], f.mix[i] = 1, 1
	if r > radius {
		f.reach[i], f.mix[i] = math.Pow(r/radius, -1.3), radius/r
	}
}

// still sets the conductances for a jet of strength jet and other convection of strength other, both W/m²K, where
// sealed is the share of the jet's excess temperature that survives the gap.
func (f *jetFace) still(jet, other, sealed float64) {
	n := len(f.area)
	gs, gain := f.s.gs[:n], f.jetGain[:n]
	reach, mix, buried, edge := f.reach[:n], f.mix[:n], f.buried[:n], f.edge[:n]
	for i, area := range f.area {
		hj := jet * reach[i]
		sum := hj + other
		part := area / (1 + sum*buried[i])
		gain[i] = part * hj * mix[i] * sealed
		gs[i] = part*sum + edge[i]
	}
}

// blow sets the source terms for air that leaves the nozzle excess kelvins above ambient.
func (f *jetFace) blow(excess, ambient float64) {
	n := len(f.s.src)
	gs, gain, src := f.s.gs[:n], f.jetGain[:n], f.s.src
	for i := range src {
		src[i] = gain[i]*excess + gs[i]*ambient
	}
}
