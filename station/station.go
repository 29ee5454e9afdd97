// Package station runs the machine: it reads, lets control and safety decide, and acts.
//
// One goroutine owns the hardware and calls Tick; a second owns heat-enable and the heartbeat (Keeper). Everybody else
// sends commands through a bounded queue and receives snapshots. No lock is shared with the outside, the tick never
// waits for a reader or the disk, and allocates nothing. On virtual time the same code runs without goroutines.
package station

import (
	"errors"
	"fmt"
	"sync/atomic"
	"time"

	"trivet/control"
	"trivet/control/boardid"
	"trivet/control/learn"
	"trivet/control/proof"
	"trivet/process"
	"trivet/process/unit"
	"trivet/safety"
)

// Period is the control tick: 10 Hz.
const Period = 100 * time.Millisecond

// Options is everything a station is made of.
type Options struct {
	Setup    Setup
	Hardware Hardware
	Keeper   Guarding
	Law      Law
	Proof    *proof.Config // how this machine proves its thermocouples; nil when it cannot
	// Publish receives every tick's snapshot and must return at once; the pointer is only valid during the call.
	Publish func(*Snapshot)
}

// Law decides how much heat to ask for. The cascade of package control is one; a plain schedule is another.
type Law interface {
	Begin()
	Step(now time.Duration, in *control.Inputs, out *control.Outputs)
	Transfer(in *control.Inputs)
}

// Seer is a law that also wants the board's own thermocouple.
type Seer interface {
	SeeBoard(r unit.Reading)
}

// Pacer is a law that may ask for a slower walk through the profile where the machine cannot follow.
type Pacer interface {
	Pace() float64
}

// Estimator is a law that knows where the joint is without a thermocouple there: temperature and standard deviation in °C.
type Estimator interface {
	Joint() (ball, deviation float64, ok bool)
}

// Learner is a law that can build on earlier boards, learns from each run, and steers without a joint thermocouple.
type Learner interface {
	SetLearned(*boardid.Theta)
	SetNoJoint(on bool, lower unit.Kelvin)
	Lesson() (learn.Lesson, bool)
}

// Watcher is a law that learns from heat that somebody else steers, such as the proof.
type Watcher interface {
	Watch(now time.Duration, in *control.Inputs, duty *[control.MaxZones]float64)
}

// Station is the control side. Except for Do and Stop its methods belong to the control goroutine.
type Station struct {
	setup     Setup
	hw        Hardware
	keeper    Guarding
	law       Law
	seer      Seer                        // the same law, nil when it does not care
	pacer     Pacer                       // likewise
	guesser   Guesser                     // likewise
	junctions [safety.MaxSensors]Junction // of the sensors whose chip tells
	knows     Estimator
	learns    Learner
	watch     Watcher
	follow    control.Follower

	proving    proving
	layers     layers
	commission *commissioning

	commands chan request
	stopBy   atomic.Pointer[string]
	wake     chan struct{}
	noRecord atomic.Bool // the record cannot be kept; new runs are refused
	ahead    atomic.Pointer[Ahead]

	sieves  [safety.MaxSensors]sieve
	snap    Snapshot
	facts   safety.Facts
	in      control.Inputs
	out     control.Outputs
	driven  safety.Mask
	lifted  bool
	profile process.Profile // that is followed: the order's own, or with a lowered peak
	blind   time.Duration   // how long a run without a joint has had no estimate
	quiet   time.Duration   // how long the present transient state has lasted
	airFor  time.Duration   // how long air has been waited for
	heldFor time.Duration

	melts     [safety.MaxSensors]control.Melt
	committed bool          // the run has gone into reflow, or a person said that it shall
	commitSeg int           // the segment that takes it there
	asked     bool          // the first question, after the proof, is answered
	askedAt   time.Duration // begin of the forecast that was last looked at for it
	doubts    int           // how many were
	planned   time.Duration // when the plan that is followed was made
	offAt     time.Duration // when heat last ended
	wasHot    bool
	last      time.Duration
	started   bool
	publish   func(*Snapshot)
}

type request struct {
	c     Command
	reply func(error) // called once, from the tick; must return at once
}

// New checks that the parts fit together and drives every output to its safe state before it returns.
func New(o Options) (*Station, error) {
	l := &o.Setup.Limits
	switch {
	case len(o.Setup.Sensors) != l.NSensors || len(o.Hardware.Sensors) != l.NSensors:
		return nil, fmt.Errorf("station: %d sensors described, %d guarded, %d connected; they must be the same", len(o.Setup.Sensors), l.NSensors, len(o.Hardware.Sensors))
	case len(o.Setup.Heaters) != l.NHeaters || len(o.Hardware.Relays) != l.NHeaters || len(o.Hardware.Sense) != l.NHeaters:
		return nil, fmt.Errorf("station: %d heaters described, %d guarded, %d relays; they must be the same", len(o.Setup.Heaters), l.NHeaters, len(o.Hardware.Relays))
	case len(o.Hardware.Blowers) != l.NBlowers || len(o.Hardware.Air) != l.NBlowers:
		return nil, fmt.Errorf("station: %d blowers guarded, %d connected; they must be the same", l.NBlowers, len(o.Hardware.Blowers))
	case len(o.Hardware.Interlocks) != l.NInterlock:
		return nil, fmt.Errorf("station: %d interlocks guarded, %d connected; they must be the same", l.NInterlock, len(o.Hardware.Interlocks))
	}
	s := &Station{
		setup: o.Setup, hw: o.Hardware, keeper: o.Keeper, law: o.Law, publish: o.Publish,
		commands: make(chan request, 16), wake: make(chan struct{}, 1),
	}
	s.seer, _ = o.Law.(Seer)
	s.pacer, _ = o.Law.(Pacer)
	s.guesser, _ = o.Law.(Guesser)
	for i, t := range o.Hardware.Sensors {
		s.junctions[i], _ = t.(Junction)
		if m, ok := t.(Mover); ok {
			m.ExpectMotion(false) // see Mover
		}
	}
	s.knows, _ = o.Law.(Estimator)
	s.learns, _ = o.Law.(Learner)
	s.watch, _ = o.Law.(Watcher)
	for i, info := range o.Setup.Sensors {
		s.sieves[i] = newSieve(info.Role, info.Every)
	}
	s.proving = newProving(&o)
	s.commission = newCommissioning(&s.setup)
	s.snap.State = Idle
	s.snap.Coldest, s.snap.Hottest = -1, -1
	s.snap.Recording = true
	return s, s.allOff()
}

// Setup returns what does not change while the station lives.
func (s *Station) Setup() *Setup { return &s.setup }

// SetRecording says whether the record can be kept. Safe from any goroutine.
func (s *Station) SetRecording(ok bool) { s.noRecord.Store(!ok) }

// Tick is one cycle: read, decide, act, publish. now is monotonic; late is how far the tick started behind its schedule.
func (s *Station) Tick(now, late time.Duration) {
	dt := now - s.last
	if !s.started {
		dt, s.started = 0, true
	}
	s.last = now
	sn := &s.snap
	sn.Seq++
	sn.At, sn.Late = now, late
	sn.Recording = !s.noRecord.Load()
	sn.Ahead = s.ahead.Load()

	s.read(now)
	s.obey(now)
	s.testLayers(now)
	s.facts.Late = late
	s.facts.Armed = s.heating()
	s.facts.Driven = s.driven
	verdict := s.keeper.Judge(now, &s.facts)
	sn.Verdict, sn.Facts = verdict, s.facts
	sn.ReadyBlind = s.readyBlind()
	s.advance(now, dt, &verdict)

	s.steer(now, &verdict)
	on := s.gate(&verdict)
	told, took := on, s.act(on)
	if !took {
		told = ^safety.Mask(0) // nobody knows what is on; in the start-up test, too, that earns nothing
	}
	sn.HeatEnabled = s.keeper.Done(sn.Seq, took && s.heating(), told)
	sn.NAlarms = s.keeper.Alarms(sn.Alarms[:])
	s.account(on)
	if s.publish != nil {
		s.publish(sn)
	}
}

// read takes in every sensor and contact. Nothing here can fail: a sensor that cannot be read is a reading with a reason.
func (s *Station) read(now time.Duration) {
	for _, p := range s.hw.Pollers {
		p.Poll(now)
	}
	sn, l := &s.snap, &s.setup.Limits
	sn.Coldest, sn.Hottest = -1, -1
	for i, c := range s.hw.Interlocks {
		s.facts.Closed[i] = c.Read()
	}
	var cold, hot unit.Celsius
	for i, t := range s.hw.Sensors {
		r := s.sieves[i].pass(now, t.Read(now))
		sn.Sensors[i] = r
		s.facts.Readings[i] = r
		c, ok := r.Temp()
		if !ok || l.Sensors[i].Role != safety.RoleJoint || s.facts.Without.Has(i) {
			continue
		}
		if sn.Coldest < 0 || c < cold {
			sn.Coldest, cold = i, c
		}
		if sn.Hottest < 0 || c > hot {
			sn.Hottest, hot = i, c
		}
	}
	s.surroundings(now)
	for i, c := range s.hw.Interlocks {
		// Twice, with everything else read in between: a contact that bounces for a few milliseconds has not opened (hazard I-02).
		s.facts.Closed[i] = s.facts.Closed[i] || c.Read()
		sn.Closed[i] = s.facts.Closed[i]
	}
	for i, c := range s.hw.Air {
		s.facts.AirFlows[i] = c != nil && c.Read()
	}
	s.facts.Sensed = 0
	for i, c := range s.hw.Sense {
		if c != nil && c.Read() {
			s.facts.Sensed = s.facts.Sensed.With(i)
		}
	}
	s.facts.Mirror = s.hw.Mirror != nil && s.hw.Mirror.Read()
}

// heating reports whether heat may be on in this state and phase.
func (s *Station) heating() bool {
	if s.snap.Phase == PhaseCommission && !s.commission.out.Heat {
		return false
	}
	return s.snap.State.Heats() && s.snap.Phase != PhaseLayers && s.snap.Phase != PhaseAir && s.snap.Phase != PhaseCool
}

// steer asks the law what to do.
func (s *Station) steer(now time.Duration, v *safety.Verdict) {
	sn, in := &s.snap, &s.in
	in.Plan, in.Profile = sn.Run.Plan, sn.Run.Profile
	in.Heat = s.heating()
	in.Cool = sn.State.Heats() && sn.Phase == PhaseCool
	in.Still = sn.Run.Waiting || sn.Phase == PhaseLift || sn.State == Held || sn.State == Holding
	in.Keep = v.Hold
	in.Joint = unit.Unusable(now, unit.NotRead)
	if sn.Coldest >= 0 {
		in.Joint = sn.Sensors[sn.Coldest]
	}
	in.Body = unit.Unusable(now, unit.NotRead)
	for i := range s.setup.Sensors {
		switch s.setup.Sensors[i].Role {
		case safety.RolePackageTop:
			in.Body = sn.Sensors[i]
		case safety.RoleBoard:
			if s.seer != nil {
				s.seer.SeeBoard(sn.Sensors[i])
			}
		}
	}
	for i := range s.setup.Heaters {
		in.Heaters[i] = unit.Unusable(now, unit.NotRead)
		if k := s.setup.Heaters[i].Sensor; k >= 0 {
			in.Heaters[i] = sn.Sensors[k]
		}
	}
	in.Allowed = control.Set(v.Allow)
	switch sn.Phase {
	case PhaseProof:
		s.steerProof(now)
		s.estimate()
		return
	case PhaseCommission:
		s.steerCommission(now)
		return
	}
	s.law.Step(now, in, &s.out)
	s.estimate()
	s.facts.BadDrive = s.badDrive()
	if sn.State.Heats() {
		sn.Fan = s.out.Fan
	}
}

// badDrive reports whether the law says, or its duties show, that something came out as no share of power (invariant I-9). The last
// digit of a sum may be wrong.
func (s *Station) badDrive() bool {
	const rounding = 1e-9
	bad := s.out.Bad
	for i := range s.setup.Heaters {
		d := s.out.Duty[i]
		bad = bad || !(d >= -rounding && d <= 1+rounding)
	}
	return bad
}

// gate lets through what both the law and the guard want. It can only remove (invariant I-2). A law that asks for the impossible is not
// followed at all: the guard hears of it in the next tick.
func (s *Station) gate(v *safety.Verdict) safety.Mask {
	if s.facts.Testing {
		return s.facts.Test.Relays & v.Allow
	}
	if !s.heating() || s.facts.BadDrive {
		return 0
	}
	return safety.Mask(s.out.On) & v.Allow
}

// act writes every output. A relay that does not take its command is treated as a broken machine: everything else
// is switched off, and it returns false: no heartbeat is earned, because what is really on is then not known.
func (s *Station) act(on safety.Mask) (took bool) {
	failed := false
	for i, r := range s.hw.Relays {
		if r.Set(on.Has(i)) != nil {
			failed = true
		}
	}
	if failed {
		for _, r := range s.hw.Relays {
			_ = r.Set(false) // the first failure is already counted
		}
		s.facts.BadDrive = true
		on = 0
	}
	s.driven = on
	for i, b := range s.hw.Blowers {
		s.facts.BlowerOn[i] = s.snap.Blowers[i].On && b.Set(true) == nil
		if !s.snap.Blowers[i].On {
			_ = b.Set(false) // a blower that keeps running hurts nothing
		}
	}
	if s.hw.Fan != nil {
		_ = s.hw.Fan.SetDuty(s.snap.Fan)
	}
	return !failed
}

// account fills in what was done, for those who watch.
func (s *Station) account(on safety.Mask) {
	sn := &s.snap
	sn.Mains = 0
	for i := range s.setup.Heaters {
		h := HeaterNow{Duty: s.out.Duty[i], On: on.Has(i), Allowed: sn.Verdict.Allow.Has(i), Set: s.out.Set[i], HasSet: s.heating() && sn.Phase != PhaseProof && sn.Phase != PhaseCommission}
		if !s.heating() {
			h.Duty = 0
		}
		h.Power = unit.Watt(h.Duty) * s.setup.Heaters[i].Rated
		if on.Has(i) {
			sn.Mains += s.setup.Heaters[i].Rated
		}
		sn.Heaters[i] = h
	}
	for i := range s.setup.Limits.NBlowers {
		sn.Blowers[i].Flows, sn.Blowers[i].Proven = s.facts.AirFlows[i], sn.Verdict.Proven[i]
	}
}

// StopNow switches every heater off at once, outside the schedule of ticks, and begins the stop. It is called by the
// control goroutine when Stop has woken it, so that a person does not wait for the next tick.
func (s *Station) StopNow() {
	for _, r := range s.hw.Relays {
		_ = r.Set(false) // a relay that does not answer is dropped by the missing heartbeat
	}
	s.driven = 0
}

// allOff drives every output to its safe state: heat off, blowers as they are commanded.
func (s *Station) allOff() error {
	var errs []error
	for i, r := range s.hw.Relays {
		if err := r.Set(false); err != nil {
			errs = append(errs, fmt.Errorf("switch %s off: %w", s.setup.Heaters[i].Name, err))
		}
	}
	s.driven = 0
	return errors.Join(errs...)
}
