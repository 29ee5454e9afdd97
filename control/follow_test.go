package control

import (
	"testing"
	"time"

	"trivet/process/unit"
)

func follower(t *testing.T, person bool) *Follower {
	var f Follower
	f.Begin(plan(t), FollowConfig{Liquidus: 220, Margin: 5, Needed: 10 * time.Second, MaxOpen: 30 * time.Second,
		MaxAbove: 75 * time.Second, MaxWait: 60 * time.Second, NeedPerson: person})
	return &f
}

// walk steps until done or for at most d, with the joint given by profile time.
func walk(f *Follower, from, d time.Duration, joint func(now time.Duration, last Followed) unit.Reading, in FollowIn, until func(Followed) bool) (Followed, time.Duration) {
	var o Followed
	for now := from; now < from+d; now += 100 * time.Millisecond {
		in.Coldest = joint(now, o)
		o = f.Step(now, in)
		if until != nil && until(o) {
			return o, now
		}
	}
	return o, from + d
}

// onPlan is a joint that follows exactly.
func onPlan(now time.Duration, last Followed) unit.Reading {
	c := last.Point.Target
	if c == 0 {
		c = 25
	}
	return unit.Measured(now, c)
}

func TestProfileTimeStandsStillUntilTheJointHasCaughtUp(t *testing.T) {
	f := follower(t, true)
	cold := func(now time.Duration, _ Followed) unit.Reading { return unit.Measured(now, 120) }
	o, _ := walk(f, 0, 10*time.Minute, cold, FollowIn{}, nil)
	if !o.Waiting || o.Point.Segment != 0 {
		t.Fatalf("waiting %v in segment %d after ten minutes at 120 °C", o.Waiting, o.Point.Segment)
	}
	o, _ = walk(f, 10*time.Minute, 5*time.Second, func(now time.Duration, _ Followed) unit.Reading { return unit.Measured(now, 148) }, FollowIn{}, nil)
	if o.Waiting || o.Point.Segment != 1 {
		t.Errorf("still waiting (%v, segment %d) at 148 °C", o.Waiting, o.Point.Segment)
	}
}

func TestTheLiftWindowOpensAfterTheJointHasBeenMoltenLongEnoughAndClosesByItself(t *testing.T) {
	f := follower(t, true)
	var since time.Duration
	o, at := walk(f, 0, 20*time.Minute, func(now time.Duration, last Followed) unit.Reading {
		r := onPlan(now, last)
		if c, _ := r.Temp(); c >= 225 && since == 0 {
			since = now
		}
		return r
	}, FollowIn{}, func(o Followed) bool { return o.Open })
	if !o.Open || at-since < 10*time.Second {
		t.Fatalf("open %v, %v after the joint was molten", o.Open, at-since)
	}
	o, closed := walk(f, at, 5*time.Minute, onPlan, FollowIn{}, func(o Followed) bool { return !o.Open })
	if !o.Missed || closed-at > 31*time.Second {
		t.Errorf("missed %v after %v; the window may be open for 30 s", o.Missed, closed-at)
	}
	if _, end := walk(f, closed, 10*time.Minute, onPlan, FollowIn{}, func(o Followed) bool { return o.Cooling }); end-closed > 15*time.Second {
		t.Error("cooling did not begin when the window had closed")
	}
}

func TestALiftEndsThePeakAtOnce(t *testing.T) {
	f := follower(t, true)
	_, at := walk(f, 0, 20*time.Minute, onPlan, FollowIn{}, func(o Followed) bool { return o.Open })
	o, end := walk(f, at, 5*time.Minute, onPlan, FollowIn{Lifted: true}, func(o Followed) bool { return o.Cooling })
	if !o.Confirmed || end-at > 10*time.Second {
		t.Errorf("confirmed %v, cooling %v after the lift", o.Confirmed, end-at)
	}
	if o, _ = walk(f, end, 20*time.Minute, onPlan, FollowIn{}, func(o Followed) bool { return o.Finished }); !o.Finished {
		t.Error("the walk never came to its end")
	}
}

func TestTheWindowClosesWhenThePartIsAtItsLimit(t *testing.T) {
	f := follower(t, true)
	_, at := walk(f, 0, 20*time.Minute, onPlan, FollowIn{}, func(o Followed) bool { return o.Open })
	o, closed := walk(f, at, time.Minute, onPlan, FollowIn{TooHot: true}, func(o Followed) bool { return !o.Open })
	if !o.Missed || closed-at > time.Second {
		t.Errorf("missed %v, %v after the package top reached its limit", o.Missed, closed-at)
	}
}

func TestAPlacementNeedsNoPerson(t *testing.T) {
	f := follower(t, false)
	o, _ := walk(f, 0, 20*time.Minute, onPlan, FollowIn{}, func(o Followed) bool { return o.Cooling })
	if !o.Confirmed || o.Missed {
		t.Errorf("confirmed %v, missed %v", o.Confirmed, o.Missed)
	}
}

func TestAJointThatNeverMeltsDoesNotHoldThePeakForEver(t *testing.T) {
	f := follower(t, true)
	o, _ := walk(f, 0, 20*time.Minute, func(now time.Duration, last Followed) unit.Reading {
		r := onPlan(now, last)
		if c, _ := r.Temp(); c > 215 {
			return unit.Measured(now, 215)
		}
		return r
	}, FollowIn{}, func(o Followed) bool { return o.Cooling })
	if !o.Missed {
		t.Error("the lift window was not given up")
	}
}

func TestAHeldRunStandsStill(t *testing.T) {
	f := follower(t, true)
	o, at := walk(f, 0, 60*time.Second, onPlan, FollowIn{}, nil)
	held, _ := walk(f, at, 60*time.Second, onPlan, FollowIn{Frozen: true}, nil)
	if held.Profile != o.Profile {
		t.Errorf("profile time went from %v to %v while held", o.Profile, held.Profile)
	}
}

func TestALostJointIsNotMolten(t *testing.T) {
	f := follower(t, true)
	_, at := walk(f, 0, 20*time.Minute, onPlan, FollowIn{}, func(o Followed) bool { return o.MoltenFor > 5*time.Second })
	o, _ := walk(f, at, time.Second, func(now time.Duration, _ Followed) unit.Reading { return unit.Unusable(now, unit.Open) }, FollowIn{}, nil)
	if o.MoltenFor != 0 {
		t.Errorf("molten for %v without a reading", o.MoltenFor)
	}
}

func TestAWaitInWhichTheJointComesNoNearerIsHopeless(t *testing.T) {
	f := follower(t, true)
	f.cfg.StallAfter = 90 * time.Second
	slow := func(now time.Duration, _ Followed) unit.Reading { // 1.2 K a minute for five minutes, then no more
		return unit.Measured(now, 120+unit.Celsius(0.02*min(now, 10*time.Minute).Seconds()))
	}
	o, at := walk(f, 0, 20*time.Minute, slow, FollowIn{}, func(o Followed) bool { return o.Stalled })
	if !o.Stalled || at < 11*time.Minute || at > 12*time.Minute+30*time.Second {
		t.Errorf("stalled %v at %v; it stopped coming nearer at 10 min", o.Stalled, at)
	}
}

func TestAWaitAtThePeakEndsWhenTheJointHasBeenMoltenForLongEnough(t *testing.T) {
	f := follower(t, false)
	short := func(now time.Duration, last Followed) unit.Reading { // never nearer to the peak than 229 °C, far above liquidus
		c := last.Point.Target
		if c == 0 {
			c = 25
		}
		return unit.Measured(now, min(c, 229))
	}
	var above time.Duration
	walk(f, 0, 30*time.Minute, short, FollowIn{}, func(o Followed) bool {
		if o.Point.Target > 220 {
			above += 100 * time.Millisecond
		}
		return o.Cooling
	})
	if above > 2*time.Minute {
		t.Errorf("molten for %v, waiting for a peak that never comes", above)
	}
}
