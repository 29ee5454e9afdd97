// Package proof is the warm-up before real heat: it drives one heater at a time, gently, and decides from the order and the
// size of the answers whether every thermocouple is alive, the right way round, of the right type, attached, and where it
// claims to be, and whether every heater channel heats its own zone (hazards S-03…S-07, S-09, S-11, P-06).
//
// It is pure: readings and time come in, duties and a finding go out. Its drive is open loop, by the model of each heater
// and never by the couples that are still to be proven, so that a reversed or exchanged couple cannot make it run away. It
// can ask for heat but not switch it on, and it is no cut-off: the guard stands above it as above any law.
//
// What it cannot tell: a type whose slope is within 12 % of the right one (T for K); a board or neighbour couple that reads wrong
// by a factor, because nothing else on the board has its temperature; a couple that is half off; and couples whose places warm
// alike. On drawn boards about four in ten exchanges of neighbour and package top, and one in twenty-five of board and joint, go unseen.
package proof

import (
	"fmt"
	"math"
	"time"

	"trivet/control"
	"trivet/process/unit"
)

// MaxSensors is the largest number of couples.
const MaxSensors = 16

// Role is what a couple claims to sit on.
type Role uint8

// The roles. Other is not judged, except that it must not move with a cold board.
const (
	Other Role = iota
	Heater
	Joint // the first one listed is taken for a corner ball, the coolest
	PackageTop
	Board
	Neighbour
)

// Sensor is one couple.
type Sensor struct {
	Role Role
	Zone int // for Heater: index of the zone whose own loop follows it
}

// Config is everything that does not change during a proof.
type Config struct {
	Zones   []control.Zone // at most control.MaxZones
	Sensors []Sensor       // at most MaxSensors, in the order of In.Readings
	Air     unit.Celsius   // what a head is driven to by its model; 0 is 160 °C, allowed 80…200
	// PartMost ends a step early when any couple on part or board reads it; 0 is 90 °C, allowed 50…110. Heat on its way
	// adds up to 10 °C after that (sweep over drawn boards), which keeps the part below 120 °C.
	PartMost unit.Celsius
}

// In is what one step depends on besides the proof's own memory.
type In struct {
	Readings [MaxSensors]unit.Reading
	Allowed  control.Set // zones the guard allowed in the last tick
	Keep     bool        // the guard holds: time stands still and no duty rises
}

// Step says what a proof is busy with.
type Step uint8

// The steps, in order. Driving comes once per zone.
const (
	Resting  Step = iota // heat off, do all couples agree
	Driving              // one zone has heat
	Settling             // heat off again, does the part come to one temperature
	Over
)

// Out is what to do, and what has been found.
type Out struct {
	Duty    [control.MaxZones]float64 // share of rated power, 0…1; at most one is above 0
	Step    Step
	Zone    int     // the zone that is driven; −1 for none
	Share   float64 // how much of the proof is done, 0…1, an estimate
	Done    bool    // nothing is wrong
	Failed  bool    // Finding says what is wrong; there must be no more heat
	Finding Finding
}

// Times of the proof, s, and rises, K. Found on models of boards drawn at random: long enough for the slowest to answer by
// more than ten times the noise of a second's mean (0.08 K), short enough for the fastest to stay below 100 °C.
const (
	restFor   = 3
	areaLeast = 5   // longer than the lag of most couples at emitters
	silent    = 20  // no answer by then is none: the slowest heaters need 10
	bottomFor = 40  // long enough for a heavy part to pass the heat on to its top
	topFor    = 25  // shorter: the board is warm by then, and the jet from above heats more
	settleFor = 40  // the agreement of part and joint scatters by ±19 % after 15 s, ±11 % after 40 s, hardly less later
	beforeEnd = 10  // how long before its end the settling is looked at for the first time
	meanOf    = 5   // over how many seconds answers are averaged
	early     = 19  // under bottom heat, by when the order of answers has been looked at: later, heat has gone through the part
	earlyTop  = 14  // the same under top heat
	answered  = 8.0 // an emitter that has risen so far has answered
	deaf      = 4.0 // a heater couple that has not risen so far has not
	quick     = 8   // a couple on the board that answers within this is not on the board
	stranger  = 6.0 // a couple that must stand still and rises so far has answered for another
)

// Proof is the state carried from one step to the next. The zero value is at rest; use Begin.
type Proof struct {
	cfg   Config
	order [control.MaxZones]int // zones in the order they are driven
	n     int                   // how many

	last    time.Duration
	running bool
	part    float64 // s into the present second
	sum     [MaxSensors]float64
	count   [MaxSensors]int

	step    Step
	turn    int                 // index into order
	t       int                 // whole seconds into the present step
	elapsed int                 // whole seconds in all
	y       [MaxSensors]float64 // mean of the last complete second, °C
	has     [MaxSensors]bool
	rest    [MaxSensors]float64 // before any heat
	from    [MaxSensors]float64 // at the beginning of the step
	peak    [MaxSensors]float64 // highest so far
	marks   marks
	driven  control.Set               // zones that have had heat
	model   [control.MaxZones]float64 // K above ambient by the model of the zone
	highest [control.MaxZones]float64
	ambient float64
	duty    [control.MaxZones]float64
	out     Out
}

// marks are the rises that the verdict on the part's couples needs, K.
type marks struct {
	earlyBottom, earlyTop [MaxSensors]float64
	hasBottom, hasTop     bool
	before, settled       [MaxSensors]float64 // above rest, towards the end of settling and at its end
}

// Begin forgets everything and starts anew. Its error says what of c is not allowed.
func (p *Proof) Begin(c Config) error {
	if c.Air == 0 {
		c.Air = 160
	}
	if c.PartMost == 0 {
		c.PartMost = 90
	}
	switch {
	case len(c.Zones) == 0 || len(c.Zones) > control.MaxZones:
		return fmt.Errorf("proof: %d zones; allowed are 1 to %d", len(c.Zones), control.MaxZones)
	case len(c.Sensors) == 0 || len(c.Sensors) > MaxSensors:
		return fmt.Errorf("proof: %d sensors; allowed are 1 to %d", len(c.Sensors), MaxSensors)
	case !(c.Air >= 80 && c.Air <= 200):
		return fmt.Errorf("proof: air is %v; allowed is 80 to 200 °C", c.Air)
	case !(c.PartMost >= 50 && c.PartMost <= 110):
		return fmt.Errorf("proof: the part's limit is %v; allowed is 50 to 110 °C", c.PartMost)
	}
	for i, z := range c.Zones {
		if !(z.Gain > 0 && z.Inertia > 0) {
			return fmt.Errorf("proof: zone %d has gain %g and inertia %g; both must be above 0", i, z.Gain, z.Inertia)
		}
	}
	for i, s := range c.Sensors {
		if s.Role == Heater && !(s.Zone >= 0 && s.Zone < len(c.Zones)) {
			return fmt.Errorf("proof: sensor %d is of zone %d; there are %d", i, s.Zone, len(c.Zones))
		}
	}
	*p = Proof{cfg: c}
	// Emitters first: they answer before they heat the board, so that a heater's couple and one on the board cannot be taken for
	// each other. Bottom before top: from cold, the order of the answers at part and joint is clearest.
	for _, k := range [...]control.Kind{control.Area, control.BottomAir, control.TopAir} {
		for i, z := range c.Zones {
			if z.Kind == k {
				p.order[p.n] = i
				p.n++
			}
		}
	}
	p.out.Zone = -1
	return nil
}

// Step takes one tick of readings and says what to do until the next. It allocates nothing. After Done or Failed it asks
// for no heat and changes nothing.
func (p *Proof) Step(now time.Duration, in *In, out *Out) {
	dt := (now - p.last).Seconds()
	if !p.running || !(dt > 0) || dt > 1 {
		dt = 0
	}
	p.last, p.running = now, true
	if p.step != Over && p.n > 0 {
		p.follow(dt, in)
		if !in.Keep {
			p.gather(in)
			if p.part += dt; p.part >= 0.999 {
				p.part--
				p.second()
			}
		}
	}
	p.drive(in)
	p.out.Duty = p.duty
	*out = p.out
}

// gather adds the usable readings to the present second.
func (p *Proof) gather(in *In) {
	for i := range p.cfg.Sensors {
		if c, ok := in.Readings[i].Temp(); ok {
			p.sum[i] += float64(c)
			p.count[i]++
		}
	}
}

// second closes a second: means, then whatever is due.
func (p *Proof) second() {
	for i := range p.cfg.Sensors {
		switch r := p.cfg.Sensors[i].Role; {
		case p.count[i] > 0:
			p.y[i] = p.sum[i] / float64(p.count[i])
			p.peak[i] = math.Max(p.peak[i], p.y[i])
			p.has[i] = p.has[i] || p.step == Resting
		case r == Neighbour || r == Other:
			p.has[i] = false // nothing depends on it; what does is the guard's to stop
		}
		p.sum[i], p.count[i] = 0, 0
	}
	p.t++
	p.elapsed++
	switch p.step {
	case Resting:
		if p.t >= restFor {
			p.atRest()
		}
	case Driving:
		p.driving()
	case Settling:
		p.average(&p.marks.before, &p.rest, settleFor-beforeEnd)
		p.average(&p.marks.settled, &p.rest, settleFor)
		if p.t >= settleFor {
			p.settled()
		}
	}
	p.out.Step = p.step
	p.out.Share = math.Min(1, float64(p.elapsed)/float64(restFor+8*p.areas()+bottomFor+topFor+settleFor))
	if p.step == Over {
		p.out.Share = 1
	}
}

func (p *Proof) areas() int {
	n := 0
	for _, z := range p.cfg.Zones {
		if z.Kind == control.Area {
			n++
		}
	}
	return n
}

// average adds to a mean, over the meanOf seconds up to until, how far every couple is above a base.
func (p *Proof) average(dst, base *[MaxSensors]float64, until int) {
	if p.t > until-meanOf && p.t <= until {
		for i := range p.cfg.Sensors {
			dst[i] += (p.y[i] - base[i]) / meanOf
		}
	}
}

// next goes on to the next zone, or to settling.
func (p *Proof) next(first bool) {
	if !first {
		p.turn++
	}
	p.t, p.from = 0, p.y
	if p.turn < p.n {
		p.step, p.out.Zone = Driving, p.order[p.turn]
		p.driven |= 1 << p.out.Zone
		return
	}
	p.step, p.out.Zone = Settling, -1
}

// fail ends the proof with a finding.
func (p *Proof) fail(f Finding) {
	p.step, p.out.Zone = Over, -1
	p.out.Failed, p.out.Finding = true, f
}

// follow moves the models of the zones on by what they were given.
func (p *Proof) follow(dt float64, in *In) {
	for i := range p.cfg.Zones {
		z := &p.cfg.Zones[i]
		u := p.duty[i]
		if !in.Allowed.Has(i) {
			u = 0
		}
		loss := p.model[i] / z.Gain
		if z.Kind == control.Area {
			a := p.ambient + unit.ZeroCelsiusInKelvin
			t := a + p.model[i]
			loss = (t*t*t*t - a*a*a*a) / z.Gain
		}
		p.model[i] += dt * (u - loss) / z.Inertia
		p.highest[i] = math.Max(p.highest[i], p.model[i])
	}
}

// drive decides the duties. A head gets full power until its model is at the wanted air, then what holds it there.
func (p *Proof) drive(in *In) {
	kept := p.duty
	p.duty = [control.MaxZones]float64{}
	if p.step != Driving {
		return
	}
	i := p.out.Zone
	z := &p.cfg.Zones[i]
	u := 1.0
	if p.hot() {
		u = 0
	} else if z.Kind != control.Area {
		want := float64(p.cfg.Air) - p.ambient
		if p.model[i] >= want {
			u = math.Max(0, math.Min(1, want/z.Gain))
		}
	}
	if in.Keep {
		u = math.Min(u, kept[i])
	}
	p.duty[i] = u
}
