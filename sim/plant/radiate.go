package plant

import "math"

// sigma is the Stefan–Boltzmann constant in W/m²K⁴ (CODATA 2018, exact).
const sigma = 5.670374419e-8

const zeroC = 273.15 // 0 °C in K

// pow4 returns the fourth power of the absolute temperature of t °C.
func pow4(t float64) float64 {
	k := t + zeroC
	k *= k
	return k * k
}

// facing returns the effective emissivity of two large grey plates face to face, all reflections included
// (Incropera and DeWitt, 6th ed., eq. 13.19). It is used where surfaces nearly touch: nozzle mouth over board.
func facing(e1, e2 float64) float64 { return 1 / (1/e1 + 1/e2 - 1) }

// exchange returns area times view factor, in m², between two parallel rectangles z apart that face each other:
// the integral of z²/(π r⁴) over both (parallel faces, no re-reflection). Each side is cut into panels no larger
// than most, with two Gauss points per panel and direction.
func exchange(a, b rect, z, most float64) float64 {
	ax, ay := points(a.x0, a.x1, most), points(a.y0, a.y1, most)
	bx, by := points(b.x0, b.x1, most), points(b.y0, b.y1, most)
	sum := 0.0
	for _, x := range ax {
		for _, u := range bx {
			dx2 := (x.at-u.at)*(x.at-u.at) + z*z
			line := 0.0
			for _, y := range ay {
				for _, v := range by {
					r2 := dx2 + (y.at-v.at)*(y.at-v.at)
					line += y.w * v.w / (r2 * r2)
				}
			}
			sum += x.w * u.w * line
		}
	}
	return sum * z * z / math.Pi
}

// point is a quadrature point with its weight.
type point struct{ at, w float64 }

// points returns the two-point Gauss rule on each of the panels that cut lo…hi.
func points(lo, hi, most float64) []point {
	n := max(1, int(math.Ceil((hi-lo)/most-1e-9)))
	h := (hi - lo) / float64(n)
	off := h / (2 * math.Sqrt(3))
	out := make([]point, 0, 2*n)
	for i := range n {
		mid := lo + (float64(i)+0.5)*h
		out = append(out, point{mid - off, h / 2}, point{mid + off, h / 2})
	}
	return out
}

// emitter is the state of one area emitter.
type emitter struct {
	bank     int
	t        float64   // °C
	capacity float64   // J/K
	power    float64   // rated, W
	view     []float64 // per board column: εε·σ·area·view factor, W/K⁴
	viewSum  float64
	spill    float64 // ε·σ·(area that does not see the board, and the back), W/K⁴
	air      float64 // to the deck by convection, W/K
	fans     float64 // to the room with the board fans at full speed, which blow between board and emitters too, W/K
}

// glow exchanges radiation between emitters, deck and the board's underside, for h seconds, and advances the emitters
// by it. It adds to b.heat and returns the heat that reached the deck and the room, in J.
func (p *Plant) glow(h float64, under *sheet) (toDeck, toRoom float64) {
	t4, fourth := p.fourth, pow4(p.deck)
	n := len(under.t)
	t4, rest, heat := t4[:n], p.deckView[:n], under.heat[:n]
	toBoard := 0.0
	for i, t := range under.t {
		x := t + zeroC
		x *= x
		x *= x
		t4[i] = x
		heat[i] = rest[i] * (fourth - x)
		toBoard += heat[i]
	}
	toDeck = -toBoard * h
	for k := range p.emitters {
		e := &p.emitters[k]
		te4 := pow4(e.t)
		net := e.viewSum*te4 - shine(heat, e.view[:n], t4, te4)
		spill := e.spill*(te4-fourth) + e.air*(e.t-p.deck)
		share := p.m.Deck.Share
		if spill < 0 { // a cooling emitter draws only on the warm deck
			share = 1
		}
		toDeck += share * spill * h
		toRoom += (1 - share) * spill * h
		blown := e.fans * p.fan7 * (e.t - p.ambient)
		toRoom += blown * h
		e.t -= (net + spill + blown) * h / e.capacity
	}
	return toDeck, toRoom
}

// shine adds to heat what an emitter at te4 sends to each cell and returns what the cells send back, in W.
// Two sums run side by side because one would wait for its own last addition.
func shine(heat, view, t4 []float64, te4 float64) float64 {
	n := len(heat)
	view, t4 = view[:n], t4[:n]
	even, odd := 0.0, 0.0
	i := 0
	for ; i+1 < n; i += 2 {
		v, w := view[i], view[i+1]
		b, c := v*t4[i], w*t4[i+1]
		heat[i] += v*te4 - b
		heat[i+1] += w*te4 - c
		even += b
		odd += c
	}
	if i < n {
		b := view[i] * t4[i]
		heat[i] += view[i]*te4 - b
		even += b
	}
	return even + odd
}

// face is an upward surface that radiates to the nozzle wall and to the room.
type face struct {
	s          *sheet
	wall, room []float64 // ε·σ·area·view, W/K⁴
}

// radiate sets s.heat to the radiation received, and returns what the wall and the room received, in W.
func (f *face) radiate(wall, ambient float64) (toWall, toRoom float64) {
	w4, a4 := pow4(wall), pow4(ambient)
	n := len(f.s.t)
	vw, vr, heat := f.wall[:n], f.room[:n], f.s.heat[:n]
	for i, t := range f.s.t {
		x := t + zeroC
		x *= x
		x *= x
		fromWall, fromRoom := vw[i]*(w4-x), vr[i]*(a4-x)
		heat[i] = fromWall + fromRoom
		toWall -= fromWall
		toRoom -= fromRoom
	}
	return toWall, toRoom
}
