package plant

// What people and accidents do to the arrangement while the machine runs. Both can be undone.

// Aim moves the axis of the top nozzle by aside mm along x from where the board file has it, −200…200; 0 is as described. The bottom
// nozzle stays.
func (p *Plant) Aim(aside float64) {
	p.aside = within(aside, -200, 200) * 1e-3
	radius := p.nozzleRadius(&p.m.Top)
	under := make([]float64, p.columns)
	for i := range p.columns {
		p.over.reach[i], p.over.mix[i], under[i] = jetOver(p.fromTop(i), radius)
	}
	beside := p.besideAt
	beside.x0, beside.x1 = beside.x0+p.aside, beside.x1+p.aside
	p.beside.reach, p.beside.mix, _ = jetOver(beside, radius)
	p.arrange(under)
}

// Lift takes the part off the board, to a place where it hangs in the air of the room, or puts it back. Solder stays on the board; no heat
// passes between the two, and the jet falls on bare board. Whether solder was molten is not asked: a part may be knocked off.
func (p *Plant) Lift(off bool) {
	if off == p.lifted {
		return
	}
	p.lifted = off
	if p.contact == nil {
		p.contact = append([]float64(nil), p.stack.balls.up...)
	}
	for i := range p.contact {
		p.stack.balls.up[i] = p.contact[i]
		if off {
			p.stack.balls.up[i] = 0
		}
	}
	p.Aim(p.aside * 1e3)
}

// fromTop returns the cell of column i as seen from the axis of the top nozzle, in m.
func (p *Plant) fromTop(i int) rect {
	r := p.fromAxis(i)
	r.x0, r.x1 = r.x0+p.aside, r.x1+p.aside
	return r
}

// arrange says which upper surfaces meet jet, nozzle wall and room; under is the share of each column below the nozzle.
func (p *Plant) arrange(under []float64) {
	for i, c := range p.stack.col {
		reach, mix, covered := p.over.reach[c], p.over.mix[c], under[c]
		p.over.area[c] = 0
		if p.lifted {
			p.over.area[c] = p.lid.area[i]
			reach, mix, covered = 0, 0, 0
		}
		p.lid.reach[i], p.lid.mix[i] = reach, mix
		p.lidSky.wall[i], p.lidSky.room[i] = skyView(p.lid.area[i], p.b.Package.Emissivity, covered)
	}
	for i, area := range p.over.area {
		p.overSky.wall[i], p.overSky.room[i] = skyView(area, p.b.Emissivity, under[i])
	}
	p.airKey[0] = -1 // force the conductances to be recomputed
}
