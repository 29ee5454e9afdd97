package check

import (
	"time"

	"trivet/process/unit"
	"trivet/safety"
	"trivet/station"
)

// KeeperAlone is the keeper with its guard under an arbitrary control loop: one that forgets to ask, asks twice, skips a tick, lies about
// what it switched, or hangs.
type KeeperAlone struct {
	world  world
	lines  lines
	loop   loop
	guard  *safety.Guard
	keeper *station.Keeper
	acts   []keeperAct
	slot   *slot
	first  *slot
	keyer  *keyer
	ticks  int
}

// loop is what the properties remember of the calls so far.
type loop struct {
	seq    uint64
	asked  bool // the guard was asked since the last Done
	armed  bool // about heat
	owes   bool // the loop fell silent in heat: the next answer must be a trip
	allow  safety.Mask
	trip   bool
	late   bool
	ready  bool
	unsafe bool // a door stood open when it was asked
}

type keeperAct struct {
	name string
	do   func(k *KeeperAlone) string
}

// NewKeeperAlone builds a keeper that has proven air and been asked about heat.
func NewKeeperAlone() (*KeeperAlone, error) {
	k := &KeeperAlone{}
	var err error
	if k.guard, err = safety.NewGuard(*smallLimits()); err != nil {
		return nil, err
	}
	if k.keeper, err = station.NewKeeper(k.guard, machine{&k.world, &k.lines}.safetyLines()); err != nil {
		return nil, err
	}
	k.acts = []keeperAct{
		{"ask about heat", func(k *KeeperAlone) string { return k.ask(true, false, 0) }},
		{"ask at rest", func(k *KeeperAlone) string { return k.ask(false, false, 0) }},
		{"ask about heat, door open", func(k *KeeperAlone) string { return k.ask(true, true, 0) }},
		{"ask at rest, door open", func(k *KeeperAlone) string { return k.ask(false, true, 0) }},
		{"ask about heat, late", func(k *KeeperAlone) string { return k.ask(true, false, safety.MaxLate+1) }},
		{"done with heat", func(k *KeeperAlone) string { return k.done(1, true, k.loop.allow) }},
		{"done with heat, one number skipped", func(k *KeeperAlone) string { return k.done(2, true, k.loop.allow) }},
		{"done with heat, the same number", func(k *KeeperAlone) string { return k.done(0, true, k.loop.allow) }},
		{"done with heat that was not allowed", func(k *KeeperAlone) string { return k.done(1, true, k.loop.allow|1<<5|1) }},
		{"done at rest", func(k *KeeperAlone) string { return k.done(1, false, 0) }},
		{"silence", (*KeeperAlone).silence},
		{"reset", func(k *KeeperAlone) string {
			if _, _, id, ok := k.guard.FirstOut(); ok && k.keeper.Reset(id) == nil && k.lines.enable {
				return "keeper: a reset energises nothing"
			}
			return ""
		}},
	}
	all := []any{&k.world, &k.lines, &k.loop, k.guard, k.keeper}
	k.slot, k.first = newSlot(all...), newSlot(all...)
	k.first.save()
	p := guardPolicy().with(stationPolicy()).with(wholePolicy())
	p["loop.seq"] = rule{how: drop, why: "counts up"}
	p["Keeper.facts"] = rule{}
	p["Facts.Late"] = rule{}
	p["lines.beatAt"] = rule{how: drop, why: "nobody reads the contactor here"}
	k.keyer = newKeyer(p, &k.world, &k.lines, &k.loop, k.guard, k.keeper)
	return k, nil
}

func (k *KeeperAlone) ask(armed, door1 bool, late time.Duration) string {
	k.ticks++
	k.lines.now += Tick
	k.lines.edges, k.lines.judged = 0, 1
	f := safety.Facts{Armed: armed, Late: late, Mirror: k.lines.enable}
	for i := range nSensors {
		f.Readings[i] = unit.Measured(k.lines.now, roomC)
	}
	for i := range nInterlocks {
		f.Closed[i] = i != door || !door1
	}
	f.BlowerOn[0], f.AirFlows[0] = true, true
	was := k.lines.enable
	v := k.keeper.Judge(k.lines.now, &f)
	owed := k.loop.owes
	k.loop = loop{seq: k.loop.seq, asked: true, armed: armed, allow: v.Allow, trip: v.Tripped, late: late > safety.MaxLate, ready: v.Ready, unsafe: door1}
	switch {
	case v.Tripped && k.lines.enable:
		return "keeper: a trip drops heat-enable before the tick goes on"
	case k.lines.edges > 0 || !was && k.lines.enable:
		return "keeper: heat-enable and heartbeat come from Done alone"
	case owed && !v.Tripped:
		return "keeper: a loop that fell silent in heat finds the trip latched"
	case f.Enabled != was:
		return "keeper: the guard is told whether heat-enable was given"
	}
	return ""
}

func (k *KeeperAlone) done(step uint64, armed bool, on safety.Mask) string {
	k.ticks++
	k.lines.edges = 0
	k.loop.seq += step
	tidy := step == 1 || k.ticks == 1
	enabled := k.keeper.Done(k.loop.seq, armed, on)
	l := k.loop
	k.loop.asked = false
	live := k.lines.edges > 0 || enabled || k.lines.enable
	switch {
	case enabled != k.lines.enable:
		return "keeper: what Done returns is how the line stands"
	case k.lines.edges > 1:
		return "keeper: one edge at most"
	case live && !l.asked:
		return "keeper: an edge is earned by a tick in which the guard was asked"
	case live && !tidy && l.seq != step:
		return "keeper: a tick that was skipped or counted twice earns nothing"
	case live && (!armed || l.trip || l.late || on&^l.allow != 0):
		return "keeper: an edge only for heat that is on time, allowed and untripped"
	case live && l.unsafe:
		return "keeper: no heat-enable when the guard was shown an open door"
	}
	return ""
}

func (k *KeeperAlone) silence() string {
	k.ticks++
	k.loop.owes = k.loop.owes || k.lines.enable
	k.keeper.Silence()
	if k.lines.enable {
		return "keeper: silence drops heat-enable"
	}
	return ""
}

// Reset implements System.
func (k *KeeperAlone) Reset() { k.first.restore() }

// Moves implements System.
func (k *KeeperAlone) Moves() []string {
	var out []string
	for _, a := range k.acts {
		out = append(out, a.name)
	}
	return out
}

// Able implements System.
func (k *KeeperAlone) Able(int) bool { return true }

// Do implements System.
func (k *KeeperAlone) Do(m int) string { return k.acts[m].do(k) }

// Save implements System.
func (k *KeeperAlone) Save() { k.slot.save() }

// Restore implements System.
func (k *KeeperAlone) Restore() { k.slot.restore() }

// Key implements System.
func (k *KeeperAlone) Key() uint64 { return k.keyer.key(k.lines.now) }

// Ticks implements System.
func (k *KeeperAlone) Ticks() int { return k.ticks }

// Roots implements System.
func (k *KeeperAlone) Roots() [][]string {
	return [][]string{{}, {"ask at rest", "done at rest", "ask at rest", "done at rest", "ask at rest", "done at rest", "ask about heat", "done with heat"}}
}

// Probe implements System.
func (k *KeeperAlone) Probe() string { return "" }
