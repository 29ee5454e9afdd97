package control

import (
	"time"

	"trivet/process"
	"trivet/process/unit"
)

// Follower walks through a plan. Profile time runs with real time except in three cases: the joint has not caught up
// where the profile says to wait for it, a person holds the run, or the lift window is open.
type Follower struct {
	cfg     FollowConfig
	plan    *process.Plan
	at      time.Duration // profile time
	last    time.Duration
	running bool

	molten    time.Duration // how long the coldest joint has been molten without a break
	above     time.Duration // how long it has been above liquidus altogether
	open      bool
	openFor   time.Duration
	waited    time.Duration // how long the lift segment has lasted
	confirmed bool
	missed    bool

	best   unit.Celsius  // the nearest the joint has come in this wait
	bestAt time.Duration // when it last came nearer by StallStep
	waits  bool
}

// StallStep is what counts as coming nearer in a wait: five times the noise of a thermocouple.
const StallStep unit.Kelvin = 1

// FollowConfig is how the lift window behaves.
type FollowConfig struct {
	Liquidus   unit.Celsius
	Margin     unit.Kelvin   // above liquidus before a ball counts as molten; all balls must be
	Needed     time.Duration // how long molten before the window opens
	MaxOpen    time.Duration // bounded hold for the technician
	MaxAbove   time.Duration // time above liquidus at which the window closes whatever else
	MaxWait    time.Duration // longest the lift segment may last without the window opening
	NearPeak   time.Duration // how much longer than Needed the window waits for the joint to come near its peak
	StallAfter time.Duration // a wait in which the joint has not come nearer by StallStep for so long is hopeless; 0 for never
	NeedPerson bool          // a removal waits for the part to be lifted; a placement only for wetting
}

// Begin starts a plan from its beginning.
func (f *Follower) Begin(plan *process.Plan, c FollowConfig) { *f = Follower{cfg: c, plan: plan} }

// FollowIn is what one step depends on.
type FollowIn struct {
	Coldest unit.Reading // coldest usable joint, or what it is taken for
	Doubt   unit.Kelvin  // how far the joint may be from Coldest either way; 0 for one that is measured
	Frozen  bool         // a person or the guard holds the run
	Lifted  bool         // the technician says the part is off
	TooHot  bool         // package top or board is at its limit: the window closes
	Pace    float64      // how fast profile time goes, above 0 and at most 1; 0 means 1
}

// Followed is where the run stands.
type Followed struct {
	Profile   time.Duration
	Point     process.Point
	Waiting   bool // for the joint
	Stalled   bool // and the joint does not come nearer any more
	Lifting   bool // in the lift segment
	Cooling   bool
	Finished  bool
	Open      bool
	OpenLeft  time.Duration
	MoltenFor time.Duration
	Confirmed bool
	Missed    bool
}

// Step moves the walk to now.
func (f *Follower) Step(now time.Duration, in FollowIn) Followed {
	dt := now - f.last
	if !f.running || dt < 0 {
		dt = 0
	}
	f.last, f.running = now, true
	f.melt(dt, in.Coldest, in.Doubt)

	p := f.plan.At(f.at)
	out := Followed{}
	liftSeg, hasLift := f.plan.LiftSegment()
	out.Lifting = hasLift && p.Segment == liftSeg && f.at >= f.plan.HoldBegin(liftSeg)
	if out.Lifting && !in.Frozen {
		f.window(dt, liftSeg, in)
	}
	done := f.confirmed || f.missed
	switch {
	case in.Frozen:
	case out.Lifting && done:
		f.at = max(f.at+dt, f.plan.HoldEnd(liftSeg)) // do not dwell at peak once the part is off
	case out.Lifting:
		f.at = min(f.at+dt, f.plan.HoldEnd(liftSeg)-time.Millisecond)
	default:
		next := f.at + paced(dt, in.Pace)
		if gate, ok := f.plan.WaitAt(p.Segment); ok && f.at < gate && next >= gate && !f.near(p.Segment, in.Coldest) {
			if f.cfg.MaxAbove > 0 && f.above >= f.cfg.MaxAbove {
				next = max(next, f.plan.HoldEnd(p.Segment)) // molten for as long as the part may be: no wait is worth more
			} else {
				next, out.Waiting = gate-time.Nanosecond, true
			}
		}
		f.at = next
		out.Stalled = f.stalled(now, out.Waiting, in.Coldest)
	}
	p = f.plan.At(f.at)
	out.Profile, out.Point = f.at, p
	cool, hasCool := f.plan.CoolSegment()
	out.Cooling = hasCool && p.Segment >= cool
	out.Finished = f.at >= f.plan.Total()
	out.Open, out.MoltenFor = f.open && !done, f.molten
	if out.Open {
		out.OpenLeft = f.left()
	}
	out.Confirmed, out.Missed = f.confirmed, f.missed
	return out
}

// stalled reports whether the wait that goes on, if any, has become hopeless. A joint without a reading does not come nearer.
func (f *Follower) stalled(now time.Duration, waiting bool, r unit.Reading) bool {
	if !waiting || f.cfg.StallAfter == 0 {
		f.waits = false
		return false
	}
	c, ok := r.Temp()
	if !f.waits {
		f.waits, f.best, f.bestAt = true, c, now
		return false
	}
	if ok && c >= f.best.Plus(StallStep) {
		f.best, f.bestAt = c, now
	}
	return now-f.bestAt >= f.cfg.StallAfter
}

// paced is the profile time that passes in dt when a law that has found the machine too weak asks for a slower walk. Only the
// way to the peak is ever slowed.
func paced(dt time.Duration, pace float64) time.Duration {
	if pace > 0 && pace < 1 {
		return time.Duration(float64(dt) * pace)
	}
	return dt
}

// melt counts how long the coldest joint has been liquid. A missing reading stops the count but does not reset the
// time above liquidus, which limits the part's exposure and must err on the long side; with a doubt the lower bound says what
// is molten and the upper bound what is above liquidus.
func (f *Follower) melt(dt time.Duration, r unit.Reading, doubt unit.Kelvin) {
	c, ok := r.Temp()
	if !ok {
		if f.above > 0 {
			f.above += dt
		}
		f.molten = 0
		return
	}
	if c.Plus(doubt) >= f.cfg.Liquidus {
		f.above += dt
	}
	if c.Plus(-doubt) >= f.cfg.Liquidus.Plus(f.cfg.Margin) {
		f.molten += dt
	} else {
		f.molten = 0
	}
}

// window opens and closes the lift window.
func (f *Follower) window(dt time.Duration, seg int, in FollowIn) {
	f.waited += dt
	if !f.open && f.molten >= f.cfg.Needed && f.above < f.cfg.MaxAbove && f.ripe(seg, in.Coldest) {
		f.open = true
	}
	if f.open {
		f.openFor += dt
		if in.Lifted || !f.cfg.NeedPerson {
			f.confirmed = true
			return
		}
	}
	if (f.open && (f.left() <= 0 || in.TooHot)) || (!f.open && f.waited >= f.cfg.MaxWait) {
		f.missed = true
	}
}

// ripe reports whether a molten joint may be lifted: it is near its peak, so that balls colder than any that is measured have melted too,
// or it is not going to come nearer inside what the part may take and a person needs for lifting.
func (f *Follower) ripe(seg int, coldest unit.Reading) bool {
	if f.plan.Profile().Segments[seg].WaitWithin <= 0 || f.near(seg, coldest) {
		return true
	}
	return f.molten >= f.cfg.Needed+f.cfg.NearPeak || f.cfg.MaxAbove-f.above <= f.cfg.MaxOpen/2
}

func (f *Follower) left() time.Duration {
	return max(0, min(f.cfg.MaxOpen-f.openFor, f.cfg.MaxAbove-f.above))
}

// near reports whether the joint is within the wait band of the segment's target.
func (f *Follower) near(seg int, r unit.Reading) bool {
	c, ok := r.Temp()
	s := f.plan.Profile().Segments[seg]
	return ok && s.Target.Sub(c) <= s.WaitWithin
}
