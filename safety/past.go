package safety

import (
	"math"
	"math/bits"
	"time"

	"trivet/process/unit"
)

// past is what the guard remembers of earlier ticks: everything that one tick's facts cannot tell. It is brought up to date once, before
// the rows are asked, so that no row has a memory of its own.
type past struct {
	now, last time.Duration
	begun     bool
	backward  bool // time did not go forward

	sensors    [MaxSensors]track
	heaters    [MaxHeaters]balance
	interlocks [MaxInterlocks]contact

	mute [MaxHeaters]uint32 // last 20 ticks of drive, one bit each, set where no current flowed

	enabled  time.Duration // since when heat-enable has been given
	closed   time.Duration // since when the mirror contact has said closed
	run      Ceilings      // the run's own ceilings, as they were when heat was first possible
	loosened bool          // one of them has been raised since
	wasArmed bool
	corrupt  bool // what is stored twice does not agree
}

// Numbers of the rules about single sensors. Their sources stand beside them; "hazard" rows are those of the hazard study.
const (
	erratic      = 10  // of the last 20 samples unusable: hazard S-08 says a fifth, which a burst of 0.3 s and two stray samples reach once in a hundred hours
	fluttering   = 6   // of the last 20 ticks of drive without current: load senses that err once in a thousand looks get there once in a million years
	noisy        = 4.0 // times the spread found when commissioned (hazard S-08)
	coldSlope    = 0.5 // °C/s, of a cold junction (hazard S-10)
	coldRoom     = 0.2 // °C, two steps of the coarsest chip with its noise
	coldApart    = 8.0 // °C, from the other amplifiers (hazard S-10)
	frozenReads  = 10  // equal to the last bit, and
	frozenLeast  = time.Second
	frozenOwn    = 4.0 // K that its own heater should have moved it by: four steps of a 0.25 °C chip and as much for the model
	frozenOthers = 5.0 // K that two others on the board have moved by within frozenSpan: solder holds a joint still for less than that
	frozenEdge   = 8.0 // the same for a sensor beside the part, which follows later
	frozenBoard  = 3 * time.Second
	frozenSpan   = 10 * time.Second // what creeps for minutes proves nothing
)

// track is one sensor's past.
type track struct {
	good    time.Duration // time stamp of the last usable reading
	ever    bool
	badAt   time.Duration // of the first tick of the present gap
	gap     bool
	badFor  time.Duration // how long nothing usable has come, age of the last one included
	misses  uint32        // last 20 samples, one bit each, set where nothing usable came
	asked   time.Duration // time stamp of the newest sample, usable or not
	at      time.Duration // time stamp of the newest sample
	x0, x1  float64       // it and the one before
	n       int           // samples since the last gap
	fresh   bool          // a new one has come in this tick
	rough   float64       // K rms, from second differences
	same    int           // samples in a row with one value
	since   time.Duration // since when
	others  [MaxSensors]float64
	marked  time.Duration // when others was noted
	model   float64       // what the heat balance said when the value last changed
	frozen  bool
	cold    [11]float64 // sound cold junctions of the last second, a ring
	coldN   int
	held    int // ticks since the last of them
	coldBad bool
	coldFor time.Duration
}

// contact is one interlock's past.
type contact struct {
	closed  bool
	known   bool
	since   time.Duration    // of its present state
	changes [6]time.Duration // a ring
	n       int
	runs    int // times that heat became possible since it was last seen open
}

// step brings everything up to date with the facts of one tick.
func (p *past) step(now time.Duration, l *Limits, f *Facts) {
	p.backward = p.begun && now <= p.last
	dt := now - p.last
	if !p.begun || p.backward || dt > time.Second {
		dt = 0 // nothing can be said about an interval that was not watched
	}
	p.now, p.last, p.begun = now, now, true
	since(&p.enabled, f.Enabled, dt)
	since(&p.closed, f.Mirror, dt)
	p.coldJunctions(dt, l, f)
	for h := range l.NHeaters {
		p.heaters[h].step(dt, &l.Heaters[h].Loop, l.Room, h, f)
		p.heaters[h].settle(dt, l.Heaters[h].Blower, h, f)
	}
	p.listen(l, f)
	for i := range l.NSensors {
		p.sensors[i].step(now, f.Readings[i])
	}
	for i := range l.NSensors {
		p.freeze(now, l, f, i)
	}
	armed := f.Armed && !p.wasArmed
	for i := range l.NInterlock {
		p.interlocks[i].step(now, f.Closed[i], armed)
	}
	switch {
	case armed:
		p.run, p.loosened = f.RunCeiling, false
	case f.Armed:
		p.loosened = p.loosened || f.RunCeiling.looser(&p.run)
	}
	p.wasArmed = f.Armed
}

// drives reports whether this tick can tell if current follows the drive of heater i: its relay was told to be on for the whole tick
// before, with the contactor closed.
func drives(l *Limits, f *Facts, p *past, i int) bool {
	return f.Driven.Has(i) && p.enabled >= 500*time.Millisecond && (!l.Mirror || p.closed >= 200*time.Millisecond)
}

// listen notes in which ticks of drive no current flowed.
func (p *past) listen(l *Limits, f *Facts) {
	const window = 1<<20 - 1
	for h := range l.NHeaters {
		switch {
		case !f.Armed:
			p.mute[h] = 0
		case l.Heaters[h].Sense && drives(l, f, p, h):
			p.mute[h] = p.mute[h] << 1 & window
			if !f.Sensed.Has(h) {
				p.mute[h] |= 1
			}
		}
	}
}

// since adds dt while on and starts again otherwise.
func since(d *time.Duration, on bool, dt time.Duration) {
	if on {
		*d += dt
	} else {
		*d = 0
	}
}

// step notes what has come from the sensor in this tick.
func (t *track) step(now time.Duration, r unit.Reading) {
	const window = 1<<20 - 1
	c, ok := r.Temp()
	if r.At != t.asked { // slow inputs give one sample in several ticks
		t.asked = r.At
		t.misses = t.misses << 1 & window
		if !ok {
			t.misses |= 1
		}
	}
	if !ok {
		if !t.gap {
			t.gap, t.badAt = true, now
		}
		from := t.badAt
		if t.ever {
			from = t.good // the age of the last good sample counts too
		}
		t.badFor, t.n, t.fresh = now-from, 0, false
		return
	}
	t.gap, t.badFor, t.good, t.ever = false, 0, r.At, true
	if t.fresh = t.n == 0 || r.At != t.at; !t.fresh {
		return // the same conversion again
	}
	x := float64(c)
	t.n = min(t.n+1, 1000)
	if t.n >= 3 {
		// The second difference of white noise of spread s has a mean size of s·√6·√(2/π) = 1.954·s. A single spike is cut off, so that it
		// cannot pass for noise.
		d := math.Abs(x-2*t.x0+t.x1) / 1.954
		t.rough += 0.04 * (min(d, t.rough*3+0.3) - t.rough)
	}
	t.at, t.x0, t.x1 = r.At, x, t.x0
}

// missing is how many of the last 20 samples could not be used.
func (t *track) missing() int { return bits.OnesCount32(t.misses) }

// freeze judges whether sensor i repeats one value where it should have moved (hazard S-07). Equal values alone prove nothing on a
// chip with steps of 0.25 °C: something else must say that there was movement, its own heater's balance or two others on the board.
func (p *past) freeze(now time.Duration, l *Limits, f *Facts, i int) {
	t := &p.sensors[i]
	if t.gap {
		t.frozen, t.same = false, 0
		return
	}
	switch {
	case t.same == 0 || t.fresh && t.x0 != t.x1:
		t.same, t.since, t.frozen, t.model = 1, t.at, false, p.model(l, i)
		p.mark(now, l, t)
	case t.fresh:
		t.same++
	}
	if t.same < frozenReads || now-t.since < frozenLeast {
		return
	}
	if m := p.model(l, i); math.Abs(m-t.model) > frozenOwn {
		t.frozen = true
	}
	if now-t.marked >= frozenSpan {
		p.mark(now, l, t)
	}
	if p.boardSide(l, i) && now-t.since >= frozenBoard {
		moved, most := 0, frozenOthers
		if r := l.Sensors[i].Role; r == RoleBoard || r == RoleNeighbour {
			most = frozenEdge
		}
		for k := range l.NSensors {
			o := &p.sensors[k]
			if k != i && !o.gap && p.boardSide(l, k) && math.Abs(o.x0-t.others[k]) > most {
				moved++
			}
		}
		t.frozen = t.frozen || moved >= 2
	}
}

// mark notes where all sensors are now, to see how far they move from here.
func (p *past) mark(now time.Duration, l *Limits, t *track) {
	t.marked = now
	for k := range l.NSensors {
		t.others[k] = p.sensors[k].x0
	}
}

// boardSide reports whether sensor k sits on board or part, where all move together.
func (p *past) boardSide(l *Limits, k int) bool {
	switch l.Sensors[k].Role {
	case RoleJoint, RolePackageTop, RoleBoard, RoleNeighbour:
		return true
	}
	return false
}

// model is what the heat balance of the heater with sensor i says about its reading; NaN where there is no balance.
func (p *past) model(l *Limits, i int) float64 {
	for h := range l.NHeaters {
		if o := &l.Heaters[h].Loop; o.Gain > 0 && o.Sensor == i && p.heaters[h].on {
			return p.heaters[h].seen
		}
	}
	return math.NaN()
}

// coldJunctions judges the amplifiers' own temperatures (hazard S-10): slope, and distance from the others. The range is the drivers'.
func (p *past) coldJunctions(dt time.Duration, l *Limits, f *Facts) {
	var all [MaxSensors]float64
	n := 0
	for i := range l.NSensors {
		if c, ok := f.Cold[i].Temp(); ok {
			k := n // insertion keeps it sorted
			for ; k > 0 && all[k-1] > float64(c); k-- {
				all[k] = all[k-1]
			}
			all[k] = float64(c)
			n++
		}
	}
	for i := range l.NSensors {
		t := &p.sensors[i]
		c, ok := f.Cold[i].Temp()
		if !ok {
			t.coldBad, t.coldFor = false, 0
			if t.coldN > 0 {
				t.held++
			}
			continue
		}
		t.coldBad = t.jumps(float64(c)) || n >= 3 && math.Abs(float64(c)-all[n/2]) > coldApart // with two nobody can tell which of them is wrong
		since(&t.coldFor, t.coldBad, dt)
	}
}

// jumps reports whether the cold junction x has moved faster than one can, and notes x if not. What jumped is not compared with later: a bit
// flipped on the bus costs one sample, not the second for which it would stand among the last ten. The allowance grows while nothing sound
// comes, so that a real change is believed in the end.
func (t *track) jumps(x float64) bool {
	span := min(t.coldN, len(t.cold)-1)
	for k := range span { // k+1 sound samples ago
		was := t.cold[(t.coldN-1-k)%len(t.cold)]
		if !(math.Abs(x-was) <= coldSlope*float64(k+1+t.held)*0.1+coldRoom) {
			if t.coldN == 1 {
				t.cold[0], t.held = x, 0 // nobody knows which of the first two was wrong
			} else {
				t.held++
			}
			return true
		}
	}
	if t.held > 0 { // samples before a gap are older than their place says
		t.coldN, t.held = 0, 0
	}
	t.cold[t.coldN%len(t.cold)] = x
	t.coldN++
	return false
}

// step notes an interlock's state. armed is true in the tick in which heat becomes possible.
func (c *contact) step(now time.Duration, closed, armed bool) {
	if !c.known || closed != c.closed {
		if c.known {
			c.changes[c.n%len(c.changes)] = now
			c.n++
		}
		c.known, c.closed, c.since = true, closed, now
	}
	if !closed {
		c.runs = 0
	} else if armed {
		c.runs++
	}
}

// Rules about contacts (hazards I-02, I-01).
const (
	chatterSpan = 10 * time.Second // more than five changes in this time is chatter
	closedLeast = time.Second      // a contact must have been closed for this long before it permits a start
	untriedRuns = 50               // runs without ever opening: nobody knows whether it still can
)

// chatters reports more than five changes in the last ten seconds.
func (c *contact) chatters(now time.Duration) bool {
	return c.n >= len(c.changes) && now-c.changes[c.n%len(c.changes)] <= chatterSpan
}
