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

// jetAt returns the strength of a jet relative to its centre, and the share of its excess temperature, at r metres from the
// axis of a nozzle of the given radius: constant under the nozzle, falling outside as (r/R)^-1.3 and R/r (physics
// study, 1.2; the exponents are fits, from memory of wall-jet measurements).
func jetAt(r, radius float64) (reach, mix float64) {
	if r <= radius {
		return 1, 1
	}
	return math.Pow(r/radius, -1.3), radius / r
}

// jetOver returns the means of jetAt over a cell whose corners are seen from the axis, and the share of the cell that is
// under the nozzle. A point in the middle would not do: large cells straddle the rim.
func jetOver(cell rect, radius float64) (reach, mix, under float64) {
	const n = 6
	for i := range n * n {
		x := cell.x0 + (cell.x1-cell.x0)*(float64(i%n)+0.5)/n
		y := cell.y0 + (cell.y1-cell.y0)*(float64(i/n)+0.5)/n
		r := math.Hypot(x, y)
		s, m := jetAt(r, radius)
		reach += s / (n * n)
		mix += s * m / (n * n)
		if r <= radius {
			under += 1.0 / (n * n)
		}
	}
	return reach, mix / reach, under // mix is weighed with the strength it comes with
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
