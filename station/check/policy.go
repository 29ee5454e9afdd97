package check

import (
	"reflect"
	"time"

	"trivet/safety"
)

const (
	sec  = int64(time.Second)
	half = sec / 2
)

// Reasons that come up again and again.
const (
	constant = "does not change while the station lives"
	seen     = "only people see it"
	derived  = "follows from what is in the key"
	absent   = "nothing on this machine reads it"
	same     = "always the same in these searches"
	fresh    = "written anew in every tick before anything reads it"
)

// guardPolicy treats what the guard remembers, on the machine of machine.go.
func guardPolicy() policy {
	p := policy{
		"Guard.limits": {how: drop, why: constant}, "Guard.checks": {how: drop, why: constant}, "Guard.explains": {how: drop, why: constant},
		"Guard.inverse":  {how: drop, why: derived},
		"Guard.mem":      {how: custom, by: hashMemories, why: "rows that only tell never act; the rest by subject"},
		"Guard.airSince": {how: first, top: nBlowers},
		"Guard.airOn":    {how: first, top: nBlowers},
		"Guard.tripID":   {how: drop, why: "counts up; people name the present one or another"},
		"Guard.now":      {how: drop, why: fresh},

		"past.now": {how: drop, why: fresh}, "past.last": {how: drop, why: "always the last tick"},
		"past.sensors":    {how: first, top: nSensors},
		"past.heaters":    {how: drop, why: absent},
		"past.mute":       {how: drop, why: "only tells"},
		"past.interlocks": {how: first, top: nInterlocks},
		"past.enabled":    {how: upto, top: sec}, "past.closed": {how: upto, top: sec},

		"track.good": {how: ago, top: 2 * sec}, "track.badAt": {how: ago, top: 2 * sec}, "track.badFor": {how: upto, top: 2 * sec},
		"track.misses": {how: ones, why: "heuristic: none, up to five, up to ten or more"},
		"track.asked":  {how: drop, why: "heuristic: each tick brings a new sample, but for a stale one"},
		"track.at":     {how: drop, why: absent}, "track.x0": {how: drop, why: absent}, "track.x1": {how: drop, why: absent},
		"track.n": {how: drop, why: absent}, "track.fresh": {how: drop, why: fresh}, "track.rough": {how: drop, why: absent},
		"track.same": {how: drop, why: absent}, "track.since": {how: drop, why: absent}, "track.others": {how: drop, why: absent},
		"track.marked": {how: drop, why: absent}, "track.model": {how: drop, why: absent},
		"track.cold": {how: drop, why: absent}, "track.coldN": {how: drop, why: absent}, "track.held": {how: drop, why: absent}, "track.coldFor": {how: upto, top: 2 * sec},

		"contact.since": {how: drop, why: absent}, "contact.runs": {how: drop, why: "only tells"},
		"contact.changes": {how: drop, why: "heuristic: counted by n"}, "contact.n": {how: upto, top: 6, why: "heuristic: six in any time count as six in ten seconds"},

		"Reading.At": {how: drop, why: "of the last tick, or overwritten before anything reads it"},
	}
	return p.with(factsPolicy())
}

// factsPolicy treats the facts of one tick, wherever a copy of them is kept.
func factsPolicy() policy {
	return policy{
		"Facts.Readings": {how: first, top: nSensors}, "Facts.Cold": {how: drop, why: absent}, "Facts.Closed": {how: first, top: nInterlocks},
		"Facts.BlowerOn": {how: first, top: nBlowers}, "Facts.AirFlows": {how: first, top: nBlowers},
		"Facts.HeatFor": {how: coarse, top: 60 * sec, why: "heuristic: the longest run is 200 s here"},
		"Facts.Late":    {how: drop, why: fresh},
	}
}

// stationPolicy treats the state machine and the keeper.
func stationPolicy() policy {
	p := policy{
		"Keeper.guard": {how: drop, why: "hashed by itself"}, "Keeper.lines": {how: drop, why: constant},
		"Keeper.level":   {how: drop, why: "only edges count, and they are counted"},
		"Keeper.lastSeq": {how: drop, why: "always the last tick's"}, "Keeper.facts": {how: drop, why: "the station's, of the last tick"},

		"Station.setup": {how: drop, why: constant}, "Station.hw": {how: drop, why: constant}, "Station.keeper": {how: drop, why: constant},
		"Station.law": {how: drop, why: "has no memory"}, "Station.publish": {how: drop, why: constant},
		"Station.seer": {how: drop, why: absent}, "Station.pacer": {how: drop, why: absent}, "Station.guesser": {how: drop, why: absent},
		"Station.junctions": {how: drop, why: absent}, "Station.knows": {how: drop, why: absent}, "Station.learns": {how: drop, why: absent},
		"Station.watch": {how: drop, why: absent}, "Station.commission": {how: drop, why: "nobody commissions in these searches"}, "Station.proving": {how: drop, why: "no warm-up proof on this machine"},
		"Station.commands": {how: drop, why: "empty between ticks"}, "Station.stopBy": {how: drop, why: "empty between ticks"},
		"Station.wake": {how: drop, why: "rung or not, the tick does not ask"}, "Station.ahead": {how: drop, why: "no forecast on this machine"},
		"Station.sieves": {how: first, top: nSensors}, "Station.in": {how: drop, why: fresh}, "Station.out": {how: drop, why: fresh},
		"Station.profile": {how: drop, why: same}, "Station.blind": {how: drop, why: absent},
		"Station.quiet": {how: upto, top: 5 * half}, "Station.airFor": {how: coarse, top: 5 * sec, why: "heuristic: patience is 10 s"},
		"Station.heldFor": {how: coarse, top: 60 * sec, why: "heuristic: a hold ends after 180 s"},
		"Station.melts":   {how: drop, why: seen}, "Station.askedAt": {how: drop, why: absent}, "Station.planned": {how: drop, why: absent},
		"Station.offAt": {how: agoish, top: 31 * sec, why: "heuristic: air runs on for 60 s or 10 min"}, "Station.last": {how: drop, why: "the last tick"},

		"sieve.every": {how: drop, why: constant}, "sieve.rate": {how: drop, why: constant}, "sieve.slack": {how: drop, why: constant},
		"sieve.at": {how: ago, top: 6 * sec, why: "65 K at 15 K/s are believed after 4.1 s"},

		"Follower.cfg": {how: drop, why: constant}, "Follower.plan": {how: drop, why: "follows from the joint at the start, which is in the key"},
		"Follower.last": {how: drop, why: "the last tick"}, "Follower.molten": {how: coarse, top: 10 * sec, why: "heuristic: the window opens after 10 s"},
		"Follower.above": {how: coarse, top: 20 * sec, why: "heuristic: the window closes at 75 s"}, "Follower.openFor": {how: coarse, top: 15 * sec, why: "heuristic: open for 30 s"},
		"Follower.waited": {how: coarse, top: 60 * sec, why: "heuristic: 120 s at most"}, "Follower.bestAt": {how: agoish, top: 45 * sec, why: "heuristic: 90 s without progress"},
		"Follower.at": {how: coarse, top: 2 * sec, why: "heuristic: where in the plan; its segments are longer"},

		"Startup.limits": {how: drop, why: constant}, "Startup.began": {how: ago, top: sec},
	}
	for _, f := range []string{"Seq", "At", "Ended", "Sensors", "Heaters", "Closed", "Facts", "Alarms", "NAlarms", "Mains", "Late", "Estimate", "Proof",
		"Melted", "MeltSensor", "MeltSeen", "Hottest", "ReadyBlind", "Fan"} {
		p["Snapshot."+f] = rule{how: drop, why: seen + " or " + fresh}
	}
	for _, f := range []string{"Ahead", "Why", "Lesson", "Commission"} {
		p["Snapshot."+f] = rule{how: drop, why: absent}
	}
	p["Snapshot.Coldest"] = rule{how: drop, why: fresh}
	p["Snapshot.Blowers"] = rule{how: first, top: nBlowers}
	for _, f := range []string{"ID", "Order", "Plan", "Begun", "Elapsed", "Profile", "Point"} {
		p["RunNow."+f] = rule{how: drop, why: derived}
	}
	for _, f := range []string{"MoltenFor", "Left", "Needed"} {
		p["LiftNow."+f] = rule{how: drop, why: derived}
	}
	return p
}

// with returns the rules of both.
func (p policy) with(q policy) policy {
	for k, r := range q {
		p[k] = r
	}
	return p
}

// actsOn is for each row how many of its memories can ever act here; none for rows that only tell.
func actsOn(l *safety.Limits) []int {
	var out []int
	for _, r := range safety.Rows() {
		n := 0
		switch {
		case r.Action == safety.Tell:
		case r.Of == safety.EachSensor:
			n = l.NSensors
		case r.Of == safety.EachHeater:
			n = l.NHeaters
		case r.Of == safety.EachBlower:
			n = l.NBlowers
		case r.Of == safety.EachInterlock:
			n = l.NInterlock
		default:
			n = 1
		}
		out = append(out, n)
	}
	return out
}

// acts is actsOn of the small machine; all machines of this package have the same tables.
var acts = actsOn(smallLimits())

// hashMemories puts the memories of rows that act into the key. Of one memory: whether and since when it is true (a delay here is at
// most 4 s), for how many samples, raised, latched, and for a latched one how long it has been gone (a reset wants 1 s). Who has seen it, and
// how often it came, decides how long people are shown it: every row that acts with a delay latches, so that showing is all it is.
func hashMemories(h *hash, v reflect.Value, n *shape) {
	for r, subjects := range acts {
		row := v.Index(r)
		for i := range subjects {
			m := row.Index(i)
			is, raised, latched := m.Field(memTrue).Bool(), m.Field(memRaised).Bool(), m.Field(memLatched).Bool()
			w := uint64(0)
			if is {
				w = 1 | uint64(min(m.Field(memSamples).Int(), 6))<<4
				if !raised {
					w |= uint64(min(h.now-m.Field(memSince).Int(), 4*sec)/int64(Tick/5)) << 8
				}
			}
			if latched && !is {
				w |= uint64(min(h.now-m.Field(memGone).Int(), sec)/int64(Tick/5)) << 16
			}
			if raised && (is || latched) {
				w |= 2
			}
			if latched {
				w |= 4
			}
			h.put(w)
		}
	}
}

// Places of the fields of a memory, by name, so that a field which is renamed is found out at once.
var memTrue, memSince, memGone, memSamples, memRaised, memLatched = place("true_"), place("since"), place("gone"), place("samples"), place("raised"), place("latched")

func place(name string) int {
	mem, _ := reflect.TypeFor[safety.Guard]().FieldByName("mem")
	f, ok := mem.Type.Elem().Elem().FieldByName(name)
	if !ok {
		panic("a memory of the guard has no field " + name)
	}
	return f.Index[0]
}
