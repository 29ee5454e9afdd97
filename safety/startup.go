package safety

import "time"

// Finding is what the start-up sequence has found wrong.
type Finding uint8

// The findings, in the order of the steps that make them.
const (
	FoundNothing   Finding = iota
	FoundBypass            // a load has mains although the contactor is open
	FoundNoContact         // the contactor does not close on heat-enable and heartbeat
	FoundStuck             // a load has mains although its relay is off
	FoundOneShot           // the contactor stays closed without a heartbeat
	FoundDead              // a relay that is told to be on gives no mains to its load
	FoundCrossed           // another load has mains than the relay's own
)

// StartIn is what the sequence sees in a tick: what the lines of the last tick have led to.
type StartIn struct {
	Mirror bool
	Sensed Mask
}

// StartOut is what it wants on in this tick.
type StartOut struct {
	Relays Mask
	Enable bool
	Beat   bool // give a heartbeat edge; only with Enable
	Done   bool // proven, everything off again
	Found  Finding
	At     int // the heater that Found is about
	Step   int // 1…5, for people
}

// Startup proves contactor, one-shot and relays before a run, one layer after the other, in at most five seconds: ① contactor open: no
// load has mains; ② each relay on alone, contactor open: still none; ③ heat-enable and heartbeat: the contactor closes, no load has mains;
// ④ heartbeat withheld: the contactor opens; ⑤ each relay on alone: its own load has mains and no other (hazard study, section 5).
// What is not fitted cannot be proven: without a mirror contact ③ and ④ prove less, without load senses ② and ⑤ nothing.
//
// It is a step function without a clock. The element of a head is on for one tick of 100 ms without air: 1.3 °C at 1200 W.
type Startup struct {
	limits *Limits
	step   int
	began  time.Duration
	relay  int
	off    bool // in step ②: the pause after a relay
	moving bool
	struck Finding // what the last look found, and how many looks in a row have found it
	times  int
}

// strikes is how many looks in a row must find the same thing: a load sense may err once in a thousand looks.
const strikes = 3

// Times of the sequence (hazard study, section 5).
const (
	startRest   = 300 * time.Millisecond
	startCloses = 300 * time.Millisecond // 0.2 s, and the tick that reads it
	startOpens  = 700 * time.Millisecond // one-shot at most 0.5 s, contactor 0.1 s
)

// CanProve reports whether a machine has anything the sequence could see.
func (l *Limits) CanProve() bool {
	if !l.StartTest {
		return false
	}
	any := l.Mirror
	for h := range l.NHeaters {
		any = any || l.Heaters[h].Sense
	}
	return any
}

// Begin starts the sequence for a machine.
func (s *Startup) Begin(l *Limits) { *s = Startup{limits: l, step: 1, relay: -1} }

// Step does one tick. After Done or a finding it wants nothing any more.
func (s *Startup) Step(now time.Duration, in StartIn) StartOut {
	was := s.times
	out := s.look(now, in)
	if s.times == was {
		s.times = 0 // this look was clean
	}
	return out
}

func (s *Startup) look(now time.Duration, in StartIn) StartOut {
	if !s.moving {
		s.began, s.moving = now, true
	}
	in.Sensed &= s.fitted()
	if s.limits.Mirror {
		// Before the contactor may close it must not be closed, whatever the loads say.
		if in.Mirror && s.step <= 2 && now-s.began >= startRest {
			return s.strike(FoundBypass, s.first(in.Sensed), StartOut{Step: s.step})
		}
	}
	switch s.step {
	case 1:
		return s.rest(now, in)
	case 2:
		return s.open(now, in)
	case 3:
		return s.close(now, in)
	case 4:
		return s.withhold(now, in)
	case 5:
		return s.each(now, in)
	}
	return StartOut{Done: s.step == 6, Step: 5}
}

func (s *Startup) rest(now time.Duration, in StartIn) StartOut {
	if now-s.began < startRest {
		return StartOut{Step: 1}
	}
	if in.Sensed != 0 {
		return s.strike(FoundBypass, s.first(in.Sensed), StartOut{Step: 1})
	}
	s.enter(2, now)
	return s.open(now, in)
}

// open pulses one relay after the other with the contactor open, with a tick of rest between two.
func (s *Startup) open(now time.Duration, in StartIn) StartOut {
	if in.Sensed != 0 { // the same relay again
		return s.strike(FoundBypass, s.first(in.Sensed), StartOut{Relays: s.present(), Step: 2})
	}
	if s.off = !s.off; s.off {
		if s.relay = s.next(s.relay); s.relay < 0 {
			s.enter(3, now)
			return s.close(now, in)
		}
		return StartOut{Relays: 1 << s.relay, Step: 2}
	}
	return StartOut{Step: 2}
}

func (s *Startup) close(now time.Duration, in StartIn) StartOut {
	out := StartOut{Enable: true, Beat: true, Step: 3}
	if in.Sensed != 0 {
		return s.strike(FoundStuck, s.first(in.Sensed), out)
	}
	if now-s.began < startCloses {
		return out
	}
	if s.limits.Mirror && !in.Mirror {
		return s.strike(FoundNoContact, 0, out)
	}
	if s.limits.Mirror {
		s.enter(4, now)
		return s.withhold(now, in)
	}
	s.enter(5, now)
	return out
}

func (s *Startup) withhold(now time.Duration, in StartIn) StartOut {
	out := StartOut{Enable: true, Step: 4}
	if now-s.began < startOpens {
		return out
	}
	if in.Mirror {
		return s.strike(FoundOneShot, 0, out)
	}
	s.enter(5, now)
	return StartOut{Enable: true, Beat: true, Step: 5}
}

// each gives every relay one tick and looks, in the next, who has had mains.
func (s *Startup) each(now time.Duration, in StartIn) StartOut {
	out := StartOut{Enable: true, Beat: true, Step: 5}
	if now-s.began < startCloses {
		return out
	}
	if s.relay < 0 && s.limits.Mirror && !in.Mirror {
		return s.strike(FoundNoContact, 0, out)
	}
	if s.relay < 0 && in.Sensed != 0 {
		return s.strike(FoundStuck, s.first(in.Sensed), out)
	}
	if s.relay >= 0 {
		again := out
		again.Relays = s.present()
		switch own := s.present(); {
		case in.Sensed&^own != 0:
			return s.strike(FoundCrossed, s.relay, again)
		case in.Sensed&own == 0:
			return s.strike(FoundDead, s.relay, again)
		}
	}
	if s.relay = s.next(s.relay); s.relay < 0 {
		s.enter(6, now)
		return StartOut{Done: true, Step: 5}
	}
	out.Relays = 1 << s.relay
	return out
}

func (s *Startup) enter(step int, now time.Duration) {
	s.step, s.began, s.relay, s.off = step, now, -1, false
}

// strike counts a look that found something; the third in a row of the same kind is a finding, and until then out is wanted.
func (s *Startup) strike(f Finding, at int, out StartOut) StartOut {
	if f != s.struck {
		s.struck, s.times = f, 0
	}
	if s.times++; s.times >= strikes {
		return s.found(f, at)
	}
	return out
}

// present is the relay whose turn it is, as a set.
func (s *Startup) present() Mask {
	if s.relay < 0 {
		return 0
	}
	return 1 << s.relay
}

func (s *Startup) found(f Finding, at int) StartOut {
	out := StartOut{Found: f, At: at, Step: s.step}
	s.step = 7
	return out
}

// fitted is the set of heaters with a load sense.
func (s *Startup) fitted() (m Mask) {
	for h := range s.limits.NHeaters {
		if s.limits.Heaters[h].Sense {
			m = m.With(h)
		}
	}
	return m
}

// next is the heater with a load sense after h, negative after the last.
func (s *Startup) next(h int) int {
	for h++; h < s.limits.NHeaters; h++ {
		if s.limits.Heaters[h].Sense {
			return h
		}
	}
	return -1
}

// first is the lowest heater of a set, 0 for none.
func (s *Startup) first(m Mask) int {
	for h := range s.limits.NHeaters {
		if m.Has(h) {
			return h
		}
	}
	return 0
}
