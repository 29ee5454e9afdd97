package check

import (
	"errors"
	"reflect"
	"time"

	"trivet/safety"
	"trivet/station"
)

// Causes of trips whose going the properties watch for themselves.
const (
	contactOpen  = 0                         // one for each interlock
	sampleGone   = contactOpen + nInterlocks // one for each sensor
	sampleOver   = sampleGone + nSensors     // one for each sensor
	airGone      = sampleOver + nSensors
	relayStuck   = airGone + 1
	contactWeld  = relayStuck + 1
	driveBad     = contactWeld + 1
	nCauses      = driveBad + 1
	causePresent = time.Duration(-1)
)

// spec is what the properties remember: an account of the past from the machine's own inputs and outputs. It is written from the list
// of invariants and shares no code with what it judges.
type spec struct {
	valid   [nSensors]bool          // this tick brought a sample that may be believed
	age     [nSensors]time.Duration // of the last such sample
	over    [nSensors]int           // samples in a row at the ceiling
	calm    [nSensors]int           // ticks since the sensor last jumped
	gone    [nCauses]time.Duration  // since when a latched cause has been gone
	latched [nCauses]bool
	extract time.Duration // for how long extraction has been missing while heat was possible
	missing bool          // it was, in the last tick
	airFor  time.Duration // for how long air has been commanded and reported
	flows   bool
	noAir   time.Duration // for how long it has been missing while heat was possible
	weld    time.Duration // for how long the contactor has been closed without heat-enable
	stuckN  int           // looks at a relay that is off and has current
	coolFor time.Duration // for how long there has been no heat
	heatFor time.Duration // for how long heat has been possible in this run
	hot     bool          // there was heat since the blowers last stopped
	licence bool          // a start was accepted, and its run has not ended
	lastID  uint32
	want    uint8 // of the law, in the last tick
	driven  uint8 // the same, of the tick before
}

// cut puts a length of time into a key, cut off at most.
func cut(most int64) func(h *hash, v reflect.Value, n *shape) {
	return func(h *hash, v reflect.Value, _ *shape) {
		if v.Kind() != reflect.Array {
			h.put(uint64(min(v.Int(), most)))
			return
		}
		for i := range v.Len() {
			h.put(uint64(min(v.Index(i).Int(), most)))
		}
	}
}

// look is what can be seen from outside between two ticks.
type look struct {
	state    station.State
	phase    station.Phase
	heat     bool // a relay that takes commands is told to be on
	relay    [nHeaters]bool
	blower   bool
	enable   bool
	tripped  bool
	id       uint32
	row, sub int
	want     uint8
}

func (w *Whole) look() look {
	l := look{state: w.last.State, phase: w.last.Phase, relay: w.lines.relay, blower: w.lines.blower, enable: w.lines.enable, want: w.world.want}
	l.heat = l.relay[0] && !w.world.broken || l.relay[1]
	l.row, l.sub, l.id, l.tripped = w.guard.FirstOut()
	return l
}

// said is what was asked in a tick and what came of it.
type said struct {
	late        time.Duration
	still, stop bool
	silent      bool
	dark        bool // heat-enable was gone when the safety goroutine had waited long enough
	off         bool // all relays that can be switched were off when StopNow returned
	wrong       bool
	yes, asked  [nAsks]bool
	refusals    int
	starts      string // code of a refused start
}

const (
	aStart = iota
	aHold
	aRestart
	aReset
	aStop
	nAsks
)

func (s *said) note(e station.Event, err error) {
	if err != nil {
		s.refusals++
	}
	i := map[station.Event]int{station.Start: aStart, station.Hold: aHold, station.Restart: aRestart, station.Reset: aReset, station.Stop: aStop}
	n, known := i[e]
	if !known {
		return
	}
	s.asked[n], s.yes[n] = true, err == nil
	var r *station.Refusal
	if n == aStart && errors.As(err, &r) {
		s.starts = r.Code
	}
}

// observe brings the account up to date with the inputs of this tick. It comes before the properties are asked.
func (s *spec) observe(w *Whole, was *look) {
	dt := w.period
	for i := range nSensors {
		s.sensor(w, i, dt)
	}
	// Air counts from the tick that first sees it; the command in force is that of the tick before.
	flows := was.blower && by(w.world.air, was.blower)
	s.airFor += dt
	if !flows || !s.flows {
		s.airFor = 0
	}
	s.flows = flows
	since := func(d *time.Duration, was, is bool) {
		*d += dt
		if !was || !is {
			*d = 0
		}
	}
	since(&s.extract, s.missing, w.world.opened[extract] && w.lines.armed)
	s.missing = w.world.opened[extract] && w.lines.armed
	if s.noAir += dt; flows || !was.blower || !w.lines.armed {
		s.noAir = 0
	}
	if s.weld += dt; w.world.mirror != closed || was.enable {
		s.weld = 0
	}
	if !was.relay[0] && !w.lines.testing {
		if s.stuckN++; w.world.sense != closed {
			s.stuckN = 0
		}
	}
	s.coolFor += dt
	if was.heat && was.enable {
		s.coolFor, s.hot = 0, true
	}
}

func (s *spec) sensor(w *Whole, i int, dt time.Duration) {
	kind, usable := w.world.sensor[i], w.last.Sensors[i].Usable()
	s.valid[i] = kind == good || kind == atCeiling
	if s.calm[i] < 60 || kind == jump {
		s.valid[i] = usable // what jumps is believed in the end, and then the way back is a jump, too
	}
	s.age[i] += dt
	if s.valid[i] {
		s.age[i] = 0
	}
	if old := w.lines.now - w.lines.stuckAt[i]; kind == stuck && old <= w.period*5/2 {
		s.valid[i], s.age[i] = true, old
	}
	if s.over[i]++; kind != atCeiling && kind != jump || !usable {
		s.over[i] = 0
	}
	if s.calm[i] = min(s.calm[i]+1, 60); kind == jump {
		s.calm[i] = 0
	}
}

// causes is which causes of trips are there in this tick.
func (s *spec) causes(w *Whole, was *look) (c [nCauses]bool) {
	for i, open := range w.world.opened {
		c[contactOpen+i] = open
	}
	for i := range nSensors {
		c[sampleGone+i] = !s.valid[i] && s.age[i] >= lostAfter // what a lost sensor is: a gap alone is none
		c[sampleOver+i] = s.over[i] > 0
	}
	c[airGone] = was.blower && !s.flows
	c[relayStuck] = w.world.sense == closed && !was.relay[0]
	c[contactWeld] = w.world.mirror == closed && !was.enable
	c[driveBad] = s.driven >= wantBad
	return c
}

// follow brings the rest of the account up to date, when the properties have been asked.
func (s *spec) follow(w *Whole, was *look, said *said) {
	if said.yes[aStart] {
		s.licence, s.heatFor = true, 0
	}
	if w.lines.armed {
		s.heatFor += w.period
	}
	s.licence = s.licence && w.last.State.Heats()
	s.hot = s.hot && w.lines.blower
	if _, _, id, tripped := w.guard.FirstOut(); tripped {
		s.lastID = id
	}
	s.driven, s.want = s.want, w.world.want
	s.latches(w)
	now := s.causes(w, was)
	for i := range nCauses {
		switch {
		case !s.latched[i]:
			s.gone[i] = 0
		case now[i]:
			s.gone[i] = causePresent
		case s.gone[i] == causePresent:
			s.gone[i] = 0
		default:
			s.gone[i] += w.period
		}
	}
}

// latches notes which of the causes have latched.
func (s *spec) latches(w *Whole) {
	s.latched = [nCauses]bool{}
	for i := range w.last.NAlarms {
		a := &w.last.Alarms[i]
		if a.TripID == 0 {
			continue
		}
		switch w.rows[a.Row].Code {
		case "emergency_stop", "door", "extraction", "limiter":
			s.latched[contactOpen+a.Subject] = true
		case "sensor_lost":
			s.latched[sampleGone+a.Subject] = true
		case "over_ceiling":
			s.latched[sampleOver+a.Subject] = true
		case "air_lost":
			s.latched[airGone] = true
		case "relay_stuck":
			s.latched[relayStuck] = true
		case "contactor_welded":
			s.latched[contactWeld] = true
		case "bad_drive":
			s.latched[driveBad] = true
		}
	}
}

// relays is what is on now, as a set.
func (l *lines) relays() (m safety.Mask) {
	for i, on := range l.relay {
		if on {
			m = m.With(i)
		}
	}
	return m
}
