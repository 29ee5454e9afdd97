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

// partCells is how many cells lie under the part in each direction: odd, so that one is in the middle.
const partCells = 7

// Shares of the part's width per cell. Large parts get narrower outer cells, so that the outer cell stands for the
// outer balls; small ones are cooler by little and would only force shorter steps.
var (
	evenShares   = [partCells]float64{1. / 7, 1. / 7, 1. / 7, 1. / 7, 1. / 7, 1. / 7, 1. / 7}
	gradedShares = [partCells]float64{0.10, 0.14, 0.17, 0.18, 0.17, 0.14, 0.10}
)

// newAxis cuts one direction: lo and hi are the board's edges seen from the part's centre, part the part's width, in m.
// Outside the part the cells grow by no more than a factor of about two each.
func newAxis(lo, hi, part float64) axis {
	shares := &evenShares
	if part >= 0.025 {
		shares = &gradedShares
	}
	left := outward(-part/2-lo, shares[0]*part)
	right := outward(hi-part/2, shares[partCells-1]*part)
	a := axis{first: len(left), part: partCells}
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

// outward returns the widths of the cells that fill room, the first one next to a cell of width w.
func outward(room, w float64) []float64 {
	n, span := 1, 2*w
	for span < room && n < 6 {
		n++
		span += w * math.Pow(2, float64(n))
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
