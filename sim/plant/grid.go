package plant

import "math"

// axis is one direction of the grid: cell edges in m, the origin under the centre of the part.
type axis struct {
	edge        []float64
	first, part int // the first cell under the part, and how many there are
}

func (a *axis) cells() int           { return len(a.edge) - 1 }
func (a *axis) width(i int) float64  { return a.edge[i+1] - a.edge[i] }
func (a *axis) centre(i int) float64 { return (a.edge[i] + a.edge[i+1]) / 2 }

// find returns the cell that contains x, or the nearest one.
func (a *axis) find(x float64) int {
	for i := 1; i < len(a.edge)-1; i++ {
		if x < a.edge[i] {
			return i - 1
		}
	}
	return a.cells() - 1
}

// mesh says how finely a board is cut. Only tests use another than usual.
type mesh struct {
	part   int     // cells under the part in each direction: odd, so that one is in the middle
	layers int     // sheets in a laminate board, at least two: its faces must be able to differ
	growth float64 // the most by which cells outside the part grow from one to the next
}

// usual is a compromise: TestTheUsualMeshIsFineEnough says what a finer one would change.
func usual() mesh { return mesh{part: 7, layers: 2, growth: 1.7} }

// shares returns the widths of the cells under a part of width part, in m, relative to it. Large parts get narrower
// outer cells, so that the outer cell stands for the outer balls; small ones are cooler there by little, and narrow
// cells would only force shorter steps.
func (m mesh) shares(part float64) []float64 {
	w := make([]float64, m.part)
	sum := 0.0
	for i := range w {
		w[i] = 1
		if part >= 0.025 {
			// from 0.55 at the rim to 1 in the middle
			x := (float64(i)+0.5)/float64(m.part)*2 - 1
			w[i] = 1 - 0.6*x*x
		}
		sum += w[i]
	}
	for i := range w {
		w[i] /= sum
	}
	return w
}

// newAxis cuts one direction: lo and hi are the board's edges seen from the part's centre, part the part's width, in m.
func newAxis(lo, hi, part float64, m mesh) axis {
	shares := m.shares(part)
	left := outward(-part/2-lo, shares[0]*part, m.growth)
	right := outward(hi-part/2, shares[0]*part, m.growth)
	a := axis{first: len(left), part: m.part}
	a.edge = append(a.edge, lo)
	for i := len(left) - 1; i >= 0; i-- {
		a.edge = append(a.edge, a.edge[len(a.edge)-1]+left[i])
	}
	a.edge[len(left)] = -part / 2 // exactly, whatever the rounding of the sum
	for _, share := range shares {
		a.edge = append(a.edge, a.edge[len(a.edge)-1]+share*part)
	}
	for _, w := range right {
		a.edge = append(a.edge, a.edge[len(a.edge)-1]+w)
	}
	a.edge[len(a.edge)-1] = hi
	return a
}

// outward returns the widths of the cells that fill room, the first one next to a cell of width w, as few as the
// growth allows.
func outward(room, w, growth float64) []float64 {
	n, span := 1, growth*w
	for span < room && n < 30 {
		n++
		span += w * math.Pow(growth, float64(n))
	}
	// Find the growth factor that fills the room exactly; the sum grows steadily with the factor.
	sum := func(f float64) float64 {
		s, x := 0.0, w
		for range n {
			x *= f
			s += x
		}
		return s
	}
	lo, hi := 0.01, 20.0
	for range 60 {
		if mid := (lo + hi) / 2; sum(mid) < room {
			lo = mid
		} else {
			hi = mid
		}
	}
	widths, x := make([]float64, n), w
	for i := range widths {
		x *= lo
		widths[i] = x
	}
	return widths
}

// rect is an axis-parallel rectangle, in m.
type rect struct{ x0, y0, x1, y1 float64 }

func (r rect) area() float64 { return max(0, r.x1-r.x0) * max(0, r.y1-r.y0) }

// overlap returns the area that r and o share.
func (r rect) overlap(o rect) float64 {
	return rect{max(r.x0, o.x0), max(r.y0, o.y0), min(r.x1, o.x1), min(r.y1, o.y1)}.area()
}

// centred returns a rectangle of size w by h about x, y.
func centred(x, y, w, h float64) rect { return rect{x - w/2, y - h/2, x + w/2, y + h/2} }

// cell returns the rectangle of column i.
func cellRect(x, y *axis, i int) rect {
	cx, cy := i%x.cells(), i/x.cells()
	return rect{x.edge[cx], y.edge[cy], x.edge[cx+1], y.edge[cy+1]}
}
