package check

import (
	"fmt"
	"math"
	"reflect"
	"time"

	"trivet/safety"
	"trivet/station"
)

func nan() float64 { return math.NaN() }

// act is one move of the adversary or of people: what it changes, what is said, and how many ticks pass.
type act struct {
	name   string
	set    func(w *world)
	say    []station.Event
	wrong  bool // a reset names another trip
	stop   bool // by the way that cannot be refused
	late   time.Duration
	still  bool // the clock stands
	ticks  int  // 1 when 0
	silent bool // the loop hangs: the safety goroutine hears nothing for too long
}

// guarding is the keeper with an eye on it.
type guarding struct {
	*station.Keeper
	l *lines
}

// Judge implements station.Guarding.
func (g guarding) Judge(now time.Duration, f *safety.Facts) safety.Verdict {
	v := g.Keeper.Judge(now, f)
	g.l.judged++
	g.l.verdict, g.l.armed, g.l.testing, g.l.test = v, f.Armed, f.Testing, f.Test.Relays
	return v
}

// Done implements station.Guarding.
func (g guarding) Done(seq uint64, armed bool, on safety.Mask) bool {
	g.l.on = on
	return g.Keeper.Done(seq, armed, on)
}

// Whole is station, keeper and guard together on the small machine.
type Whole struct {
	world  world
	lines  lines
	spec   spec
	guard  *safety.Guard
	keeper *station.Keeper
	st     *station.Station
	order  *station.RunOrder
	last   station.Snapshot
	acts   []act
	names  []string
	most   int // things that may be abnormal at once
	period time.Duration
	rows   []safety.Alarm
	rules  []Property
	known  []bool // properties that are not asked
	slot   *slot
	first  *slot // the very beginning
	twin   *slot // for a move that is compared with another
	keyer  *keyer
	ticks  int

	refused bool   // something was, in the last tick
	code    string // of a refused start in it
}

// aLong is how many ticks make a long wait.
const aLong = 100

// Config chooses a variant of the whole machine.
type Config struct {
	Only   func(name string) bool // moves of the alphabet; nil for all
	Faults int                    // abnormal things at once
	Test   bool                   // with the start-up sequence that proves contactor and relays
	Period time.Duration          // 0 for Tick
	Skip   map[string]bool        // properties that are not asked
	Owed   []safety.Owed          // trips that an earlier process left behind
}

// NewWhole builds the machine at rest, two ticks old.
func NewWhole(c Config) (*Whole, error) {
	w := &Whole{most: c.Faults, period: c.Period, rows: safety.Rows(), rules: Properties()}
	for _, p := range w.rules {
		w.known = append(w.known, c.Skip[p.Name])
	}
	if w.period == 0 {
		w.period = Tick
	}
	for _, a := range alphabet() {
		if c.Only == nil || c.Only(a.name) {
			w.acts, w.names = append(w.acts, a), append(w.names, a.name)
		}
	}
	l := smallLimits()
	l.StartTest = c.Test
	var err error
	if w.order, err = smallOrder(); err != nil {
		return nil, err
	}
	if w.guard, err = safety.NewGuard(*l); err != nil {
		return nil, err
	}
	m := machine{&w.world, &w.lines}
	w.guard.Restore(c.Owed)
	if w.keeper, err = station.NewKeeper(w.guard, m.safetyLines()); err != nil {
		return nil, err
	}
	w.st, err = station.New(station.Options{Setup: smallSetup(l), Hardware: m.hardware(), Keeper: guarding{w.keeper, &w.lines}, Law: m,
		Publish: func(s *station.Snapshot) { w.last = *s }})
	if err != nil {
		return nil, err
	}
	for range 2 {
		if p := w.tick(&act{}); p != "" {
			return nil, fmt.Errorf("a healthy machine at rest breaks %q", p)
		}
	}
	all := []any{&w.world, &w.lines, &w.spec, w.guard, w.keeper, w.st, &w.last}
	w.slot, w.first, w.twin = newSlot(all...), newSlot(all...), newSlot(all...)
	w.first.save()
	w.keyer = newKeyer(guardPolicy().with(stationPolicy()).with(wholePolicy()), &w.world, &w.lines, &w.spec, w.guard, w.keeper, w.st)
	return w, nil
}

// wholePolicy treats the machine itself.
func wholePolicy() policy {
	p := policy{
		"lines.now": {how: drop, why: "what all times are counted from"}, "lines.stuckAt": {how: drop, why: "how old it is is in the sieve"},
		"lines.beat": {how: drop, why: "only edges count"}, "lines.beatAt": {how: ago, top: 3 * half},
	}
	for _, f := range []string{"edges", "early", "judged", "kept", "heatIn", "verdict", "asked", "armed", "testing", "test", "on"} {
		p["lines."+f] = rule{how: drop, why: "of the last tick"}
	}
	for f, t := range map[string]int64{"gone": sec + half, "age": 2 * sec, "airFor": sec + half, "extract": 2 * sec, "noAir": sec + half, "weld": 2 * sec} {
		p["spec."+f] = rule{how: custom, by: cut(t), why: "cut off above what the properties compare it with"}
	}
	p["spec.over"] = rule{how: custom, by: cut(2), why: "two are enough"}
	p["spec.stuckN"] = rule{how: upto, top: 3}
	p["spec.calm"] = rule{how: custom, by: func(h *hash, v reflect.Value, _ *shape) {
		for i := range nSensors {
			h.put(uint64(v.Index(i).Int() / 60))
		}
	}, why: "heuristic: the last jump is long ago or not"}
	p["spec.coolFor"] = rule{how: coarse, top: 31 * sec, why: "heuristic: air runs on for 60 s"}
	p["spec.lastID"] = rule{how: drop, why: "counts up"}
	p["spec.heatFor"] = rule{how: coarse, top: 60 * sec, why: "heuristic: a run may take 200 s"}
	return p
}

// Reset implements System.
func (w *Whole) Reset() { w.first.restore() }

// Moves implements System.
func (w *Whole) Moves() []string { return w.names }

// Able leaves out moves that change nothing, and those that would make too much abnormal at once.
func (w *Whole) Able(m int) bool {
	a := &w.acts[m]
	if a.set == nil {
		return a.ticks < aLong || w.world.abnormal() == 0 // a long wait costs as much as a hundred others
	}
	next := w.world
	a.set(&next)
	return next != w.world && (next.abnormal() <= w.most || next.abnormal() < w.world.abnormal())
}

// Do implements System.
func (w *Whole) Do(m int) string {
	a := &w.acts[m]
	if a.set != nil {
		before := w.world.sensor
		a.set(&w.world)
		for i, s := range w.world.sensor {
			if s == stuck && before[i] != stuck {
				w.lines.stuckAt[i] = w.lines.now
			}
		}
	}
	if len(a.say) == 1 && a.set == nil && !a.stop && !w.same(a) {
		return noMemory
	}
	if p := w.tick(a); p != "" {
		return p
	}
	for range a.ticks - 1 {
		if p := w.tick(&act{}); p != "" {
			return p
		}
	}
	return ""
}

// same reports whether move a, if what it says is refused or is that an alarm has been seen, leaves what a plain tick leaves.
func (w *Whole) same(a *act) bool {
	w.twin.save()
	defer w.twin.restore()
	if w.tick(&act{}) != "" {
		return true // found out by itself
	}
	plain := w.Key()
	w.twin.restore()
	_ = w.tick(a)
	return !w.refused && a.say[0] != station.Acknowledge || w.Key() == plain
}

// tick gives the commands, makes one tick, and asks the properties.
func (w *Whole) tick(a *act) string {
	w.ticks++
	before := w.look()
	if !a.still {
		w.lines.now += w.period
	}
	w.lines.edges, w.lines.early, w.lines.judged, w.lines.kept, w.lines.heatIn, w.lines.asked = 0, 0, 0, false, false, 0
	w.st.SetRecording(!w.world.dumb)
	said := said{late: a.late, still: a.still, stop: a.stop, silent: a.silent}
	if a.silent {
		w.keeper.Silence()
		said.dark = !w.lines.enable
	}
	if a.stop {
		w.st.Stop("checker")
		w.st.StopNow()
		before.relay = w.lines.relay
		said.off = w.lines.relay == [nHeaters]bool{w.world.broken && w.lines.relay[0], false}
	}
	for _, e := range a.say {
		c := station.Command{Event: e, Order: w.order, By: "checker"}
		switch e {
		case station.Reset:
			_, _, c.TripID, _ = w.guard.FirstOut()
			if a.wrong {
				c.TripID++
			}
			said.wrong = a.wrong
		case station.Acknowledge:
			if w.last.NAlarms > 0 {
				c.Alarm, c.Subject = safety.Rows()[w.last.Alarms[0].Row].Code, w.last.Alarms[0].Subject
			}
		}
		_ = w.st.Post(c, func(err error) { said.note(e, err) }) // the queue is empty between ticks
	}
	w.st.Tick(w.lines.now, a.late)
	w.refused, w.code = said.refusals > 0, said.starts
	return w.spec.after(w, &before, &said)
}

// Save implements System.
func (w *Whole) Save() { w.slot.save() }

// Restore implements System.
func (w *Whole) Restore() { w.slot.restore() }

// Key implements System.
func (w *Whole) Key() uint64 { return w.keyer.key(w.lines.now) }

// Ticks implements System.
func (w *Whole) Ticks() int { return w.ticks }
