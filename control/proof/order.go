package proof

import "math"

// The order in which the couples on the board answer tells them apart, whatever their scale: from cold, a joint leads the
// package top under bottom heat; under top heat it is the other way round. What is compared are ratios of rises of one and the
// same couple, so that an error of scale cancels. The bounds lie beyond everything found on 1600 boards drawn at random, with
// noise of 0.15…0.25 °C: a healthy board must not be refused, and what slips through here differs too much when settled.
const (
	swapJoint     = 0.85 // joint's share of bottom over top heat against the package top's
	swapBody      = 0.62 // the same, board against package top
	swapNeighbour = 0.85 // the same, board or joint against neighbour
	boardLeads    = 1.45 // board over joint, early under bottom heat
	boardOnTop    = 1.50 // board over package top, early under top heat
)

// ordered compares who answered how much to heat from either side. First what no scale can change, then plain sizes, which a loose
// couple changes too.
func (p *Proof) ordered() (Finding, bool) {
	top, board, next := p.find(PackageTop), p.find(Board), p.find(Neighbour)
	for j, s := range p.cfg.Sensors {
		if s.Role != Joint || !p.has[j] {
			continue
		}
		if top >= 0 && p.underside(j, top) < swapJoint {
			return p.swapped(j, top, 0)
		}
		if next >= 0 && p.underside(j, next) < swapNeighbour {
			return p.swapped(j, next, 0)
		}
	}
	if board < 0 {
		return Finding{}, false
	}
	if top >= 0 && p.underside(board, top) < swapBody {
		return p.swapped(board, top, 0)
	}
	if next >= 0 && p.underside(board, next) < swapNeighbour {
		return p.swapped(board, next, 0)
	}
	m := &p.marks
	if j := p.find(Joint); j >= 0 && m.hasBottom && m.earlyBottom[board] > boardLeads*m.earlyBottom[j] {
		return p.swapped(board, j, m.earlyBottom[board]/m.earlyBottom[j])
	}
	if top >= 0 && m.hasTop && m.earlyTop[board] > boardOnTop*m.earlyTop[top] {
		return p.swapped(board, top, m.earlyTop[board]/m.earlyTop[top])
	}
	return Finding{}, false
}

// swapped is the finding that a and b are exchanged. Where that was judged by size, by is how many times more a rose: then b may as well
// have come off.
func (p *Proof) swapped(a, b int, by float64) (Finding, bool) {
	return Finding{Code: Swapped, Sensor: a, Other: b, Zone: p.out.Zone, By: by}, true
}

// underside says how much more couple a belongs to the underside than b does: the ratio of a's early answers to bottom and top
// heat over that of b. Without both heads it knows nothing and returns +Inf.
func (p *Proof) underside(a, b int) float64 {
	const faint = 0.1 // K; less than this is noise of a second's mean
	m := &p.marks
	if !m.hasBottom || !m.hasTop {
		return math.Inf(1)
	}
	floor := func(x float64) float64 { return math.Max(faint, x) }
	return floor(m.earlyBottom[a]) / floor(m.earlyBottom[b]) * floor(m.earlyTop[b]) / floor(m.earlyTop[a])
}
