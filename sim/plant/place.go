package plant

import "math"

// openToRadiation computes what every surface sees: emitters and deck from below, nozzle wall and room from above.
// Whatever of a cell's view is not filled by an emitter is deck; whatever of an emitter's view is not filled by the
// board is spill. The bottom nozzle hides nothing: its mouth is small against the emitters and cooler than they are.
func (p *Plant) openToRadiation() {
	p.fourth, p.deckView = make([]float64, p.columns), make([]float64, p.columns)
	seen := make([]float64, p.columns) // area times view factor to all emitters, m²
	for k := range p.m.Banks {
		bank := &p.m.Banks[k]
		z := bank.Below * 1e-3
		for _, at := range bank.Emitters {
			face := centred(at.X*1e-3-p.b.OffsetX*1e-3, at.Y*1e-3-p.b.OffsetY*1e-3, bank.SizeX*1e-3, bank.SizeY*1e-3)
			e := emitter{
				bank: k, t: p.ambient, capacity: bank.Heat, power: bank.Power, view: make([]float64, p.columns),
				air: bank.Convection * face.area(), fans: p.m.Fans.Bottom * face.area(),
			}
			all := 0.0
			for i := range e.view {
				view := exchange(face, cellRect(&p.x, &p.y, i), z, z/2)
				seen[i] += view
				all += view
				e.view[i] = bank.Emissivity * p.b.Emissivity * sigma * view
				e.viewSum += e.view[i]
			}
			// Rounding of the sums must not make an area negative.
			e.spill = bank.Emissivity * sigma * max(0, face.area()-all+bank.Back*face.area())
			p.emitters = append(p.emitters, e)
		}
	}
	for i := range p.deckView {
		p.deckView[i] = p.b.Emissivity * sigma * max(0, cellRect(&p.x, &p.y, i).area()-seen[i])
	}
	f := func(n int) []float64 { return make([]float64, n) }
	p.overSky = face{s: p.over.s, wall: f(p.columns), room: f(p.columns)}
	p.lidSky = face{s: p.lid.s, wall: f(len(p.stack.col)), room: f(len(p.stack.col))}
	radius := p.nozzleRadius(&p.m.Top)
	for i, area := range p.over.area {
		_, _, under := jetOver(p.fromAxis(i), radius)
		p.overSky.wall[i], p.overSky.room[i] = skyView(area, p.b.Emissivity, under)
	}
	for i, c := range p.stack.col {
		_, _, under := jetOver(p.fromAxis(int(c)), radius)
		p.lidSky.wall[i], p.lidSky.room[i] = skyView(p.lid.area[i], p.b.Package.Emissivity, under)
	}
}

// skyView returns the radiative coupling, in W/K⁴, of an upward surface to the nozzle wall and to the room, under being
// the share of it that lies under the nozzle.
func skyView(area, emissivity, under float64) (wall, room float64) {
	seen := wallView * under
	return seen * facing(emissivity, wallEmissivity) * sigma * area, (1 - seen) * emissivity * sigma * area
}

// roomiest returns the direction from the part in which the board reaches farthest, as a unit step, and how far that is from the part's edge, in m.
func (p *Plant) roomiest() (dx, dy, room float64) {
	x, y := &p.x.edge, &p.y.edge
	px, py := p.b.Package.SizeX/2*1e-3, p.b.Package.SizeY/2*1e-3
	best := [...]struct{ dx, dy, room float64 }{
		{1, 0, (*x)[len(*x)-1] - px}, {-1, 0, -(*x)[0] - px}, {0, 1, (*y)[len(*y)-1] - py}, {0, -1, -(*y)[0] - py},
	}
	most := best[0]
	for _, b := range best[1:] {
		if b.room > most.room+1e-9 {
			most = b
		}
	}
	return most.dx, most.dy, most.room
}

// placeNeighbour stands the neighbour beside the part and finds the spot of the board thermocouple, both on the side
// where there is most board. The neighbour is one lump of moulded body: its heat goes to the nearest one or two cells,
// which is coarse (see TestTheUsualMeshIsFineEnough), its air is that of its own place.
func (p *Plant) placeNeighbour() {
	n := &p.b.Neighbour
	dx, dy, room := p.roomiest()
	px, py := p.b.Package.SizeX/2*1e-3, p.b.Package.SizeY/2*1e-3
	w, d, h := n.SizeX*1e-3, n.SizeY*1e-3, n.Height*1e-3
	out := n.Gap*1e-3 + (w*math.Abs(dx)+d*math.Abs(dy))/2
	x, y := dx*(px+out), dy*(py+out)
	p.beside = component{t: p.ambient, capacity: w * d * h * mouldRhoC, area: w*d + 2*(w+d)*h, on: p.between(x, y, dx != 0)}
	p.besideAt = centred(x+p.b.OffsetX*1e-3, y+p.b.OffsetY*1e-3, w, d)
	p.beside.reach, p.beside.mix, _ = jetOver(p.besideAt, p.nozzleRadius(&p.m.Top))
	// The board thermocouple sits 25 mm out, or 3 mm from the rim of a smaller board.
	gap := min(nearGap, room-0.003)
	// An explicit step must not overshoot: at least five steps of 100 ms per time constant of the smallest component.
	p.beside.joint = min(jointPads*w*d, 2*p.beside.capacity)
	p.near = p.between(dx*(px+gap), dy*(py+gap), dx != 0)
}

// between returns the two cells whose middles enclose the place x, y, along x or along y.
func (p *Plant) between(x, y float64, alongX bool) nearSpot {
	cx, cy, nx := p.x.find(x), p.y.find(y), p.x.cells()
	a, c, at := &p.x, cx, x
	if !alongX {
		a, c, at = &p.y, cy, y
	}
	other := c + 1
	if at < a.centre(c) {
		other = c - 1
	}
	n := nearSpot{a: cy*nx + cx}
	n.b = n.a
	if other < 0 || other >= a.cells() {
		return n
	}
	n.b += other - c
	if !alongX {
		n.b = n.a + (other-c)*nx
	}
	n.mix = (at - a.centre(c)) / (a.centre(other) - a.centre(c))
	return n
}

// attach fixes the thermocouples as the board and machine files say.
func (p *Plant) attach() {
	c := &p.b.Couples
	as := [spots]Attachment{
		Corner: {Lag: c.JointLag, Stem: c.JointStem}, Centre: {Lag: c.JointLag, Stem: c.JointStem},
		PackageTop: {Lag: c.TopLag, Stem: c.TopAir}, BoardNear: {Lag: c.BoardLag, Stem: c.BoardAir}, Neighbour: {Lag: c.BoardLag, Stem: c.BoardAir},
		NozzleTop: {Lag: p.m.Top.SensorLag}, NozzleBottom: {Lag: p.m.Bottom.SensorLag},
	}
	for k := range p.m.Banks {
		as[int(Bank0)+k].Lag = p.m.Banks[k].SensorLag
	}
	for s := range p.probes {
		p.probes[s] = probe{a: as[s], t: p.ambient}
	}
}
