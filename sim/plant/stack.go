package plant

// sheet is one layer of cells with heat conduction in its plane. Cells are stored row by row, x running fastest.
type sheet struct {
	nx, ny int
	t      []float64 // temperature, °C
	c      []float64 // heat capacity at 25 °C, J/K
	warmer float64   // growth of c per kelvin
	gx     []float64 // conductance to the next cell in x, W/K; the last of each row is unused
	gy     []float64 // conductance to the next cell in y, W/K; the last row is absent
	heat   []float64 // heat put in from outside (radiation, components), W, held between refreshes
	q      []float64 // heat flowing in during this sub-step, W
	gs     []float64 // conductance to the air and the room, W/K
	src    []float64 // gs times the temperature on the other side, plus what a jet adds, W
}

func newSheet(nx, ny int, warmer float64) sheet {
	n := nx * ny
	return sheet{
		nx: nx, ny: ny, warmer: warmer, t: make([]float64, n), c: make([]float64, n), gx: make([]float64, n), gy: make([]float64, n-nx),
		heat: make([]float64, n), q: make([]float64, n), gs: make([]float64, n), src: make([]float64, n),
	}
}

// spread sets q to the heat that the neighbours in the sheet and the outside send into each cell.
func (s *sheet) spread() {
	nx := s.nx
	for lo := 0; lo < len(s.t); lo += nx {
		t := s.t[lo : lo+nx]
		g, heat, q := s.gx[lo:lo+nx], s.heat[lo:lo+nx], s.q[lo:lo+nx]
		in, here := 0.0, t[0]
		for i, next := range t[1:] {
			out := g[i] * (here - next)
			q[i] = heat[i] + in - out
			in, here = out, next
		}
		q[nx-1] = heat[nx-1] + in
	}
	gy := s.gy
	t, above := s.t[:len(gy)], s.t[nx:nx+len(gy)]
	q, qAbove := s.q[:len(gy)], s.q[nx:nx+len(gy)]
	for i, g := range gy {
		f := g * (t[i] - above[i])
		q[i] -= f
		qAbove[i] += f
	}
}

// fastest returns the largest ratio of in-plane conductance to heat capacity, in 1/s: one explicit step must stay
// below its inverse, or neighbouring cells overshoot each other.
func (s *sheet) fastest() float64 {
	worst := 0.0
	for i := range s.t {
		g := 0.0
		if x := i % s.nx; x > 0 {
			g += s.gx[i-1]
		}
		if i%s.nx < s.nx-1 {
			g += s.gx[i]
		}
		if i >= s.nx {
			g += s.gy[i-s.nx]
		}
		if i < len(s.gy) {
			g += s.gy[i]
		}
		worst = max(worst, g/s.c[i])
	}
	return worst
}

// toAir returns the heat that leaves the sheet through gs at the present temperatures, in W.
func (s *sheet) toAir() float64 {
	sum := 0.0
	gs, src := s.gs[:len(s.t)], s.src[:len(s.t)]
	for i, t := range s.t {
		sum += gs[i]*t - src[i]
	}
	return sum
}

// stored returns the heat in the sheet above what it held at t0, in J.
func (s *sheet) stored(t0 float64) float64 {
	sum := 0.0
	for i, t := range s.t {
		a, b := t-25, t0-25
		sum += s.c[i] * (t - t0 + s.warmer/2*(a*a-b*b))
	}
	return sum
}

// stack is a board of one or more sheets, joined through its thickness, with a package standing on part of it:
// balls, substrate, top. In plane it steps explicitly, through the thickness implicitly, so that thin layers and
// solder balls, which settle in milliseconds, do not dictate the step.
type stack struct {
	board []sheet     // from the underside up
	gz    [][]float64 // between board sheet k and k+1, W/K
	hold  [][]float64 // sum of all vertical conductances of a cell, W/K
	r     [][]float64 // eliminated right-hand sides
	inv   [][]float64 // inverse of the eliminated diagonals

	col      []int32 // the board column under each package cell; empty without a package
	balls    balls
	sub, top sheet
	gst      []float64 // substrate to top, W/K
	rTop     []float64
	invTop   []float64
}

// balls is the solder layer. Its state is enthalpy, because while it melts temperature does not tell how much is molten.
type balls struct {
	e        []float64 // enthalpy above solid at the solidus, J
	t        []float64 // temperature, °C, follows from e
	c        []float64 // heat capacity, solid and liquid alike, J/K
	melt     []float64 // enthalpy from solidus to liquidus, J
	down     []float64 // to the board, W/K
	up       []float64 // to the substrate, W/K
	solidus  float64
	liquidus float64
}

// newStack returns a stack whose sheets still lack capacities and conductances; without a package pw and ph are 0.
func newStack(nx, ny, layers int, pw, ph int) *stack {
	s := &stack{board: make([]sheet, layers), gz: make([][]float64, layers-1)}
	n, m := nx*ny, pw*ph
	for k := range s.board {
		s.board[k] = newSheet(nx, ny, 0)
		s.hold, s.r, s.inv = append(s.hold, make([]float64, n)), append(s.r, make([]float64, n)), append(s.inv, make([]float64, n))
	}
	for k := range s.gz {
		s.gz[k] = make([]float64, n)
	}
	if m == 0 {
		return s
	}
	s.col = make([]int32, m)
	s.sub, s.top = newSheet(pw, ph, warmerCapacity), newSheet(pw, ph, warmerCapacity)
	f := func() []float64 { return make([]float64, m) }
	s.gst, s.rTop, s.invTop = f(), f(), f()
	s.balls = balls{e: f(), t: f(), c: f(), melt: f(), down: f(), up: f()}
	return s
}

// join adds up the vertical conductances; call it once after all conductances are set.
func (s *stack) join() {
	for k, hold := range s.hold {
		for i := range hold {
			hold[i] = 0
			if k > 0 {
				hold[i] += s.gz[k-1][i]
			}
			if k < len(s.gz) {
				hold[i] += s.gz[k][i]
			}
		}
	}
	for i, c := range s.col {
		s.hold[len(s.hold)-1][c] += s.balls.down[i]
	}
}

// set brings everything to one temperature.
func (s *stack) set(t float64) {
	for k := range s.board {
		fill(s.board[k].t, t)
	}
	fill(s.sub.t, t)
	fill(s.top.t, t)
	b := &s.balls
	for i := range b.t {
		b.t[i] = t
		b.e[i] = b.enthalpy(i, t)
	}
}

func fill(a []float64, v float64) {
	for i := range a {
		a[i] = v
	}
}

// enthalpy returns the enthalpy at which cell i has temperature t.
func (b *balls) enthalpy(i int, t float64) float64 {
	switch {
	case t <= b.solidus:
		return b.c[i] * (t - b.solidus)
	case t >= b.liquidus:
		return b.melt[i] + b.c[i]*(t-b.liquidus)
	}
	return b.melt[i] * (t - b.solidus) / (b.liquidus - b.solidus)
}

// molten returns the liquid share of cell i, 0…1.
func (b *balls) molten(i int) float64 { return max(0, min(1, b.e[i]/b.melt[i])) }

// settle advances cell i by h seconds with heat a − g·T flowing in, T being the temperature at the end of the step.
// Enthalpy is piecewise linear in temperature, so the implicit equation is solved exactly by finding the right piece.
func (b *balls) settle(i int, h, a, g float64) {
	c, melt := b.c[i], b.melt[i]
	hg := h * g
	width := b.liquidus - b.solidus
	x := b.e[i] + h*a - hg*b.solidus
	switch {
	case x <= 0:
		e := x / (1 + hg/c)
		b.e[i], b.t[i] = e, b.solidus+e/c
	case x <= melt+hg*width:
		e := x / (1 + hg*width/melt)
		b.e[i], b.t[i] = e, b.solidus+e*width/melt
	default:
		over := (x - melt - hg*width) / (1 + hg/c)
		b.e[i], b.t[i] = melt+over, b.liquidus+over/c
	}
}

// step advances the stack by h seconds and returns the heat that left it to the air meanwhile, in J.
func (s *stack) step(h float64) float64 {
	for k := range s.board {
		s.board[k].spread()
	}
	rate := 1 / h
	s.eliminate(rate)
	if len(s.col) > 0 {
		s.sub.spread()
		s.top.spread()
		s.settlePart(h, rate)
	}
	lost := 0.0
	for k := len(s.board) - 1; k >= 0; k-- {
		if k < len(s.gz) { // the uppermost sheet is already solved
			t, up := s.board[k].t, s.board[k+1].t
			r, inv, gz := s.r[k][:len(t)], s.inv[k][:len(t)], s.gz[k][:len(t)]
			up = up[:len(t)]
			for i := range t {
				t[i] = (r[i] + gz[i]*up[i]) * inv[i]
			}
		}
		lost += s.board[k].toAir()
	}
	if len(s.col) > 0 {
		lost += s.top.toAir()
	}
	return lost * h
}

// The loops below are most of a simulated run. They go over all columns layer by layer, so that the divisions of
// neighbouring columns overlap in the processor, and their slices are cut to one length, so that no bounds are checked.

// eliminate folds each column of the board into its uppermost cell, from the underside up, and solves the columns
// that end there. Columns under the package get their final temperature from settlePart.
func (s *stack) eliminate(rate float64) {
	for k := range s.board {
		b := &s.board[k]
		t := b.t
		n := len(t)
		c, q, gs, src := b.c[:n], b.q[:n], b.gs[:n], b.src[:n]
		hold, r, inv := s.hold[k][:n], s.r[k][:n], s.inv[k][:n]
		base, slope := rate*(1-25*b.warmer), rate*b.warmer // capacity over step is c·(base + slope·t)
		if k == 0 {
			for i, ti := range t {
				a := c[i] * (base + slope*ti)
				r[i] = a*ti + q[i] + src[i]
				inv[i] = 1 / (a + hold[i] + gs[i])
			}
			continue
		}
		gz, below, rBelow := s.gz[k-1][:n], s.inv[k-1][:n], s.r[k-1][:n]
		for i, ti := range t {
			a := c[i] * (base + slope*ti)
			w := gz[i] * below[i]
			r[i] = a*ti + q[i] + src[i] + w*rBelow[i]
			inv[i] = 1 / (a + hold[i] + gs[i] - gz[i]*w)
		}
	}
	last := len(s.board) - 1
	t := s.board[last].t
	r, inv := s.r[last][:len(t)], s.inv[last][:len(t)]
	for i := range t {
		t[i] = r[i] * inv[i]
	}
}

// settlePart folds top and substrate from above and the board from below into the ball between them, solves the
// ball with its melting, and puts the temperatures back.
func (s *stack) settlePart(h, rate float64) {
	n := len(s.col)
	last := len(s.board) - 1
	tBoard, rBoard, invBoard := s.board[last].t, s.r[last], s.inv[last]
	sub, top, b := &s.sub, &s.top, &s.balls
	tSub, tTop := sub.t[:n], top.t[:n]
	down, up, gst, rTop, invTop := b.down[:n], b.up[:n], s.gst[:n], s.rTop[:n], s.invTop[:n]
	base, slope := rate*(1-25*warmerCapacity), rate*warmerCapacity
	for i := range n {
		a := top.c[i] * (base + slope*tTop[i])
		rTop[i] = a*tTop[i] + top.q[i] + top.src[i]
		invTop[i] = 1 / (a + gst[i] + top.gs[i])
	}
	for i := range n {
		w := gst[i] * invTop[i]
		a := sub.c[i] * (base + slope*tSub[i])
		rSub := a*tSub[i] + sub.q[i] + w*rTop[i]
		invSub := 1 / (a + gst[i] + up[i] - gst[i]*w)
		j := s.col[i]
		fromBoard, fromSub := down[i]*invBoard[j], up[i]*invSub
		b.settle(i, h, fromBoard*rBoard[j]+fromSub*rSub, down[i]*(1-fromBoard)+up[i]*(1-fromSub))
		t := b.t[i]
		tBoard[j] = (rBoard[j] + down[i]*t) * invBoard[j]
		tSub[i] = (rSub + up[i]*t) * invSub
		tTop[i] = (rTop[i] + gst[i]*tSub[i]) * invTop[i]
	}
}

// stored returns the heat in board and package above what they held at t0, in J.
func (s *stack) stored(t0 float64) float64 {
	sum := s.sub.stored(t0) + s.top.stored(t0)
	for k := range s.board {
		sum += s.board[k].stored(t0)
	}
	for i, e := range s.balls.e {
		sum += e - s.balls.enthalpy(i, t0)
	}
	return sum
}

// longest returns the longest stable step in s: the inverse of the fastest in-plane exchange, with a fifth to spare.
func (s *stack) longest() float64 {
	worst := 1e-9
	for k := range s.board {
		worst = max(worst, s.board[k].fastest())
	}
	if len(s.col) > 0 {
		worst = max(worst, s.sub.fastest(), s.top.fastest())
	}
	return 0.8 / worst
}
