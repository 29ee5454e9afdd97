package station

import (
	"fmt"
	"time"

	"trivet/control/observe"
	"trivet/control/proof"
	"trivet/process"
	"trivet/process/unit"
	"trivet/safety"
)

// A run without a joint thermocouple is steered by what the law takes the joint for. Whether that may be done is decided in three
// places: before the start by what reads and what was learned, in the warm-up by whether the board behaves like the ones of the
// lesson, and at the gate before reflow once more.

const (
	blindAtMost = 20 * time.Second // longest heat without an estimate; the gentle first minute of a profile gains 15 °C in it
	band        = 2                // standard deviations of a 95 % band
)

// beginning is what a start amounts to once it has been found possible.
type beginning struct {
	profile process.Profile
	from    unit.Celsius // where the joint is now, as far as anything reads
	without safety.Mask  // sensors this run does without
	lower   unit.Kelvin  // by how much the law is to stay below the package top's limit, because nothing measures it
}

// proves reports whether the run begins with a proof: when asked for, and always when the joint is only estimated.
func (o *RunOrder) proves() bool { return o.Proof || o.NoJoint }

// prepare says how a run would begin, or why it may not.
func (s *Station) prepare(o *RunOrder) (beginning, error) {
	b := beginning{profile: o.Profile}
	if o.NoJoint {
		if err := s.prepareBlind(o, &b); err != nil {
			return b, err
		}
	} else if o.BoundedPeak {
		return b, &Refusal{Code: "bad_order", What: "A bounded peak is for runs without a joint thermocouple.", Do: "Leave it out, or ask for a run without one."}
	}
	facts := s.facts
	facts.Without = b.without
	if !safety.Ready(&s.setup.Limits, &facts) || (b.without == 0 && !s.snap.Verdict.Ready) {
		return b, unready(&s.setup.Limits, &facts)
	}
	if o.NoJoint {
		b.from, _ = s.standIn() // prepareBlind has seen that it reads
		return b, nil
	}
	if s.snap.Coldest < 0 {
		return b, &Refusal{Code: "no_joint", What: "No joint thermocouple reads.", Do: "Push its plug home."}
	}
	b.from, _ = s.snap.Sensors[s.snap.Coldest].Temp()
	return b, nil
}

// prepareBlind is prepare's part for a run without a joint thermocouple.
func (s *Station) prepareBlind(o *RunOrder, b *beginning) error {
	if s.knows == nil || s.learns == nil {
		return &Refusal{Code: "no_estimate", What: "The control law in force cannot tell where a joint is without a thermocouple there.", Do: "Attach one, or start the station with the law that learns boards."}
	}
	b.without = s.joints() // one that dangles in the air would mislead: none of them is looked at
	top := false
	for i, info := range s.setup.Sensors {
		if info.Role == safety.RolePackageTop {
			if s.snap.Sensors[i].Usable() && s.setup.Limits.Sensors[i].Guard {
				top = true
			} else {
				b.without = b.without.With(i)
			}
		}
	}
	if _, ok := s.standIn(); !ok {
		return &Refusal{Code: "no_board", What: "Neither package top nor board reads, so nothing tells where the joint is.", Do: "Attach a thermocouple to both."}
	}
	if !o.BoundedPeak {
		switch {
		case o.Lesson == nil:
			return &Refusal{Code: "no_lesson", What: "No board of this type has been run here with a joint thermocouple, so there is nothing to repeat.",
				Do: "Run the first one with a thermocouple at the joint, or choose a bounded peak."}
		case !top:
			return &Refusal{Code: "no_package_top", What: "Without a joint thermocouple the package top must be measured.", Do: "Attach a thermocouple to it, or choose a bounded peak."}
		}
		return nil
	}
	// What is not known of the joint is taken off the peak, as if nothing had been learned: the mode is for boards of which that
	// is so, or may turn out to be.
	doubt := unit.Kelvin(band * observe.Blind(float64(o.Profile.Peak()), float64(s.setup.Ambient), false))
	lowered, err := process.Lowered(o.Profile, doubt)
	if err != nil {
		return &Refusal{Code: "bad_profile", What: "The peak cannot be lowered: " + err.Error()}
	}
	b.profile = lowered
	if !top {
		b.lower = doubt
	}
	return nil
}

// readyBlind reports whether everything else holds for a run in which no joint is measured. Asked at rest only.
func (s *Station) readyBlind() bool {
	if s.learns == nil || s.snap.State.Live() {
		return false
	}
	facts := s.facts
	facts.Without = s.joints()
	return safety.Ready(&s.setup.Limits, &facts)
}

// joints is the set of all joint sensors.
func (s *Station) joints() (m safety.Mask) {
	for i := range s.setup.Sensors {
		if s.setup.Sensors[i].Role == safety.RoleJoint {
			m = m.With(i)
		}
	}
	return m
}

// standIn is the coldest of package top and board, for want of a joint.
func (s *Station) standIn() (c unit.Celsius, ok bool) {
	for i, info := range s.setup.Sensors {
		if info.Role != safety.RolePackageTop && info.Role != safety.RoleBoard {
			continue
		}
		if t, good := s.snap.Sensors[i].Temp(); good && (!ok || t < c) {
			c, ok = t, true
		}
	}
	return c, ok
}

// teach gives the law what is known of the board before it begins.
func (s *Station) teach(o *RunOrder, lower unit.Kelvin) {
	s.snap.Lesson, s.snap.Estimate, s.blind = nil, EstimateNow{}, 0
	if s.learns != nil {
		s.learns.SetLearned(o.Lesson)
		s.learns.SetNoJoint(o.NoJoint, lower)
	}
}

// learned keeps what the run has taught, once, when it ends.
func (s *Station) learned(st State, code string) {
	if s.learns == nil || s.snap.Run.Order == nil {
		return
	}
	l, ok := s.learns.Lesson()
	if !ok {
		return
	}
	l.Used = s.snap.Run.Order.Lessons
	l.Complete = st == Complete && (code == "complete" || code == "lift_missed") // a missed lift has been through its peak all the same
	s.snap.Lesson = &l
}

// provable is the proof of this run: joints it does without are not looked for.
func (s *Station) provable() proof.Config {
	c := *s.proving.cfg
	c.Sensors = append([]proof.Sensor(nil), c.Sensors...)
	for i := range c.Sensors {
		if s.facts.Without.Has(i) {
			c.Sensors[i] = proof.Sensor{Role: proof.Other}
		}
	}
	return c
}

// whereToBegin is where the joint is for a plan made now.
func (s *Station) whereToBegin() (unit.Celsius, bool) {
	sn := &s.snap
	if !sn.Run.Order.NoJoint {
		if sn.Coldest < 0 {
			return 0, false
		}
		return sn.Sensors[sn.Coldest].Temp()
	}
	if sn.Estimate.Has {
		return sn.Estimate.Joint, true
	}
	return s.standIn()
}

// estimate publishes what the law takes the joint for.
func (s *Station) estimate() {
	s.snap.Estimate = EstimateNow{}
	if s.knows == nil || !s.snap.State.Heats() {
		return
	}
	if ball, deviation, ok := s.knows.Joint(); ok {
		s.snap.Estimate = EstimateNow{Has: true, Joint: unit.Celsius(ball), Doubt: unit.Kelvin(band * deviation)}
	}
}

// coldest is the coldest joint as measured, or as estimated in a run without a thermocouple there, with the doubt about it.
func (s *Station) coldest(now time.Duration) (unit.Reading, unit.Kelvin) {
	sn := &s.snap
	switch {
	case sn.Run.Order != nil && sn.Run.Order.NoJoint:
		if sn.Estimate.Has {
			return unit.Measured(now, sn.Estimate.Joint), sn.Estimate.Doubt
		}
	case sn.Coldest >= 0:
		return sn.Sensors[sn.Coldest], 0
	}
	return unit.Unusable(now, unit.NotRead), 0
}

// lostSight ends a run without a joint thermocouple whose joint nobody knows any more, or whose board is none of its type. Once the
// run has gone into reflow only the first counts: a half-melted array is worse than one that got a little too warm.
func (s *Station) lostSight(dt time.Duration, joint unit.Reading) bool {
	if !s.snap.Run.Order.NoJoint || s.snap.Phase == PhaseCool {
		return false
	}
	s.blind += dt
	if joint.Usable() {
		s.blind = 0
	}
	if s.blind > blindAtMost {
		s.stop("no_estimate", "Nobody knows where the joint is: the law has had no estimate for 20 s. Look at the thermocouples on package top and board.", "")
		return true
	}
	a := s.snap.Ahead
	if s.committed || s.snap.Run.Order.BoundedPeak || a == nil || a.Begin < s.snap.Run.Begun || !a.Stranger {
		return false
	}
	s.stop("not_kin", strangerText(a), "")
	return true
}

// mayReflow is the gate's question to a run without a joint thermocouple: is the board one of its type. It cannot be overridden.
func (s *Station) mayReflow(now time.Duration) bool {
	o := s.snap.Run.Order
	if !o.NoJoint || o.BoundedPeak {
		return true
	}
	a := s.snap.Ahead
	if a != nil && now-a.Begin <= aheadFresh && a.KinKnown && a.Kin {
		return true
	}
	why := "It could not be shown that this board behaves like the ones it is to repeat."
	if a != nil && a.KinKnown && !a.Kin {
		why = strangerText(a)
	}
	s.stop("not_kin", why, "")
	return false
}

// strangerText says why a board is not taken for one of its type.
func strangerText(a *Ahead) string {
	return fmt.Sprintf("This board does not behave like the ones it is to repeat: it is %.1f times as far from them as they usually are from each other. "+
		"Check that it is the right board and how it lies, or run it with a thermocouple at the joint.", a.Distance)
}
