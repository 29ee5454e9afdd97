package station

import (
	"context"
	"fmt"
	"time"

	"trivet/control"
	"trivet/process"
	"trivet/process/unit"
	"trivet/safety"
)

// Times of the sequence around the profile. Common practice and judgement, no source.
const (
	airPatience = 10 * time.Second  // longest wait for blowers to prove themselves at the start
	holdAtMost  = 3 * time.Minute   // a hold keeps a part hot: it is bounded
	settleAfter = 2 * time.Second   // a stop or trip is quiet when heat has been off for this long
	runOnLeast  = 60 * time.Second  // air after heat: an element without air loses less than 1 °C/s by itself
	runOnMost   = 10 * time.Minute  // when the nozzle sensor cannot say that it is cool
	nozzleCool  = unit.Celsius(60)  // hazard A-03
	touchCool   = unit.Celsius(45)  // safe to touch: below 45–50 °C (common practice)
	fansStopAt  = unit.Celsius(50)  // board fans rest below this after a run
	idleFan     = 0.6               // board fans after a stop or trip
	liftNeeded  = 10 * time.Second  // molten this long before the window opens
	liftOpen    = 30 * time.Second  // bounded hold for the technician
	liftRipe    = 20 * time.Second  // longest wait for the peak once everything measured has melted
	stallAfter  = 90 * time.Second  // a wait in which the joint gains less than 1 °C in this time is hopeless
	liftPatient = 120 * time.Second // longest stay at peak without the joint melting
	aboveMost   = 75 * time.Second  // time above liquidus at which the window closes: 90 s are usual, cooling takes the rest
	bodyMargin  = unit.Kelvin(5)    // the law eases off this far below the package limit; stored heat alone adds up to 4.2 °C
	liftRoom    = unit.Kelvin(0.5)  // package top or board this near its limit closes the lift window before the guard has to act
	meltMargin  = unit.Kelvin(5)    // above liquidus: a class 1 couple may read 1.5 °C high, its amplifier 2 °C, and every ball must melt, not only the measured one
)

// Do hands a command to the tick and waits for its answer: nil, or a *Refusal. Safe from any goroutine.
func (s *Station) Do(ctx context.Context, c Command) error {
	answer := make(chan error, 1)
	if err := s.Post(c, func(err error) { answer <- err }); err != nil {
		return err
	}
	select {
	case err := <-answer:
		return err
	case <-ctx.Done():
		return &Refusal{Code: "no_answer", What: "The control loop did not answer in time.", Do: "Look at the page before you try again; Stop works."}
	}
}

// Post queues a command and returns; reply is called with the answer from inside the tick that carries it out.
func (s *Station) Post(c Command, reply func(error)) error {
	select {
	case s.commands <- request{c, reply}:
		return nil
	default:
		return &Refusal{Code: "busy", What: "Too many commands at once.", Do: "Try again in a second."}
	}
}

// Stop asks for the heat to end. It cannot be refused, never waits, and is safe from any goroutine, as often as you like.
func (s *Station) Stop(by string) {
	s.stopBy.Store(&by)
	select {
	case s.wake <- struct{}{}:
	default: // somebody else has already rung
	}
}

// Woken rings when Stop has been asked for.
func (s *Station) Woken() <-chan struct{} { return s.wake }

// obey carries out what people have asked for since the last tick.
func (s *Station) obey(now time.Duration) {
	by := s.stopBy.Swap(nil)
	if by != nil {
		s.stop("stopped", "Stopped by "+*by+".", *by)
	}
	for range cap(s.commands) { // bounded: a flood waits for the next tick
		select {
		case r := <-s.commands:
			if by != nil && r.c.Event == Start { // it may have come before the stop, which goes past the queue
				r.reply(&Refusal{Code: "not_now", What: "Somebody pressed Stop at the same moment.", Do: "Start again if nobody objects."})
				continue
			}
			r.reply(s.command(now, r.c))
		default:
			return
		}
	}
}

func (s *Station) command(now time.Duration, c Command) error {
	switch c.Event {
	case Start:
		return s.begin(now, c)
	case Stop:
		s.stop("stopped", "Stopped by "+c.By+".", c.By)
		return nil
	case Hold:
		if s.snap.Phase != PhaseHeat && s.snap.Phase != PhaseWait {
			return &Refusal{Code: "not_now", What: "Only a run that is heating can be held."}
		}
		s.heldFor = 0
		return s.move(Hold)
	case Restart:
		if err := s.move(Restart); err != nil {
			return err
		}
		if s.snap.NoGo { // somebody has read the reason and goes on all the same
			s.snap.NoGo, s.committed = false, s.atGate()
		}
		return nil
	case Acknowledge:
		if err := s.keeper.Acknowledge(c.Alarm, c.Subject); err != nil {
			return &Refusal{Code: "no_such_alarm", What: "This alarm is not active any more."}
		}
		return nil
	case Lifted:
		if !s.snap.Lift.Open {
			return &Refusal{Code: "not_now", What: "The lift window is not open."}
		}
		s.lifted = true
		return nil
	case Reset:
		return s.reset(c)
	case InputTest:
		return s.handInputs(c)
	}
	return &Refusal{Code: "unknown", What: fmt.Sprintf("There is no command %q.", c.Event)}
}

func (s *Station) reset(c Command) error {
	if _, _, _, tripped := s.keeper.FirstOut(); tripped {
		if s.snap.State.Live() {
			return &Refusal{Code: "not_now", What: "The run is still being brought to rest.", Do: "Try again in a few seconds."}
		}
		if err := s.keeper.Reset(c.TripID); err != nil {
			return &Refusal{Code: "not_reset", What: "Not reset: " + err.Error()}
		}
	}
	if s.snap.State == Idle {
		return nil
	}
	return s.move(Reset)
}

// move takes the state machine one step, or says in a sentence why not.
func (s *Station) move(e Event) error {
	to, err := Next(s.snap.State, e)
	if err != nil {
		return &Refusal{Code: "not_now", What: fmt.Sprintf("The station is %s; it cannot %s now.", s.snap.State, e)}
	}
	s.snap.State = to
	s.quiet = 0
	return nil
}

// begin starts a run if everything that must hold does.
func (s *Station) begin(now time.Duration, c Command) error {
	sn := &s.snap
	if _, err := Next(sn.State, Start); err != nil {
		return &Refusal{Code: "not_now", What: fmt.Sprintf("The station is %s; a run cannot start now.", sn.State), Do: "Reset first, or wait."}
	}
	if _, _, _, tripped := s.keeper.FirstOut(); tripped {
		return &Refusal{Code: "tripped", What: "A trip has not been reset.", Do: "Read what it says, mend the cause, reset."}
	}
	if s.noRecord.Load() {
		return &Refusal{Code: "no_record", What: "The record cannot be kept, so no run may start.", Do: "Make room on the disk or mend it."}
	}
	if c.Order == nil {
		return &Refusal{Code: "no_order", What: "A start must say what to run."}
	}
	if c.Order.Commission {
		return s.beginCommission(now, c)
	}
	start, err := s.prepare(c.Order)
	if err != nil {
		return err
	}
	plan, err := process.NewPlan(start.profile, start.from)
	if err != nil {
		return &Refusal{Code: "bad_profile", What: "The profile cannot be followed: " + err.Error()}
	}
	s.facts.Without = start.without
	if c.Order.NoJoint {
		sn.Coldest, sn.Hottest = -1, -1 // this tick has looked already
	}
	if err := s.canProve(c.Order); err != nil {
		s.facts.Without = 0
		return err
	}
	if err := s.move(Start); err != nil {
		s.facts.Without = 0
		return err
	}
	s.profile = start.profile
	p := &s.profile
	s.teach(c.Order, start.lower)
	s.law.Begin()
	s.walkThrough(p, plan)
	s.lifted, s.airFor, s.heldFor = false, 0, 0
	s.melts = [safety.MaxSensors]control.Melt{}
	sn.Melted, sn.MeltSensor, sn.MeltSeen = false, 0, 0
	s.asked, s.askedAt, s.doubts, s.planned = false, 0, 0, now
	s.committed, s.commitSeg, sn.NoGo, sn.Why = false, max(1, commitSegment(p)), false, nil
	s.ahead.Store(nil)
	sn.Ahead = nil
	s.facts.HeatFor = 0
	s.facts.RunCeiling = safety.Ceilings{PackageTop: p.BodyLimit}
	s.in.BodyTop = 0
	if p.BodyLimit > 0 {
		s.in.BodyTop = p.BodyLimit.Plus(-bodyMargin)
	}
	sn.Run = RunNow{Order: c.Order, Plan: plan, HasPlan: true, Begun: now, Point: plan.At(0)}
	sn.Lift = LiftNow{Needed: liftNeeded}
	sn.Ended, sn.Commission.Measured = Ending{}, nil
	s.beginSequence()
	return nil
}

// stop ends the run by itself or at somebody's word; at rest it does nothing.
func (s *Station) stop(code, reason, by string) {
	if !s.snap.State.Live() || s.snap.State == Stopping || s.snap.State == Aborting {
		return
	}
	if s.move(Stop) == nil {
		s.end(Stopped, code, reason, by)
	}
}

func (s *Station) end(st State, code, reason, by string) {
	s.snap.Ended = Ending{State: st, Code: code, Reason: reason, By: by}
	s.snap.Phase = PhaseRunOn
	s.snap.Lift.Open, s.snap.Lift.Waiting = false, false
	s.snap.Run.Finished, s.snap.Run.Waiting = true, false
	s.facts.HeatFor = 0 // it belongs to the run: a trip for its length could not be reset otherwise
	s.offAt, s.wasHot = s.snap.At, true
	s.facts.Without = 0 // what the run did without is missed again
	if s.snap.Run.Order.Commission {
		s.measured(st, code)
		return
	}
	s.learned(st, code)
}

func (s *Station) blow(on bool) {
	for i := range s.setup.Limits.NBlowers {
		s.snap.Blowers[i].On = on
	}
}

// advance moves states, phases and profile time by one tick.
func (s *Station) advance(now, dt time.Duration, v *safety.Verdict) {
	sn := &s.snap
	s.quiet += dt
	if v.Tripped && sn.State.Live() && sn.State != Aborting {
		s.trip()
	}
	switch sn.State {
	case Running, Holding, Held, Restarting:
		sn.Run.Elapsed = now - sn.Run.Begun
		s.live(now, dt, v)
	case Stopping, Aborting:
		sn.Run.Elapsed = now - sn.Run.Begun
		if s.quiet >= settleAfter {
			_ = s.move(Settled) // listed for both
		}
	}
	if !sn.State.Heats() {
		s.rest(now)
	}
}

// trip ends the run on the guard's word.
func (s *Station) trip() {
	row, sub, _, _ := s.keeper.FirstOut()
	r := safety.Rows()[row]
	code := "trip:" + r.Code
	title := safety.Title(&s.setup.Limits, row, sub)
	if s.move(Trip) == nil {
		s.end(Aborted, code, title+". "+r.Do, "")
	}
}

func (s *Station) live(now, dt time.Duration, v *safety.Verdict) {
	sn := &s.snap
	switch sn.State {
	case Holding:
		_ = s.move(Settled)
	case Restarting:
		s.law.Transfer(&s.in)
		_ = s.move(Settled)
	case Held:
		s.heldFor += dt
		if s.heldFor > holdAtMost && sn.NoGo {
			s.stop("no_go", "No reflow. "+sn.Why.Text+" "+sn.Why.Remedy, "")
			return
		}
		if s.heldFor > holdAtMost {
			s.stop("held_too_long", "Held for longer than 3 minutes, so the run was stopped to spare the part.", "")
			return
		}
	}
	if sn.Phase == PhaseLayers {
		s.afterLayers()
		return
	}
	if sn.Phase == PhaseAir {
		s.proveAir(dt, v)
		return
	}
	if sn.Phase == PhaseProof {
		s.prove(now, dt, v)
		return
	}
	if sn.Phase == PhaseCommission {
		s.test(now, dt, v)
		return
	}
	s.facts.HeatFor += dt
	frozen := sn.State == Held || sn.State == Holding || v.Hold
	coldest, doubt := s.coldest(now)
	if s.lostSight(dt, coldest) {
		return
	}
	walk := control.FollowIn{Coldest: coldest, Doubt: doubt, Frozen: frozen, Lifted: s.lifted, TooHot: s.tooHot()}
	if s.pacer != nil && sn.Phase != PhaseCool {
		walk.Pace = s.pacer.Pace()
	}
	f := s.follow.Step(now, walk)
	run := &sn.Run
	run.Profile, run.Point, run.Waiting = f.Profile, f.Point, f.Waiting
	sn.Lift.Waiting, sn.Lift.Open, sn.Lift.Left = f.Lifting && !f.Confirmed && !f.Missed, f.Open, f.OpenLeft
	sn.Lift.MoltenFor, sn.Lift.Confirmed, sn.Lift.Missed = f.MoltenFor, f.Confirmed, f.Missed
	switch {
	case f.Cooling:
		if sn.Phase != PhaseCool {
			s.offAt, s.wasHot = now, true
		}
		sn.Phase = PhaseCool
	case sn.Lift.Waiting:
		sn.Phase = PhaseLift
	case f.Waiting:
		sn.Phase = PhaseWait
	default:
		sn.Phase = PhaseHeat
	}
	if f.Stalled {
		s.stop("out_of_reach", fmt.Sprintf("The joint has stopped coming nearer to the %.0f °C the profile waits for. This machine cannot heat this board further: "+
			"choose a slower profile, cover the board around the part, or heat more from below.", float64(f.Point.Target)), "")
		return
	}
	s.commit(now)
	s.melting(dt)
	if f.Finished && s.cool(coldest) {
		s.finish()
	}
}

// cool reports whether the board has followed the plan down far enough to call the run complete.
func (s *Station) cool(joint unit.Reading) bool {
	c, ok := joint.Temp()
	return !ok || c <= s.snap.Run.Plan.At(s.snap.Run.Plan.Total()).Target.Plus(5)
}

func (s *Station) finish() {
	code, why := "complete", "The profile has been run to its end."
	if s.snap.Lift.Missed {
		code, why = "lift_missed", "The profile has been run to its end, but nobody confirmed the lift while the window was open."
		if !s.snap.Lift.Confirmed && s.snap.Lift.MoltenFor == 0 && s.snap.Run.Order.Kind != process.Removal {
			code, why = "not_wetted", "The profile has been run to its end, but the joint did not stay molten for long enough."
		}
	}
	if s.move(Finish) == nil {
		s.end(Complete, code, why, "")
	}
}

// rest looks after what is still hot when no run is live: blowers until the heads are cool, fans until the board is.
func (s *Station) rest(now time.Duration) {
	sn := &s.snap
	sn.Fan = 0
	if !s.wasHot {
		return
	}
	off := now - s.offAt
	hot, touch, known := false, true, false
	var board unit.Celsius
	for i, info := range s.setup.Sensors {
		c, ok := sn.Sensors[i].Temp()
		if ok {
			touch = touch && c < touchCool
		}
		switch info.Role {
		case safety.RoleNozzle:
			hot = hot || !ok || c > nozzleCool
		case safety.RoleJoint, safety.RoleBoard, safety.RolePackageTop:
			if ok {
				board, known = max(board, c), true
			}
		}
	}
	if !known || board > fansStopAt {
		sn.Fan = idleFan
	}
	if off >= runOnLeast && (!hot || off >= runOnMost) {
		s.blow(false)
		if known && touch {
			sn.Phase, s.wasHot = PhaseSafeCool, false
		}
	}
}
