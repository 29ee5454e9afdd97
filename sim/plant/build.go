package plant

import (
	"errors"
	"fmt"
	"strings"

	"trivet/process/unit"
)

// Coefficients of the assembly; physics study, judgements unless noted.
const (
	edgeH       = 15.0   // rim of the board to the air, W/m²K
	dieContact  = 1.5e4  // thermal interface between die and lid, W/m²K
	footBond    = 1e-4   // adhesive under the lid's foot, m²K/W
	footWidth   = 3e-3   // of the lid's foot along the edge, m
	wallView    = 0.6    // share of the view of a surface under the nozzle that is hot nozzle wall
	nearGap     = 0.025  // board thermocouple from the edge of the part, m
	jointPads   = 1500.0 // leads and pads of the neighbour, W/m²K of its footprint
	fitNozzle   = 0.62   // radius of a fitted nozzle relative to the longer side of the part
	leastNozzle = 0.018  // m
	longestSub  = 0.05   // s: keeps the time at which a cell stops melting good to a few hundredths of a second
	subLimit    = 0.004  // s: a board that needs shorter sub-steps is refused as too finely built
)

// New returns machine m with board b on it, everything at ambient. It fails with every problem that Validate finds, or
// when part, nozzle or neighbour do not fit; ambient must lie in −10…60 °C.
func New(m Machine, b Board, ambient unit.Celsius) (*Plant, error) {
	return newMeshed(m, b, ambient, usual())
}

// newMeshed is New with a mesh of choice.
func newMeshed(m Machine, b Board, ambient unit.Celsius, cut mesh) (*Plant, error) {
	problems := append(m.Validate(), b.Validate()...)
	if !(ambient >= -10 && ambient <= 60) {
		problems = append(problems, Problem{Key: "ambient", What: fmt.Sprintf("is %g °C, allowed -10…60 °C", float64(ambient))})
	}
	if len(problems) > 0 {
		lines := make([]string, len(problems))
		for i, p := range problems {
			lines[i] = p.String()
		}
		return nil, errors.New("plant: " + strings.Join(lines, "; "))
	}
	m.Banks = append([]Bank(nil), m.Banks...) // the caller may go on editing
	p := &Plant{m: m, b: b, ambient: float64(ambient), mesh: cut, deck: float64(ambient), banks: len(m.Banks), disturbance: Undisturbed()}
	for k, d := range [...]*Head{&p.m.Top, &p.m.Bottom} {
		p.heads[k] = head{d: d, element: p.ambient, wall: p.ambient, air: p.ambient, flow65: -1}
	}
	p.airKey[0] = -1

	p.cut()
	p.layBoard()
	p.layPackage()
	p.stack.join()
	p.stack.set(p.ambient)
	p.openToAir()
	p.openToRadiation()
	p.placeNeighbour()
	p.attach()
	p.sub = min(p.stack.longest(), longestSub)
	if p.sub < subLimit {
		return nil, fmt.Errorf("plant: board %q conducts so well over so little that it needs steps of %.1f ms, allowed from %.0f ms: make the part larger or its layers thinner in copper", b.Name, p.sub*1e3, subLimit*1e3)
	}
	return p, nil
}

// cut lays the grid over the board. The origin is under the centre of the part, so that cells end where the part ends;
// the offset from the nozzles' axis comes in only where air and emitters do.
func (p *Plant) cut() {
	b, q := &p.b, &p.b.Package
	p.layers = b.layers(p.mesh.layers)
	p.x = newAxis((-b.SizeX/2-q.X)*1e-3, (b.SizeX/2-q.X)*1e-3, q.SizeX*1e-3, p.mesh)
	p.y = newAxis((-b.SizeY/2-q.Y)*1e-3, (b.SizeY/2-q.Y)*1e-3, q.SizeY*1e-3, p.mesh)
	p.columns = p.x.cells() * p.y.cells()
	p.stack = newStack(p.x.cells(), p.y.cells(), len(p.layers), p.mesh.part, p.mesh.part)
	n := p.mesh.part
	p.corner, p.centre = 0, n*n/2
	for i := range p.stack.col {
		p.stack.col[i] = int32((p.y.first+i/n)*p.x.cells() + p.x.first + i%n)
	}
}

// lateral fills the in-plane conductances of a sheet whose first cell is x0, y0 of the axes; kThick is conductivity
// times thickness in W/K, the same everywhere in a sheet.
func lateral(s *sheet, x, y *axis, x0, y0 int, kThick float64) {
	for i := range s.t {
		cx, cy := x0+i%s.nx, y0+i/s.nx
		if i%s.nx < s.nx-1 {
			s.gx[i] = kThick * y.width(cy) / (x.centre(cx+1) - x.centre(cx))
		}
		if i < len(s.gy) {
			s.gy[i] = kThick * x.width(cx) / (y.centre(cy+1) - y.centre(cy))
		}
	}
}

// layBoard fills capacities and conductances of the board.
func (p *Plant) layBoard() {
	layers := p.layers
	under := make([]bool, p.columns)
	for _, c := range p.stack.col {
		under[c] = true
	}
	for k, l := range layers {
		s := &p.stack.board[k]
		s.warmer = l.warmer
		lateral(s, &p.x, &p.y, 0, 0, l.k*l.thick)
		for i := range s.c {
			area := cellRect(&p.x, &p.y, i).area()
			s.c[i] = l.rhoC * l.thick * area
			if k+1 == len(layers) {
				continue
			}
			// Half of each layer lies between the middles of the two, one after the other.
			up, kHere, kUp := layers[k+1], l.through, layers[k+1].through
			if under[i] {
				kHere, kUp = l.under, up.under
			}
			p.stack.gz[k][i] = area / (l.thick/2/kHere + up.thick/2/kUp)
		}
	}
}

// layPackage fills capacities and conductances of balls, substrate and top (physics study). Each kind of package is
// two layers, substrate and top, that differ in what they are made of and in how they touch:
//
//	moulded: compound on laminate, touching everywhere
//	lidded:  a metal lid on laminate, touching over the die and along a foot at the edge, an air gap elsewhere
//	ceramic: both layers are ceramic
//
// Its sides are left out: a twentieth of its surface, and mostly in the shelter of the nozzle.
func (p *Plant) layPackage() {
	q, s := &p.b.Package, p.stack
	subThick, topThick, gap := q.Substrate*1e-3, (q.Thickness-q.Substrate)*1e-3, 0.0
	subRhoC, subK, subIn := substrateRhoC, substrateK, substrateInK
	topRhoC, topK := mouldRhoC, mouldK
	switch q.Kind {
	case KindLidded:
		gap, topThick = topThick-q.Lid*1e-3, q.Lid*1e-3
		topRhoC, topK = copperRhoC, copperK
	case KindCeramic:
		subRhoC, subK, subIn, topRhoC, topK = ceramicRhoC, ceramicK, ceramicK, ceramicRhoC, ceramicK
	}
	lateral(&s.sub, &p.x, &p.y, p.x.first, p.y.first, subIn*subThick)
	lateral(&s.top, &p.x, &p.y, p.x.first, p.y.first, topK*topThick)

	fill, height := q.Fill, q.Ball*1e-3
	sensible, latent := solderCapacity(fill, height)
	b := &s.balls
	b.solidus, b.liquidus = q.Solidus, max(q.Liquidus, q.Solidus+narrowestMelt)
	face := p.layers[len(p.layers)-1]
	half := height / 2 / (fill * solderK) // m²K/W; between the balls is air, which carries nothing by comparison
	die, inside := centred(0, 0, q.DieX*1e-3, q.DieY*1e-3), centred(0, 0, q.SizeX*1e-3-2*footWidth, q.SizeY*1e-3-2*footWidth)
	for i, c := range s.col {
		cell := cellRect(&p.x, &p.y, int(c))
		area := cell.area()
		b.c[i], b.melt[i] = sensible*area, (latent+sensible*(b.liquidus-b.solidus))*area
		b.down[i] = area / (face.thick/2/face.under + half)
		b.up[i] = area / (half + subThick/2/subK)
		s.sub.c[i], s.top.c[i] = subRhoC*subThick*area, topRhoC*topThick*area
		buried := subThick/2/subK + topThick/2/topK
		if q.Kind != KindLidded {
			s.gst[i] = area / buried
			continue
		}
		onDie, foot := cell.overlap(die), area-cell.overlap(inside)
		s.top.c[i] += siliconRhoC * gap * onDie // the die is as tall as the gap, and follows the lid closely
		s.gst[i] = onDie/(1/dieContact+buried) + foot/(footBond+buried) + max(0, area-onDie-foot)/(gap/gapAirK+buried)
	}
}

// nozzleRadius returns the radius of a head's nozzle in m.
func (p *Plant) nozzleRadius(h *Head) float64 {
	if h.Nozzle > 0 {
		return h.Nozzle / 2 * 1e-3
	}
	return max(leastNozzle, fitNozzle*1e-3*max(p.b.Package.SizeX, p.b.Package.SizeY))
}

// fromAxis returns the cell of column i as seen from the nozzles' axis, in m. A part that sits beside the axis by its
// offset is heated off-centre.
func (p *Plant) fromAxis(i int) rect {
	r, dx, dy := cellRect(&p.x, &p.y, i), p.b.OffsetX*1e-3, p.b.OffsetY*1e-3
	return rect{r.x0 + dx, r.y0 + dy, r.x1 + dx, r.y1 + dy}
}

// openToAir prepares the three faces that air reaches: underside, upper side around the part, top of the package.
func (p *Plant) openToAir() {
	layers := p.layers
	last := len(layers) - 1
	w, d := p.b.SizeX*1e-3, p.b.SizeY*1e-3
	p.length = w * d / (2 * (w + d))
	newFace := func(s *sheet) jetFace {
		f := func() []float64 { return make([]float64, len(s.t)) }
		return jetFace{s: s, area: f(), reach: f(), mix: f(), buried: f(), edge: f(), jetGain: f()}
	}
	p.under, p.over, p.lid = newFace(&p.stack.board[0]), newFace(&p.stack.board[last]), newFace(&p.stack.top)
	nx, ny := p.x.cells(), p.y.cells()
	for i := range p.columns {
		cell := p.fromAxis(i)
		rim := 0.0
		if i%nx == 0 || i%nx == nx-1 {
			rim += cell.y1 - cell.y0
		}
		if i/nx == 0 || i/nx == ny-1 {
			rim += cell.x1 - cell.x0
		}
		p.under.area[i], p.over.area[i] = cell.area(), cell.area()
		p.under.buried[i], p.over.buried[i] = layers[0].thick/2/layers[0].through, layers[last].thick/2/layers[last].through
		p.under.edge[i], p.over.edge[i] = edgeH*rim*layers[0].thick, edgeH*rim*layers[last].thick
		p.under.reach[i], p.under.mix[i], _ = jetOver(cell, p.nozzleRadius(&p.m.Bottom))
		p.over.reach[i], p.over.mix[i], _ = jetOver(cell, p.nozzleRadius(&p.m.Top))
	}
	q := &p.b.Package
	topThick, topK := (q.Thickness-q.Substrate)*1e-3, mouldK
	switch q.Kind {
	case KindLidded:
		topThick, topK = q.Lid*1e-3, copperK
	case KindCeramic:
		topK = ceramicK
	}
	// Where the part stands, its top is open to the air in place of the board.
	for i, c := range p.stack.col {
		p.lid.area[i], p.over.area[c] = p.over.area[c], 0
		p.lid.reach[i], p.lid.mix[i], p.lid.buried[i] = p.over.reach[c], p.over.mix[c], topThick/2/topK
	}
}
