package check

import (
	"errors"
	"time"

	"trivet/control"
	"trivet/safety"
	"trivet/station"
)

// liar is an arbitrary guard: it says whatever the adversary wants, and notes what it is asked and told.
type liar struct {
	v       safety.Verdict
	tripped bool // what FirstOut says
	yields  bool // a reset succeeds
	judged  int
	done    int
	on      safety.Mask
	armed   bool
}

// station's view of an arbitrary guard.
type lying struct {
	g *liar
	l *lines
}

func (y lying) Judge(time.Duration, *safety.Facts) safety.Verdict {
	y.g.judged++
	return y.g.v
}

func (y lying) Done(_ uint64, armed bool, on safety.Mask) bool {
	y.g.done++
	y.g.on, y.g.armed = on, armed
	return armed
}

func (y lying) Reset(uint32) error {
	if !y.g.yields {
		return errors.New("no")
	}
	y.g.tripped = false
	return nil
}

func (lying) Acknowledge(string, int) error  { return nil }
func (lying) Alarms(dst []safety.Active) int { return 0 }
func (y lying) FirstOut() (row, subject int, id uint32, tripped bool) {
	return 0, 0, 1, y.g.tripped
}

// GateAlone is the station's state machine and output gate under an arbitrary guard and an arbitrary law.
type GateAlone struct {
	world   world
	lines   lines
	liar    liar
	licence bool
	st      *station.Station
	last    station.Snapshot
	order   *station.RunOrder
	acts    []gateAct
	slot    *slot
	first   *slot
	keyer   *keyer
	ticks   int
}

type gateAct struct {
	name  string
	set   func(g *GateAlone)
	say   station.Event
	stop  bool
	ticks int
}

func gateAlphabet() []gateAct {
	list := []gateAct{{name: "tick"}, {name: "wait 2.5 s", ticks: 5}, {name: "wait 12 s", ticks: 24}, {name: "stop", stop: true},
		{name: "start", say: station.Start}, {name: "hold", say: station.Hold}, {name: "restart", say: station.Restart},
		{name: "reset", say: station.Reset}, {name: "lifted", say: station.Lifted}, {name: "stop as a command", say: station.Stop}}
	set := func(name string, f func(g *GateAlone)) { list = append(list, gateAct{name: name, set: f}) }
	for i, n := range [...]string{"allows nothing", "allows air", "allows area", "allows all"} {
		set("guard "+n, func(g *GateAlone) { g.liar.v.Allow = safety.Mask(i) })
	}
	set("guard allows what there is not", func(g *GateAlone) { g.liar.v.Allow = ^safety.Mask(0) })
	set("guard says tripped", func(g *GateAlone) { g.liar.v.Tripped = !g.liar.v.Tripped })
	set("guard knows a trip", func(g *GateAlone) { g.liar.tripped = !g.liar.tripped })
	set("guard yields to a reset", func(g *GateAlone) { g.liar.yields = !g.liar.yields })
	set("guard says ready", func(g *GateAlone) { g.liar.v.Ready = !g.liar.v.Ready })
	set("guard says hold", func(g *GateAlone) { g.liar.v.Hold = !g.liar.v.Hold })
	set("guard says proven", func(g *GateAlone) { g.liar.v.Proven[0] = !g.liar.v.Proven[0] })
	set("law wants all", func(g *GateAlone) { g.world.want = wantAll })
	set("law wants nothing", func(g *GateAlone) { g.world.want = wantNone })
	set("law asks for no number", func(g *GateAlone) { g.world.want = wantNaN })
	set("relay line moves", func(g *GateAlone) { g.world.broken = !g.world.broken })
	return list
}

// NewGateAlone builds the machine at rest under a guard that allows everything.
func NewGateAlone() (*GateAlone, error) {
	g := &GateAlone{acts: gateAlphabet(), liar: liar{v: safety.Verdict{Allow: safety.All, Ready: true}}}
	g.liar.v.Proven[0] = true
	var err error
	if g.order, err = smallOrder(); err != nil {
		return nil, err
	}
	m := machine{&g.world, &g.lines}
	g.st, err = station.New(station.Options{Setup: smallSetup(smallLimits()), Hardware: m.hardware(), Keeper: lying{&g.liar, &g.lines}, Law: m,
		Publish: func(s *station.Snapshot) { g.last = *s }})
	if err != nil {
		return nil, err
	}
	for range 2 {
		g.tick(&gateAct{})
	}
	all := []any{&g.world, &g.lines, &g.liar, &g.licence, g.st, &g.last}
	g.slot, g.first = newSlot(all...), newSlot(all...)
	g.first.save()
	p := guardPolicy().with(stationPolicy()).with(wholePolicy())
	for _, f := range []string{"judged", "done", "on", "armed"} {
		p["liar."+f] = rule{how: drop, why: "of the last tick"}
	}
	g.keyer = newKeyer(p, &g.world, &g.lines, &g.liar, &g.licence, g.st)
	return g, nil
}

func (g *GateAlone) tick(a *gateAct) string {
	g.ticks++
	was, tripped := g.last.State, g.liar.tripped
	g.lines.now += Tick
	g.liar.judged, g.liar.done = 0, 0
	started, startAsked := false, false
	if a.stop {
		g.st.Stop("checker")
	}
	if a.say != "" {
		_ = g.st.Post(station.Command{Event: a.say, Order: g.order, TripID: 1, By: "checker"}, func(err error) {
			started, startAsked = a.say == station.Start && err == nil, a.say == station.Start
		})
	}
	g.lines.asked = 0
	g.st.Tick(g.lines.now, 0)
	g.licence = g.licence || started
	p := g.judge(was, tripped, started && startAsked, a)
	g.licence = g.licence && g.last.State.Heats()
	return p
}

// judge asks every property of the gate alone.
func (g *GateAlone) judge(was station.State, tripped, started bool, a *gateAct) string {
	on, v, sn := g.lines.relays(), &g.liar.v, &g.last
	if g.world.broken {
		on = on &^ 1 // that line does not listen
	}
	heat := on != 0
	idle := sn.Phase == station.PhaseAir || sn.Phase == station.PhaseCool || sn.Phase == station.PhaseRunOn
	for _, p := range []struct {
		name string
		ok   bool
	}{
		{"gate: only what the guard allows is on", on&^v.Allow == 0},
		{"gate: only what the law wants is on", control.Set(on)&^g.lines.asked == 0},
		{"gate: heat only in a state and phase that heats", implies(heat, sn.State.Heats() && !idle)},
		{"gate: heat only in a run that somebody started", implies(heat, g.licence)},
		{"gate: a verdict of tripped takes heat and state in the same tick, whatever else it allows", implies(v.Tripped, !heat && !sn.State.Heats())},
		{"gate: a start is refused while a trip is known or the guard is not ready", implies(started, !tripped && (v.Ready || a.set != nil))},
		{"gate: a state that heats is entered by a start alone", implies(sn.State.Heats() && !was.Heats(), started)},
		{"gate: stop ends heat in its own tick", implies(a.stop || a.say == station.Stop, !heat && !sn.State.Heats())},
		{"gate: a duty that is no number is off", implies(g.world.want == wantNaN, !heat)},
		{"gate: the guard is asked once and told once in every tick", g.liar.judged == 1 && g.liar.done == 1},
		{"gate: the guard is told what is on", g.world.broken || g.liar.on == on},
		{"gate: a relay that does not answer takes the others and earns no heartbeat", implies(g.world.broken, !heat && !g.liar.armed)},
		{"gate: the guard is told of heat only in a state that heats", implies(g.liar.armed, sn.State.Heats() && !idle)},
		{"gate: the law is told to keep when the guard holds", implies(v.Hold && g.lines.heatIn, g.lines.kept)},
	} {
		if !p.ok {
			return p.name
		}
	}
	return ""
}

// Reset implements System.
func (g *GateAlone) Reset() { g.first.restore() }

// Moves implements System.
func (g *GateAlone) Moves() []string {
	var out []string
	for _, a := range g.acts {
		out = append(out, a.name)
	}
	return out
}

// Able implements System: a move must change something.
func (g *GateAlone) Able(m int) bool {
	if g.acts[m].set == nil {
		return true
	}
	w, l := g.world, g.liar
	g.acts[m].set(g)
	changed := w != g.world || l != g.liar
	g.world, g.liar = w, l
	return changed
}

// Do implements System.
func (g *GateAlone) Do(m int) string {
	a := &g.acts[m]
	if a.set != nil {
		a.set(g)
	}
	if p := g.tick(a); p != "" {
		return p
	}
	for range a.ticks - 1 {
		if p := g.tick(&gateAct{}); p != "" {
			return p
		}
	}
	return ""
}

// Save implements System.
func (g *GateAlone) Save() { g.slot.save() }

// Restore implements System.
func (g *GateAlone) Restore() { g.slot.restore() }

// Key implements System.
func (g *GateAlone) Key() uint64 { return g.keyer.key(g.lines.now) }

// Ticks implements System.
func (g *GateAlone) Ticks() int { return g.ticks }

// Roots implements System.
func (g *GateAlone) Roots() [][]string {
	return [][]string{{}, {"start", "wait 2.5 s"}, {"start", "wait 2.5 s", "hold"}, {"start", "wait 12 s", "wait 12 s", "wait 2.5 s", "wait 2.5 s"}}
}

// Probe implements System; an arbitrary guard need never yield.
func (g *GateAlone) Probe() string { return "" }
