package proof

import (
	"math"

	"trivet/control"
)

// The order in which the couples on the board answer tells them apart, whatever their scale: from cold, a joint leads the
// package top under bottom heat; under top heat it is the other way round. What is compared are ratios of rises of one and the
// same couple, so that an error of scale cancels. The bounds stand beside the smallest or largest value found on 400
// boards drawn at random on two machines, with noise of 0.15…0.25 °C.
const (
	swapJoint     = 0.90 // joint's share of bottom over top heat against the package top's; least found 1.03, half a percent below 1.11
	swapBody      = 0.68 // the same, board against package top; least 0.77
	swapNeighbour = 0.90 // the same, board or joint against neighbour; least 1.05
	boardLeads    = 1.15 // board over joint, early under bottom heat; most 1.07
	boardOnTop    = 1.35 // board over package top, early under top heat; most 1.25
)

// ordered compares who answered how much.
func (p *Proof) ordered(kind control.Kind) (Finding, bool) {
	top, board, next := p.find(PackageTop), p.find(Board), p.find(Neighbour)
	if kind == control.BottomAir {
		for j, s := range p.cfg.Sensors {
			if s.Role == Joint && p.has[j] && board >= 0 && p.marks.earlyBottom[board] > boardLeads*p.marks.earlyBottom[j] {
				return p.swapped(board, j)
			}
		}
		return Finding{}, false
	}
	if board >= 0 && top >= 0 && p.marks.earlyTop[board] > boardOnTop*p.marks.earlyTop[top] {
		return p.swapped(board, top)
	}
	for j, s := range p.cfg.Sensors {
		if s.Role != Joint || !p.has[j] {
			continue
		}
		if top >= 0 && p.underside(j, top) < swapJoint {
			return p.swapped(j, top)
		}
		if next >= 0 && p.underside(j, next) < swapNeighbour {
			return p.swapped(j, next)
		}
	}
	if board >= 0 && top >= 0 && p.underside(board, top) < swapBody {
		return p.swapped(board, top)
	}
	if board >= 0 && next >= 0 && p.underside(board, next) < swapNeighbour {
		return p.swapped(board, next)
	}
	return Finding{}, false
}

func (p *Proof) swapped(a, b int) (Finding, bool) {
	return Finding{Code: Swapped, Sensor: a, Other: b, Zone: p.out.Zone}, true
}

// underside says how much more couple a belongs to the underside than b does: the ratio of a's early answers to bottom and top
// heat over that of b. Without both heads it knows nothing and returns +Inf.
func (p *Proof) underside(a, b int) float64 {
	const faint = 0.1 // K; less than this is noise of a second's mean
	m := &p.marks
	if m.earlyBottom[a] == 0 || m.earlyTop[b] == 0 {
		return math.Inf(1)
	}
	floor := func(x float64) float64 { return math.Max(faint, x) }
	return floor(m.earlyBottom[a]) / floor(m.earlyBottom[b]) * floor(m.earlyTop[b]) / floor(m.earlyTop[a])
}
