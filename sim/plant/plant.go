// Package plant is the physical truth of one rework heater with one board on it: a few hundred cells of board,
// solder and package, two hot-air heads, area emitters, the deck, and the thermocouples as physical objects.
//
// It is pure: no clock, goroutine, I/O or logging; the same inputs give bit-identical results. It knows nothing of
// sensor chips, noise, relays, control or limits, and it protects nothing: left at full power it burns the board.
//
// The equations and most parameters come from a numerical study made for this project; where a formula or value has a
// published source it is named beside it. No real machine was measured. Known simplifications: no warpage, no flux,
// no undercooling of the solder on freezing, one emission per surface (no re-reflection) except under the nozzle,
// and about ±3 °C of grid error in the absolute temperature of an outer ball.
package plant

import (
	"math"
	"time"

	"trivet/process/unit"
)

// refresh is the longest time, in s, over which air temperatures and radiation are held constant. Everything they
// depend on has a time constant of seconds or more.
const refresh = 0.1

// Drive is what acts on the machine during one step. Values out of range or not a number count as the nearest allowed one, or none.
type Drive struct {
	Heater [MaxHeaters]float64 // share of rated power delivered during the step, 0…1
	Blower [2]float64          // air flow of top and bottom relative to full, 0…1; spin-up belongs to the caller
	Fan    float64             // board fans, 0…1
	Mains  float64             // rms voltage relative to nominal, 0…1.5; power goes with its square. 1 is nominal
}

// Disturbance is how the machine differs from its description, for faults. Undisturbed returns the neutral value.
type Disturbance struct {
	TopHeat, BottomHeat float64 // factor on the jets' heat transfer, 0…3
	TopGap, BottomGap   float64 // factor on the share of the excess air temperature that survives the gap, 0…1.1
}

// Undisturbed is the machine as described.
func Undisturbed() Disturbance {
	return Disturbance{TopHeat: 1, BottomHeat: 1, TopGap: 1, BottomGap: 1}
}

// Plant is one machine with one board. It is used by one goroutine. Build it with New.
type Plant struct {
	m       Machine
	b       Board
	ambient float64 // °C, also where everything starts

	mesh   mesh
	layers []layer
	x, y   axis
	stack  *stack
	sub    float64 // longest sub-step of the stack, s
	heads  [2]head
	banks  int
	deck   float64 // °C
	beside component

	emitters []emitter
	deckView []float64 // per board column: ε·σ·area·view of the deck, W/K⁴
	fourth   []float64 // scratch: fourth powers of the underside

	under, over, lid jetFace
	overSky, lidSky  face
	length           float64 // area over perimeter of the board, m, for free convection

	fan         float64
	fan7        float64 // fan^0.7
	disturbance Disturbance
	airKey      [4]float64 // what the conductances to the air were computed for

	probes          [spots]probe
	delivered, lost float64 // J
	near            nearSpot
	corner, centre  int // package cells
	columns         int

	aside    float64   // m, of the top nozzle from where it should be
	lifted   bool      // the part is not on the board
	contact  []float64 // balls to substrate, W/K, while it is; nil before the first lift
	besideAt rect      // the neighbour, seen from the nozzles' axis
}

// component is the neighbour of the part: one lump on the board.
type component struct {
	t, capacity float64 // °C, J/K
	joint       float64 // to the board, W/K
	area        float64 // m²
	on          nearSpot
	reach       float64 // of the top jet
	mix         float64
}

// Step advances the plant by dt under a constant drive. Any dt works; it is cut into pieces of at most 100 ms. A dt that is not positive does nothing.
func (p *Plant) Step(dt time.Duration, d Drive) {
	total := dt.Seconds()
	if !(total > 0) {
		return
	}
	n := math.Ceil(total/refresh - 1e-9)
	h := total / n
	d = tame(d)
	for range int(n) {
		p.advance(h, &d)
	}
}

// tame brings every value of a drive into its range.
func tame(d Drive) Drive {
	for i := range d.Heater {
		d.Heater[i] = within(d.Heater[i], 0, 1)
	}
	d.Blower[0], d.Blower[1] = within(d.Blower[0], 0, 1), within(d.Blower[1], 0, 1)
	d.Fan, d.Mains = within(d.Fan, 0, 1), within(d.Mains, 0, 1.5)
	return d
}

// within clamps v; what is not a number becomes lo.
func within(v, lo, hi float64) float64 {
	if !(v > lo) {
		return lo
	}
	return min(v, hi)
}

// Disturb replaces the disturbance in force.
func (p *Plant) Disturb(d Disturbance) {
	p.disturbance = Disturbance{
		TopHeat: within(d.TopHeat, 0, 3), BottomHeat: within(d.BottomHeat, 0, 3),
		TopGap: within(d.TopGap, 0, 1.1), BottomGap: within(d.BottomGap, 0, 1.1),
	}
	p.airKey[0] = -1 // force the conductances to be recomputed
}

// advance moves everything by h seconds, h ≤ refresh.
func (p *Plant) advance(h float64, d *Drive) {
	mains := d.Mains * d.Mains
	stream := p.blow(h, d, mains)
	p.breathe(d.Fan)
	p.shineAll(h, d, mains)
	p.warmNeighbour(h)

	n := math.Ceil(h/p.sub - 1e-9)
	sub := h / n
	toAir := 0.0
	for range int(n) {
		toAir += p.stack.step(sub)
	}
	// What the air streams carried out, plus what the room's air took from the board, less what the jets gave to it.
	p.lost += stream + toAir
	p.feel(h)
}

// blow runs both heads and returns the heat that left with their air, in J, counted from ambient.
func (p *Plant) blow(h float64, d *Drive, mains float64) float64 {
	sum := 0.0
	for k := range p.heads {
		s := &p.heads[k]
		s.spin(d.Blower[k])
		watts := d.Heater[k] * s.d.Power * mains
		p.delivered += watts * h
		inlet := p.ambient + s.d.FromDeck*(p.deck-p.ambient)
		stream, loss := s.burn(h, watts, inlet, p.ambient)
		preheat := s.mcp * (inlet - p.ambient) * h
		p.deck -= preheat / p.m.Deck.Heat
		p.lost += loss
		sum += stream + preheat
	}
	return sum
}

// breathe sets how board and package exchange heat with the air.
func (p *Plant) breathe(fan float64) {
	if fan != p.fan {
		p.fan, p.fan7 = fan, math.Pow(fan, 0.7) // forced convection over a rough plate, exponent 0.7…0.8 (from memory)
	}
	top, bottom, dis := &p.heads[0], &p.heads[1], &p.disturbance
	// Free convection follows the faces; recompute only when it has moved by a percent or so.
	dT := p.meanOver() - p.ambient
	key := [4]float64{top.flow, bottom.flow, fan, math.Round(math.Sqrt(math.Abs(dT)) * 8)}
	if key != p.airKey {
		p.airKey = key
		over := stillAir(true, dT, p.ambient, p.length) + p.m.Fans.Top*p.fan7
		under := stillAir(false, dT, p.ambient, p.length) + p.m.Fans.Bottom*p.fan7
		p.over.still(top.d.Jet*top.flow65*dis.TopHeat, over, top.d.Sealed*dis.TopGap)
		p.lid.still(top.d.Jet*top.flow65*dis.TopHeat, over, top.d.Sealed*dis.TopGap)
		p.under.still(bottom.d.Jet*bottom.flow65*dis.BottomHeat, under, bottom.d.Sealed*dis.BottomGap)
	}
	p.over.blow(top.air-p.ambient, p.ambient)
	p.lid.blow(top.air-p.ambient, p.ambient)
	p.under.blow(bottom.air-p.ambient, p.ambient)
}

// meanOver returns the mean temperature of a sample of cells of the upper face: enough for free convection.
func (p *Plant) meanOver() float64 {
	t := p.over.s.t
	sum, n := 0.0, 0
	for i := 0; i < len(t); i += 5 {
		sum += t[i]
		n++
	}
	return sum / float64(n)
}

// shineAll exchanges all radiation for h seconds and advances emitters and deck.
func (p *Plant) shineAll(h float64, d *Drive, mains float64) {
	for k := range p.emitters {
		e := &p.emitters[k]
		watts := d.Heater[FirstBank+e.bank] * e.power * mains
		p.delivered += watts * h
		e.t += watts * h / e.capacity
	}
	toDeck, toRoom := p.glow(h, p.under.s)
	loss := p.m.Deck.Loss * (p.deck - p.ambient) * h
	p.deck += (toDeck - loss) / p.m.Deck.Heat
	p.lost += toRoom + loss

	wall := &p.heads[0]
	for _, f := range [...]*face{&p.overSky, &p.lidSky} {
		toWall, room := f.radiate(wall.wall, p.ambient)
		wall.wall += toWall * h / wall.d.WallHeat
		p.lost += room * h
	}
}

// warmNeighbour advances the component beside the part and takes its heat from the board.
func (p *Plant) warmNeighbour(h float64) {
	c, top := &p.beside, &p.heads[0]
	fromBoard := c.joint * (c.on.temp(p.over.s.t) - c.t)
	jet := top.d.Jet * top.flow65 * p.disturbance.TopHeat * c.reach
	other := stillAir(true, c.t-p.ambient, p.ambient, p.length) + p.m.Fans.Top*p.fan7
	excess := c.mix * top.d.Sealed * p.disturbance.TopGap * (top.air - p.ambient)
	toAir := c.area * (jet*(c.t-p.ambient-excess) + other*(c.t-p.ambient))
	c.t += (fromBoard - toAir) * h / c.capacity
	p.over.s.heat[c.on.a] -= (1 - c.on.mix) * fromBoard
	p.over.s.heat[c.on.b] -= c.on.mix * fromBoard
	p.lost += toAir * h
}

// Energy is the heat balance since the start, in J: Delivered = Lost + Stored, but for the error of integration.
type Energy struct {
	Delivered float64 // electrical, into elements and emitters
	Lost      float64 // to the room: with the air, by radiation, through walls and deck
	Stored    float64 // in board, package, heads, emitters and deck, above the start
}

// Residual returns what the balance is off by, relative to what was delivered.
func (e Energy) Residual() float64 {
	if e.Delivered == 0 {
		return 0
	}
	return (e.Delivered - e.Lost - e.Stored) / e.Delivered
}

// Energy returns the heat balance since New.
func (p *Plant) Energy() Energy {
	e := Energy{Delivered: p.delivered, Lost: p.lost, Stored: p.stack.stored(p.ambient)}
	for k := range p.heads {
		e.Stored += p.heads[k].stored(p.ambient)
	}
	for k := range p.emitters {
		e.Stored += p.emitters[k].capacity * (p.emitters[k].t - p.ambient)
	}
	e.Stored += p.m.Deck.Heat*(p.deck-p.ambient) + p.beside.capacity*(p.beside.t-p.ambient)
	return e
}

// Ambient returns the temperature of the room.
func (p *Plant) Ambient() unit.Celsius { return unit.Celsius(p.ambient) }
