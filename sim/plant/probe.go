package plant

import (
	"math"

	"trivet/process/unit"
)

// Spot is a place where a thermocouple can sit.
type Spot uint8

// The spots. Bank k of the machine file is Bank0+k.
const (
	Corner       Spot = iota // an outer-corner ball: the joint
	Centre                   // the centre ball
	PackageTop               // the middle of the package's top
	BoardNear                // on the board, 25 mm from the part
	Neighbour                // the neighbour component
	NozzleTop                // air at the mouth of the top nozzle
	NozzleBottom             // air at the mouth of the bottom nozzle
	Bank0                    // the first bank of area emitters
	spots        = Bank0 + MaxBanks
)

// Attachment is how a thermocouple is fixed at its spot. What it reads at rest is
// (1−Stem)·surface + Stem·air while seated, and air alone when fully Detached.
type Attachment struct {
	Lag      float64 // time constant, s, above 0
	Stem     float64 // share of the reading taken from the air along the wire, 0…1
	Detached float64 // 0 seated … 1 off, its bead in the air
	Aside    float64 // where that air is: 0 in the jet above its spot, 1 beside the jet, half way between the surface and the room
}

// probe is a thermocouple and its present junction temperature.
type probe struct {
	a      Attachment
	t      float64
	h, mix float64 // the step for which mix = 1−exp(−h/Lag) was computed
}

// Attachment returns how the thermocouple at s is fixed; the zero value for a spot that does not exist.
func (p *Plant) Attachment(s Spot) Attachment {
	if s >= spots {
		return Attachment{}
	}
	return p.probes[s].a
}

// SetAttachment fixes the thermocouple at s anew. Values out of range count as the nearest allowed; a lag of 0 keeps the present one.
func (p *Plant) SetAttachment(s Spot, a Attachment) {
	if s >= spots {
		return
	}
	if !(a.Lag > 0) || math.IsInf(a.Lag, 0) {
		a.Lag = p.probes[s].a.Lag
	}
	a.Stem, a.Detached, a.Aside = within(a.Stem, 0, 1), within(a.Detached, 0, 1), within(a.Aside, 0, 1)
	p.probes[s].a, p.probes[s].h = a, 0
}

// Sensed returns the junction temperature of the thermocouple at s in °C: what an ideal amplifier would read.
// It is ambient for a spot that does not exist.
func (p *Plant) Sensed(s Spot) float64 {
	if s >= spots || int(s) >= int(Bank0)+p.banks {
		return p.ambient
	}
	return p.probes[s].t
}

// feel lets every thermocouple follow its spot for h seconds.
func (p *Plant) feel(h float64) {
	for s := range p.probes[:int(Bank0)+p.banks] {
		q := &p.probes[s]
		surface, air := p.at(Spot(s))
		t := surface
		if away := q.a.Stem + (1-q.a.Stem)*q.a.Detached; away > 0 {
			beside := (surface + p.ambient) / 2
			t += away * (air + q.a.Aside*(beside-air) - surface)
		}
		q.follow(t, h)
	}
}

// follow lets the junction approach t for h seconds: one lump, first order, exact for a t that stays.
func (q *probe) follow(t, h float64) {
	if q.h != h {
		q.h, q.mix = h, 1-math.Exp(-h/q.a.Lag)
	}
	q.t += q.mix * (t - q.t)
}

// at returns the temperatures of the surface and of the air at a spot, °C.
func (p *Plant) at(s Spot) (surface, air float64) {
	switch s {
	case Corner:
		t, mix := p.stack.balls.t[p.corner], p.lid.mix[p.corner]
		if p.lifted {
			mix = p.over.mix[p.stack.col[p.corner]]
		}
		return t, p.airOver(t, mix)
	case Centre:
		t := p.stack.balls.t[p.centre]
		return t, t // its wire runs through a hole in the board, under the part: there is no other air
	case PackageTop:
		t := p.stack.top.t[p.centre]
		return t, p.airOver(t, p.lid.mix[p.centre])
	case BoardNear:
		t := p.near.temp(p.over.s.t)
		return t, p.airOver(t, p.over.mix[p.near.a])
	case Neighbour:
		return p.beside.t, p.airOver(p.beside.t, p.beside.mix)
	case NozzleTop:
		return p.heads[0].air, p.ambient
	case NozzleBottom:
		return p.heads[1].air, p.ambient
	}
	t := p.bankMean(int(s - Bank0))
	return t, p.deck
}

// airOver returns the temperature of the air over a surface at t where the share mix of the jet arrives. As the flow
// dies the jet gives way to the air that the surface itself warms.
func (p *Plant) airOver(t, mix float64) float64 {
	top := &p.heads[0]
	jet := p.ambient + mix*top.d.Sealed*p.disturbance.TopGap*(top.air-p.ambient)
	share := top.flow / (top.flow + 0.05)
	return share*jet + (1-share)*(t+p.ambient)/2
}

// bankMean returns the mean emitter temperature of bank k, °C.
func (p *Plant) bankMean(k int) float64 {
	sum, n := 0.0, 0
	for i := range p.emitters {
		if p.emitters[i].bank == k {
			sum += p.emitters[i].t
			n++
		}
	}
	return sum / float64(n)
}

// nearSpot is a place between the middles of two cells.
type nearSpot struct {
	a, b int
	mix  float64 // share of b
}

func (n *nearSpot) temp(t []float64) float64 { return t[n.a] + n.mix*(t[n.b]-t[n.a]) }

// Truth is the plant's own temperatures, which no sensor sees exactly.
type Truth struct {
	CornerJoint   unit.Celsius // an outer-corner ball
	CentreJoint   unit.Celsius
	ColdestJoint  unit.Celsius
	HottestJoint  unit.Celsius
	PackageTop    unit.Celsius // hottest place of the top
	BoardNear     unit.Celsius // 25 mm from the part
	BoardMax      unit.Celsius // hottest place of the board
	Neighbour     unit.Celsius
	NozzleTop     unit.Celsius // air
	NozzleBottom  unit.Celsius // air
	ElementTop    unit.Celsius
	ElementBottom unit.Celsius
	Deck          unit.Celsius
	Bank          [MaxBanks]unit.Celsius // mean of the emitters; ambient for banks the machine does not have
	MoltenShare   float64                // liquid share of all solder, 0…1
}

// Truth returns the present temperatures.
func (p *Plant) Truth() Truth {
	b := &p.stack.balls
	coldest, hottest := extremes(b.t)
	_, top := extremes(p.stack.top.t)
	boardMax := math.Inf(-1)
	for k := range p.stack.board {
		_, most := extremes(p.stack.board[k].t)
		boardMax = max(boardMax, most)
	}
	tr := Truth{
		CornerJoint: unit.Celsius(b.t[p.corner]), CentreJoint: unit.Celsius(b.t[p.centre]),
		ColdestJoint: unit.Celsius(coldest), HottestJoint: unit.Celsius(hottest), PackageTop: unit.Celsius(top),
		BoardNear: unit.Celsius(p.near.temp(p.over.s.t)), BoardMax: unit.Celsius(boardMax), Neighbour: unit.Celsius(p.beside.t),
		NozzleTop: unit.Celsius(p.heads[0].air), NozzleBottom: unit.Celsius(p.heads[1].air),
		ElementTop: unit.Celsius(p.heads[0].element), ElementBottom: unit.Celsius(p.heads[1].element), Deck: unit.Celsius(p.deck),
	}
	for k := range tr.Bank {
		tr.Bank[k] = unit.Celsius(p.ambient)
		if k < p.banks {
			tr.Bank[k] = unit.Celsius(p.bankMean(k))
		}
	}
	liquid, all := 0.0, 0.0
	for i := range b.t {
		liquid += b.molten(i) * b.c[i]
		all += b.c[i]
	}
	tr.MoltenShare = liquid / all
	return tr
}

func extremes(t []float64) (least, most float64) {
	least, most = t[0], t[0]
	for _, v := range t[1:] {
		least, most = min(least, v), max(most, v)
	}
	return least, most
}
