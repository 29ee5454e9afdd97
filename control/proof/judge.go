package proof

import (
	"math"

	"trivet/control"
)

// Code says what sort of thing is wrong. The words are sent and stored: do not rename them.
type Code string

// The codes.
const (
	RestDisagreement Code = "rest_disagreement" // cold couples differ by more than 3 K
	NotThere         Code = "not_there"         // a heater's couple, or the whole board, does not answer
	Reversed         Code = "reversed"          // falls while it is heated
	Swapped          Code = "swapped"           // answers in place of Other
	WrongZone        Code = "wrong_zone"        // driving Zone warms the zone of Other
	Detached         Code = "detached"          // does not follow the part or board
	WrongType        Code = "wrong_type"        // answers by the wrong amount
	Lost             Code = "lost"              // has not given one reading in the whole rest
)

// Finding is what is wrong. Indices are −1 where there is none.
type Finding struct {
	Code   Code
	Sensor int // the couple it is about
	Other  int // the couple it was compared with or taken for
	Zone   int // the zone that was driven
	// By is the size of it: K for rest_disagreement, rise over what was expected for wrong_type, detached and a swap that was judged
	// by size, else 0.
	By float64
}

// restWithin is how far from the median of all couples each may be when everything is cold, K (hazard S-09: ±3 °C).
const restWithin = 3

// atRest compares all couples before any heat, and takes the median for the room.
func (p *Proof) atRest() {
	var list [MaxSensors]float64
	n := 0
	for i, s := range p.cfg.Sensors {
		if !p.has[i] {
			if s.Role == Neighbour || s.Role == Other {
				continue // nothing depends on it
			}
			p.fail(Finding{Code: Lost, Sensor: i, Other: -1, Zone: -1})
			return
		}
		// Insertion keeps the list sorted; there are at most sixteen.
		k := n
		for ; k > 0 && list[k-1] > p.y[i]; k-- {
			list[k] = list[k-1]
		}
		list[k] = p.y[i]
		n++
	}
	if n == 0 {
		p.fail(Finding{Code: Lost, Sensor: -1, Other: -1, Zone: -1})
		return
	}
	p.ambient = (list[(n-1)/2] + list[n/2]) / 2
	worst, by := -1, float64(restWithin)
	for i := range p.cfg.Sensors {
		if d := math.Abs(p.y[i] - p.ambient); p.has[i] && !(d <= by) {
			worst, by = i, d
		}
	}
	if worst >= 0 {
		p.fail(Finding{Code: RestDisagreement, Sensor: worst, Other: -1, Zone: -1, By: p.y[worst] - p.ambient})
		return
	}
	p.rest, p.peak = p.y, p.y
	p.next(true)
}

// own returns the couple of zone z, −1 for none.
func (p *Proof) own(z int) int {
	for i, s := range p.cfg.Sensors {
		if s.Role == Heater && s.Zone == z {
			return i
		}
	}
	return -1
}

func (p *Proof) rise(i int) float64 { return p.y[i] - p.from[i] }

// onBoard reports whether couple i claims to sit on part or board, and reads.
func (p *Proof) onBoard(i int) bool {
	switch p.cfg.Sensors[i].Role {
	case Joint, PackageTop, Board, Neighbour:
		return p.has[i]
	}
	return false
}

// driving looks at the answers to the driven zone once a second.
func (p *Proof) driving() {
	z := p.out.Zone
	if f, bad := p.foreign(z); bad {
		p.fail(f)
		return
	}
	kind := p.cfg.Zones[z].Kind
	switch {
	case kind == control.Area:
		// A couple that answers, but faintly, goes on too: its size is judged at the end.
		if o := p.own(z); p.t >= areaLeast && (o < 0 || p.rise(o) >= answered) || p.t >= silent {
			p.next(false)
		}
		return
	case kind == control.BottomAir:
		p.average(&p.marks.earlyBottom, &p.from, early)
		p.marks.hasBottom = true
	case kind == control.TopAir:
		p.average(&p.marks.earlyTop, &p.from, earlyTop)
		p.marks.hasTop = true
	}
	longest, looked := topFor, earlyTop
	if kind == control.BottomAir {
		longest, looked = bottomFor, early
	}
	if p.t >= longest || (p.hot() && p.t > looked) {
		p.airDone()
	}
}

// hot reports whether a couple on the part or board has reached what a proof may make of it.
func (p *Proof) hot() bool {
	for i := range p.cfg.Sensors {
		if p.onBoard(i) && p.y[i] >= float64(p.cfg.PartMost) {
			return true
		}
	}
	return false
}

// foreign finds a driven zone's couple that does not answer, and whoever answers in its place.
func (p *Proof) foreign(z int) (Finding, bool) {
	o := p.own(z)
	who, most := -1, 0.0
	for i, s := range p.cfg.Sensors {
		if i == o || !p.has[i] {
			continue
		}
		if s.Role == Heater && p.driven.Has(s.Zone) {
			continue // still moving from its own turn
		}
		if s.Role != Heater && p.t > quick {
			continue // the board itself is warm by then, the more so from the step before
		}
		if p.rise(i) > most {
			who, most = i, p.rise(i)
		}
	}
	if o < 0 {
		return Finding{}, false
	}
	r := p.rise(o)
	f := Finding{Sensor: o, Other: -1, Zone: z}
	switch {
	case r <= -deaf:
		f.Code = Reversed
	case most >= stranger && r < most/2:
		// A heater's own couple answers first and most, whatever the board: nothing else is as near.
		f.Code, f.Other = Swapped, who
		if p.cfg.Sensors[who].Role == Heater {
			f.Code = WrongZone
		}
	case p.t >= silent && r < deaf:
		f.Code = NotThere
		if k := p.again(z); k >= 0 {
			f.Code, f.Other = WrongZone, k
		}
	default:
		return f, false
	}
	return f, true
}

// again returns the couple of an earlier zone that has warmed up once more while z was driven, −1 for none: by its lag alone it
// would have stopped rising long before.
func (p *Proof) again(z int) int {
	for i, s := range p.cfg.Sensors {
		if s.Role == Heater && s.Zone != z && p.has[i] && p.rise(i) > 25 {
			return i
		}
	}
	return -1
}

// airDone judges what the couples on the board did while a head blew hot, and goes on.
func (p *Proof) airDone() {
	f, bad := p.moved()
	if bad {
		p.fail(f)
		return
	}
	if p.turn == p.n-1 { // every head has had its turn
		if f, bad = p.ordered(); bad {
			p.fail(f)
			return
		}
	}
	p.next(false)
}

// least is the share of the largest answer that every couple on part and board gives to hot air from either side. On drawn
// boards the smallest is 0.33.
const least = 0.2

// moved finds couples that stood still or fell while the others rose.
func (p *Proof) moved() (Finding, bool) {
	most := 0.0
	for i := range p.cfg.Sensors {
		if p.onBoard(i) {
			most = math.Max(most, p.rise(i))
		}
	}
	f := Finding{Sensor: -1, Other: -1, Zone: p.out.Zone}
	if most < 1.5 { // K; no board answers by less than 3.7
		f.Code = NotThere
		return f, true
	}
	for i := range p.cfg.Sensors {
		if !p.onBoard(i) || p.rise(i) >= least*most {
			continue
		}
		f.Sensor, f.Code = i, Detached
		if p.rise(i) < -math.Max(1.5, least*most) {
			f.Code = Reversed
		}
		for k, s := range p.cfg.Sensors {
			if s.Role == Heater && p.has[k] && !p.driven.Has(s.Zone) && p.rise(k) >= 2*least*most {
				f.Code, f.Other = Swapped, k
			}
		}
		return f, true
	}
	return f, false
}

// find returns the first couple of a role that reads, −1 for none.
func (p *Proof) find(r Role) int {
	for i, s := range p.cfg.Sensors {
		if s.Role == r && p.has[i] {
			return i
		}
	}
	return -1
}
