package proof

import (
	"math"

	"trivet/control"
)

// Bounds on how much a couple may answer, as reading over expectation.
//
// A couple of type J on an amplifier for K reads 1.28 times the rise, K on J 0.78 times, N on K 0.68, E on K 1.5 (IEC 60584
// reference functions between 25 and 80 °C). Hazard S-11 asks for 0.8…1.25 to be accepted at most.
const (
	scaleLow, scaleHigh = 0.88, 1.20 // package top over joint, less what is natural; found 0.92…1.19 on 2000 drawn boards
	looseLow, looseHigh = 0.65, 1.55 // beyond any common pair of types: one of the two has come off
	boardLow, boardHigh = 0.50, 1.25 // board over joint when settled; found 0.55…1.04
	jointsApart         = 1.5        // any other joint over the first, when settled
	zoneOff             = 1.16       // a heater's couple against the middle of all: mains and room are common to them
)

// settled compares the rises of couples that are at nearly one temperature by now, and those of the heaters with their models.
func (p *Proof) settled() {
	f, bad := p.partScale()
	if !bad {
		f, bad = p.zoneScale()
	}
	if bad {
		p.fail(f)
		return
	}
	p.step, p.out.Zone, p.out.Done = Over, -1, true
}

// partScale compares joint and package top, and coarsely the board.
func (p *Proof) partScale() (Finding, bool) {
	top, board, outer := p.find(PackageTop), p.find(Board), p.find(Joint)
	if outer < 0 {
		return Finding{}, false
	}
	for j, s := range p.cfg.Sensors {
		if by := p.marks.settled[j] / p.marks.settled[outer]; s.Role == Joint && p.has[j] && !(by >= 1/jointsApart && by <= jointsApart) {
			return Finding{Code: Detached, Sensor: j, Other: outer, Zone: -1, By: by}, true
		}
	}
	if top >= 0 {
		by, known := p.agreement(outer, top, board)
		if known && !(by >= scaleLow && by <= scaleHigh) {
			return p.odd(outer, top, by), true
		}
	}
	if board >= 0 {
		if by := p.marks.settled[board] / p.marks.settled[outer]; !(by >= boardLow && by <= boardHigh) {
			return Finding{Code: Detached, Sensor: board, Other: outer, Zone: -1, By: by}, true
		}
	}
	return Finding{}, false
}

// agreement returns how many times more the package top has risen than the joint, less what is natural: 1 when both couples are
// right. It needs heat from both sides; without, known is false.
//
// Nothing says what either rise should be, but a part that is left alone comes to one temperature. It has not quite done so after
// settleFor, so the ratio is carried on along the way it is going. What then remains is natural: the outer balls stay a little
// cooler than the middle of the lid, the more so the thicker the part (which then also tells top from bottom strongly) and the
// cooler the board beside it. The four numbers are a least-squares fit over 400 drawn boards on two machines. On 2000 others
// drawn with other seeds they leave −8…+19 %; on a board unlike any of these they may leave more.
func (p *Proof) agreement(joint, top, board int) (by float64, known bool) {
	const always, thick, going, cool = 0.358, 0.067, 1.916, 0.088
	const mostThick = 2.2 // beyond a factor of nine it is the noise of a small rise
	const usual = 35.0    // K, of a board without a couple
	m := &p.marks
	sides := p.underside(joint, top)
	if math.IsInf(sides, 0) {
		return 0, false
	}
	now, before := m.settled[top]/m.settled[joint], m.before[top]/m.before[joint]
	if !(now > 0 && before > 0) {
		return 0, true // one of them has not risen at all
	}
	beside := usual
	if board >= 0 {
		beside = math.Max(10, math.Min(90, m.settled[board]))
	}
	natural := always - cool*math.Log(beside) + thick*math.Max(0, math.Min(mostThick, math.Log(sides)))
	return math.Exp(math.Log(now) + going*math.Log(now/before) - natural), true
}

// odd says what a package top that reads by times the joint means. Which of two is wrong cannot be known from the two; the one that
// is named is the one that a common mistake would explain.
func (p *Proof) odd(joint, top int, by float64) Finding {
	f := Finding{Code: WrongType, Sensor: joint, Other: top, Zone: -1, By: 1 / by}
	switch {
	case by < looseLow:
		f.Code, f.Sensor, f.Other, f.By = Detached, top, joint, by
	case by > looseHigh:
		f.Code = Detached
	}
	return f
}

// zoneScale compares what every heater's couple made of a known drive with the model of its loop. Mains voltage is unknown and
// goes into all answers alike, so each is compared with the middle one. With fewer than three zones it knows nothing.
func (p *Proof) zoneScale() (Finding, bool) {
	var list [control.MaxZones]float64
	n := 0
	for z := range p.cfg.Zones {
		r, ok := p.answer(z)
		if !ok {
			continue
		}
		k := n
		for ; k > 0 && list[k-1] > r; k-- {
			list[k] = list[k-1]
		}
		list[k] = r
		n++
	}
	if n < 3 {
		return Finding{}, false
	}
	middle := (list[(n-1)/2] + list[n/2]) / 2
	for z := range p.cfg.Zones {
		r, ok := p.answer(z)
		if by := r / middle; ok && !(by <= zoneOff && by >= 1/zoneOff) {
			return Finding{Code: WrongType, Sensor: p.own(z), Other: -1, Zone: z, By: by}, true
		}
	}
	return Finding{}, false
}

// answer is the highest rise of zone z's couple over the highest of its model.
func (p *Proof) answer(z int) (float64, bool) {
	o := p.own(z)
	if o < 0 || !(p.highest[z] > 1) {
		return 0, false
	}
	return (p.peak[o] - p.rest[o]) / p.highest[z], true
}
