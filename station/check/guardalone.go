package check

import (
	"time"

	"trivet/process/unit"
	"trivet/safety"
)

// drive is what an arbitrary station tells the guard: the adversary owns every fact, the honest and the absurd.
type drive struct {
	sensor  [nSensors]level
	opened  [nInterlocks]bool
	noAir   bool
	lies    bool // the proof of air says yes whatever the blower does
	blower  bool
	armed   bool
	testing bool
	relays  safety.Mask // of the test, and driven
	sensed  bool
	mirror  bool
	enabled bool
	long    bool // heat for as long as a run may take
	tight   bool // the run's own ceiling, below every reading
	bad     bool
	silent  bool
}

// GuardAlone is the guard under an arbitrary station and an arbitrary law.
type GuardAlone struct {
	drive drive
	now   time.Duration
	seen  guardSeen
	guard *safety.Guard
	v     safety.Verdict
	rows  []safety.Alarm
	acts  []guardAct
	slot  *slot
	first *slot
	keyer *keyer
	ticks int
}

// guardSeen is the account of the past that the properties about the guard need.
type guardSeen struct {
	bad  [nSensors]time.Duration
	over [nSensors]int
	air  time.Duration
	flow bool
}

type guardAct struct {
	name  string
	set   func(d *drive)
	reset int // 1: the present trip, 2: another
	ack   bool
	late  time.Duration
	still bool
	ticks int
}

// NewGuardAlone builds a guard at rest.
func NewGuardAlone() (*GuardAlone, error) {
	g := &GuardAlone{rows: safety.Rows(), acts: guardAlphabet()}
	var err error
	if g.guard, err = safety.NewGuard(*smallLimits()); err != nil {
		return nil, err
	}
	g.tick(&guardAct{})
	all := []any{&g.drive, &g.now, &g.seen, g.guard, &g.v}
	g.slot, g.first = newSlot(all...), newSlot(all...)
	g.first.save()
	p := guardPolicy()
	p["guardSeen.bad"] = rule{how: custom, by: cut(2 * sec)}
	p["guardSeen.over"] = rule{how: custom, by: cut(2)}
	p["guardSeen.air"] = rule{how: upto, top: 2 * sec}
	g.keyer = newKeyer(p, &g.drive, &g.seen, g.guard)
	return g, nil
}

func guardAlphabet() []guardAct {
	list := []guardAct{{name: "tick"}, {name: "wait 2.5 s", ticks: 5}, {name: "reset", reset: 1}, {name: "reset another", reset: 2}, {name: "acknowledge", ack: true},
		{name: "late", late: safety.MaxLate + 1}, {name: "clock stands", still: true},
		{name: "armed, air on", set: func(d *drive) { d.armed, d.blower, d.enabled, d.mirror = true, true, true, true }},
		{name: "at rest", set: func(d *drive) { d.armed, d.enabled, d.mirror, d.relays = false, false, false, 0 }}}
	set := func(name string, f func(d *drive)) { list = append(list, guardAct{name: name, set: f}) }
	for i, n := range [...]string{"joint", "top", "nozzle"} {
		set(n+" sound", func(d *drive) { d.sensor[i] = good })
		set(n+" at ceiling", func(d *drive) { d.sensor[i] = atCeiling })
		set(n+" open", func(d *drive) { d.sensor[i] = open })
	}
	for i, n := range [...]string{"emergency stop", "door", "extraction", "limiter"} {
		set(n+" moves", func(d *drive) { d.opened[i] = !d.opened[i] })
	}
	set("air moves", func(d *drive) { d.noAir = !d.noAir })
	set("air proof lies", func(d *drive) { d.lies = !d.lies })
	set("blower moves", func(d *drive) { d.blower = !d.blower })
	set("armed moves", func(d *drive) { d.armed = !d.armed })
	set("testing moves", func(d *drive) { d.testing = !d.testing })
	set("relays move", func(d *drive) { d.relays ^= 1 })
	set("load moves", func(d *drive) { d.sensed = !d.sensed })
	set("mirror moves", func(d *drive) { d.mirror = !d.mirror })
	set("heat-enable moves", func(d *drive) { d.enabled = !d.enabled })
	set("run too long moves", func(d *drive) { d.long = !d.long })
	set("run ceiling moves", func(d *drive) { d.tight = !d.tight })
	set("bad drive moves", func(d *drive) { d.bad = !d.bad })
	set("silence moves", func(d *drive) { d.silent = !d.silent })
	return list
}

// facts is what the guard is told.
func (g *GuardAlone) facts(a *guardAct) safety.Facts {
	d := &g.drive
	f := safety.Facts{Armed: d.armed, Testing: d.testing, Mirror: d.mirror, Enabled: d.enabled, BadDrive: d.bad, Silent: d.silent, Late: a.late, Driven: d.relays}
	f.Test.Relays = d.relays
	for i := range nSensors {
		switch d.sensor[i] {
		case good:
			f.Readings[i] = unit.Measured(g.now, roomC)
		case atCeiling:
			f.Readings[i] = unit.Measured(g.now, ceilingC)
		default:
			f.Readings[i] = unit.Unusable(g.now, unit.Open)
		}
	}
	for i := range nInterlocks {
		f.Closed[i] = !d.opened[i]
	}
	f.BlowerOn[0], f.AirFlows[0] = d.blower, d.lies || d.blower && !d.noAir
	if d.sensed {
		f.Sensed = 1
	}
	if d.long {
		f.HeatFor = maxRun
	}
	if d.tight {
		f.RunCeiling = safety.Ceilings{Joint: roomC, PackageTop: roomC}
	}
	return f
}

func (g *GuardAlone) tick(a *guardAct) string {
	g.ticks++
	row, sub, id, was := g.guard.FirstOut()
	accepted := false
	if a.reset > 0 {
		name := id
		if a.reset == 2 {
			name++
		}
		accepted = g.guard.Reset(name) == nil
		if accepted && (!was || a.reset == 2) {
			return "guard: a reset names the present trip"
		}
		if _, _, _, still := g.guard.FirstOut(); accepted == still && was {
			return "guard: an accepted reset clears the trip, a refused one leaves it"
		}
	}
	if a.ack {
		_ = g.guard.Acknowledge(g.rows[row].Code, sub)
	}
	if !a.still {
		g.now += Tick
	}
	f := g.facts(a)
	g.v = g.guard.Step(g.now, &f)
	g.observe()
	r2, s2, id2, is := g.guard.FirstOut()
	if was && !accepted && (!is || r2 != row || s2 != sub || id2 != id) {
		return "guard: a trip and its first cause stay until a reset"
	}
	return g.judge(a, is)
}

func (g *GuardAlone) observe() {
	d, s := &g.drive, &g.seen
	for i := range nSensors {
		if s.bad[i] += Tick; d.sensor[i] != open {
			s.bad[i] = 0
		}
		if s.over[i]++; !g.over(i) {
			s.over[i] = 0
		}
	}
	flow := d.blower && (d.lies || !d.noAir)
	if s.air += Tick; !flow || !s.flow {
		s.air = 0
	}
	s.flow = flow
}

// over reports whether sensor i reads its ceiling, or the run's own.
func (g *GuardAlone) over(i int) bool {
	return g.drive.sensor[i] == atCeiling || g.drive.tight && i != nozzle && g.drive.sensor[i] == good
}
