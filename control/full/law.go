// Package full is the law that knows the board: it records what a run shows, has a physical model fitted to it and the
// rest of the run planned on that model, and follows the plan with feedback.
//
// It is pure. Step is the tick: it allocates nothing and never waits. Fitting and planning take milliseconds and
// happen outside, on copies: whoever runs the law takes work from Want, calls Solve where time does not matter, and
// gives the result back with Give. As long as no fresh plan is there the cascade of package control steers, so that the
// law is never worse off than without. It can ask for heat but not switch it on.
package full

import (
	"math"
	"time"

	"trivet/control"
	"trivet/control/boardid"
	"trivet/control/model"
	"trivet/control/observe"
	"trivet/control/plan"
	"trivet/process/unit"
)

// Tuning is the feedback around a plan.
type Tuning struct {
	Kc        float64 // K of heater temperature per K of joint error
	Filter    float64 // s, first-order filter on the joint
	MaxTrim   float64 // K
	AreaShare float64 // area heaters move by this multiple of the trim
	BodyBack  float64 // K of top air taken away per K that the package top is over its soft limit
}

// DefaultTuning returns what was found on random boards.
func DefaultTuning() Tuning {
	return Tuning{Kc: 5, Filter: 1, MaxTrim: 60, AreaShare: 1.3, BodyBack: 12}
}

// Config is everything that does not change during a run.
type Config struct {
	Cascade control.Config // zones, budget and the law to fall back on
	Facts   model.Facts
	// Learned is what earlier runs on boards of the same type taught, from Lesson; nil for a first article.
	Learned *boardid.Theta
	// NoJoint says that no thermocouple sits at the joint: the law steers by its estimate, in every part of a run.
	NoJoint bool
	// Lower is by how much the package top's ceiling is lowered in the plan where nothing measures the package top, K.
	Lower  unit.Kelvin
	Tuning Tuning
	Every  time.Duration // how often fit and plan are renewed; 0 is 10 s
	Fresh  time.Duration // age from which a plan is no longer followed; 0 is 45 s
	Body   unit.Celsius  // soft limit of the package top for the plan when the inputs name none; 0 for none
	Board  unit.Celsius  // ceiling of the board; 0 for none
}

// Law is the state carried from one step to the next. Its methods belong to one goroutine.
type Law struct {
	cfg      Config
	cascade  *control.Law
	share    control.Schedule // turns duties into relays under the budget
	inner    [control.MaxZones]control.PI
	fan      control.PI
	last     time.Duration
	running  bool
	joint    float64 // filtered reading
	hasJoint bool
	kept     [control.MaxZones]float64
	fanned   float64
	board    unit.Reading
	without  control.Inputs // the inputs of a run that does without a joint thermocouple
	guess    control.Inputs // the inputs with the estimate in the joint's place, for the cascade of a run without a joint

	rec      recorder
	exchange exchange
	best     *Result
	state    observe.Filter // where the lumps are by the latest fit
	params   model.Params
	seeing   bool            // state and params are of this run
	mean     float64         // W, what relays can draw of the budget on average
	off      mean            // squares of the joint's distance from the plan while heating, K²
	steering bool            // the plan is followed, not the cascade
	unlooked unlooked        // likewise, without a look at the joint
	kin      observe.Kinship // that said the board is a stranger
	stranger bool            // the board does not behave like the lesson: what was learned is left aside for the rest of the run
}

// New returns a law at rest. With facts a model cannot be built on it is the cascade and nothing else.
func New(c Config) *Law {
	if c.Every <= 0 {
		c.Every = 10 * time.Second
	}
	if c.Fresh <= 0 {
		c.Fresh = 45 * time.Second
	}
	l := &Law{cfg: c, cascade: control.New(c.Cascade), mean: control.Deliverable(c.Cascade.Zones, float64(c.Cascade.Budget))}
	l.exchange.track.Samples = make([]model.Sample, 0, longest)
	l.rec.track.Samples = make([]model.Sample, 0, longest)
	l.share = control.Schedule{Zones: c.Cascade.Zones, Budget: float64(c.Cascade.Budget), Steps: make([]control.ScheduleStep, 1)}
	l.Begin()
	return l
}

// Begin forgets everything of an earlier run.
func (l *Law) Begin() {
	l.cascade.Begin()
	l.share.Begin()
	for i, z := range l.cfg.Cascade.Zones {
		l.inner[i] = control.PI{Kp: z.Kp, Ti: z.Ti}
	}
	l.fan = control.PI{Kp: 0.02, Ti: 20} // fan share per kelvin above the cooling plan; most is in the model
	l.running, l.hasJoint, l.steering, l.seeing, l.stranger, l.best, l.fanned = false, false, false, false, false, nil, 0
	l.kept, l.off, l.unlooked = [control.MaxZones]float64{}, mean{}, unlooked{}
	l.rec.begin()
	l.exchange.begin()
}

// SeeBoard tells the law what the board thermocouple reads; call it before Step. Never calling it is allowed.
func (l *Law) SeeBoard(r unit.Reading) { l.board = r }

// Plan returns the schedule that is followed, nil while the cascade steers. It must not be changed.
func (l *Law) Plan() *plan.Schedule {
	if !l.steering || l.best == nil {
		return nil
	}
	return l.best.Schedule
}

// Pace returns how fast profile time should go from now on, 1 being as the profile asks and less where the plan found
// that the machine cannot follow. Whoever walks the profile multiplies the time that passes by it.
func (l *Law) Pace() float64 {
	if p := l.Plan(); p != nil {
		return p.PaceAt(l.last)
	}
	return 1
}

// Latest returns the last result given, followed or not; nil before the first. It must not be changed.
func (l *Law) Latest() *Result { return l.best }

// Watch takes in one tick in which somebody else steers, such as the warm-up proof with its duties: what the board shows there
// teaches as much as any other heat.
func (l *Law) Watch(now time.Duration, in *control.Inputs, duty *[control.MaxZones]float64) {
	in = l.unseen(in)
	dt := l.tick(now)
	l.note(dt, in)
	l.exchange.watch(now, in)
	l.filter(dt, in)
	l.kept, l.fanned = *duty, 0
}

// unseen takes the joint's reading away in a run that does without: one that hangs in the air would pass for a thermocouple in place.
func (l *Law) unseen(in *control.Inputs) *control.Inputs {
	if !l.cfg.NoJoint {
		return in
	}
	l.without = *in
	l.without.Joint = unit.Unusable(in.Joint.At, unit.NotRead)
	return &l.without
}

// tick returns the seconds since the last step, 0 where they mean nothing.
func (l *Law) tick(now time.Duration) float64 {
	dt := (now - l.last).Seconds()
	if !l.running || !(dt > 0) || dt > 1 {
		dt = 0
	}
	l.last, l.running = now, true
	return dt
}

// note records the tick that ends now.
func (l *Law) note(dt float64, in *control.Inputs) {
	if s, closed := l.rec.note(dt, in, l.board, &l.kept, l.fanned, l.cfg.Cascade.Zones); closed && l.seeing {
		l.state.Step(&l.params, &s)
		l.unlooked.step(l.last, &s)
	}
}

// Step returns what to do from now until the next step.
func (l *Law) Step(now time.Duration, in *control.Inputs, out *control.Outputs) {
	in = l.unseen(in)
	dt := l.tick(now)
	if (in.Heat || in.Cool) && in.Plan != nil {
		l.note(dt, in)
	}
	l.guess = *in
	if ball, _, ok := l.Joint(); l.cfg.NoJoint && ok {
		l.guess.Joint = unit.Measured(now, unit.Celsius(ball))
	}
	if in.Heat && in.Plan != nil {
		l.exchange.watch(now, in)
	}
	fresh := l.best != nil && l.best.Schedule != nil && now-l.best.Schedule.Begin < l.cfg.Fresh && now-l.best.Schedule.Begin < time.Duration(l.best.Schedule.Len()-1)*time.Second
	if !in.Heat || in.Plan == nil || !fresh {
		if l.steering { // hand over where the heaters are
			l.steering = false
			l.cascade.Begin()
			l.cascade.Transfer(&l.guess)
		}
		l.cascade.Step(now, &l.guess, out)
		l.filter(dt, in)
		if in.Cool && in.Plan != nil {
			l.cool(dt, &l.guess, out)
		}
		l.kept, l.fanned = out.Duty, out.Fan
		return
	}
	if !l.steering {
		l.steering = true
		l.rest()
	}
	l.filter(dt, in)
	l.follow(now, dt, in, out)
}

// filter follows the joint reading.
func (l *Law) filter(dt float64, in *control.Inputs) {
	y, ok := in.Joint.Temp()
	if !ok {
		return
	}
	if !l.hasJoint {
		l.joint, l.hasJoint = float64(y), true
	}
	l.joint += dt / (l.cfg.Tuning.Filter + dt) * (float64(y) - l.joint)
	if in.Heat && in.Plan != nil {
		e := l.joint - float64(in.Plan.At(in.Profile).Target)
		l.off.sum, l.off.n = l.off.sum+e*e, l.off.n+1
	}
}

// coolAhead is how far ahead of the plan the fans work: about what they need to spin up and the board to feel them, s.
const coolAhead = 3

// cool replaces the cascade's fan command by one that knows how fast board and heaters would cool by themselves, once
// a fit has been made. Without a joint the cascade's is kept.
func (l *Law) cool(dt float64, in *control.Inputs, out *control.Outputs) {
	y, ok := in.Joint.Temp()
	if !ok || !l.seeing {
		return
	}
	joint := float64(y)
	if l.hasJoint {
		joint = l.joint // filtered; an estimate is smooth by itself
	}
	u := l.rec.heat()
	here := in.Plan.At(in.Profile)
	next := in.Plan.At(in.Profile + coolAhead*time.Second)
	e := joint - float64(here.Target)
	base, ok := l.params.Fan(l.state.X, u, float64(next.Slope)-e/6) // an error is to be gone in some six seconds
	if !ok {
		return
	}
	// Half, because fans can be turned up later, but nothing in cooling warms a joint that fell too fast.
	out.Fan = l.fan.Step(dt, e, base/2, 0, 1, false, false)
}

// rest starts the heater loops from the duties they have now.
func (l *Law) rest() {
	for i := range l.inner {
		l.inner[i].Integral = 0
	}
}

// follow holds the heaters on the plan and corrects them by what the joint is off its prediction.
func (l *Law) follow(now time.Duration, dt float64, in *control.Inputs, out *control.Outputs) {
	*out = control.Outputs{}
	t := &l.cfg.Tuning
	set, rate, reading := l.best.Schedule.At(now)
	if _, ok := in.Joint.Temp(); !ok && l.estimating() {
		out.Trim = clamp(t.Kc*(l.best.Schedule.BallAt(now)-l.state.Ball(&l.params)), -t.MaxTrim, t.MaxTrim)
	} else if ok && l.hasJoint {
		// The filter's own lag is not an error of the joint.
		_, _, before := l.best.Schedule.At(now - time.Duration(t.Filter*float64(time.Second)))
		out.Trim = clamp(t.Kc*(before-l.joint), -t.MaxTrim, t.MaxTrim)
		_ = reading
	}
	for i := range l.cfg.Cascade.Zones {
		z := &l.cfg.Cascade.Zones[i]
		g, trim := groupOf(z.Kind), out.Trim
		if g == plan.Area {
			trim *= t.AreaShare
		}
		s := set[g] + trim
		if g == plan.Top && in.BodyTop > 0 {
			if b, ok := in.Body.Temp(); ok && b > in.BodyTop-bodyKnee {
				s -= t.BodyBack * float64(b-in.BodyTop+bodyKnee)
			}
		}
		s = math.Max(l.ambient(), math.Min(s, float64(z.Ceiling)))
		out.Set[i] = unit.Celsius(s)
		out.Duty[i] = l.drive(i, dt, s, rate[g], in)
	}
	l.hand(now, in, out)
}

// bodyKnee is how far below the soft limit of the package top feedback begins to take top air away, °C: a part may be near its limit for
// some seconds only, and air that is taken away at the limit still carries it over.
const bodyKnee = 1

// estimating reports whether the estimate is sure enough to be steered by where the joint has no reading.
func (l *Law) estimating() bool {
	const sure = 4 // °C, one standard deviation
	_, deviation, ok := l.Joint()
	return ok && deviation < sure
}

// drive runs the inner loop of zone i.
func (l *Law) drive(i int, dt, set, rate float64, in *control.Inputs) float64 {
	z, a := &l.cfg.Cascade.Zones[i], l.ambient()
	base := (set - a) / z.Gain
	if z.Kind == control.Area {
		base = (math.Pow(set+zeroC, 4) - math.Pow(a+zeroC, 4)) / z.Gain
	}
	base += z.Inertia * rate
	y, ok := in.Heaters[i].Temp()
	if !ok {
		return clamp(base, 0, 1) // its own sensor is silent: the model alone, for the moment the guard allows
	}
	return l.inner[i].Step(dt, set-float64(y), base, 0, 1, !in.Allowed.Has(i) || in.Keep, false)
}

// hand checks the duties and turns them into relays.
func (l *Law) hand(now time.Duration, in *control.Inputs, out *control.Outputs) {
	bad := false
	for i := range l.cfg.Cascade.Zones {
		if d := out.Duty[i]; !(d >= 0 && d <= 1) {
			bad, out.Duty[i] = true, 0
		}
		if in.Keep {
			out.Duty[i] = math.Min(out.Duty[i], l.kept[i])
		}
	}
	// Sharing the budget out and switching by error feedback is the schedule's, so that it exists once.
	set, trim := out.Set, out.Trim
	l.share.Steps[0].Duty = out.Duty
	l.share.Step(now, in, out)
	l.fanned = out.Fan
	out.Set, out.Trim, out.Bad = set, trim, bad
	l.kept = out.Duty
}

// Transfer makes the next heating step start from what the heaters have now: used when a held run goes on.
func (l *Law) Transfer(in *control.Inputs) {
	if !l.steering {
		l.cascade.Transfer(in)
		return
	}
	// A plan made before the hold is about another state: ask for a new one and let the cascade bridge the gap.
	l.best, l.steering = nil, false
	l.cascade.Begin()
	l.cascade.Transfer(in)
	l.exchange.hurry()
}

func (l *Law) ambient() float64 {
	if a, ok := l.rec.ambient(); ok {
		return a
	}
	return float64(l.cfg.Cascade.Ambient)
}

func groupOf(k control.Kind) int {
	switch k {
	case control.TopAir:
		return plan.Top
	case control.BottomAir:
		return plan.Bottom
	}
	return plan.Area
}

const zeroC = unit.ZeroCelsiusInKelvin

func clamp(v, lo, hi float64) float64 { return math.Max(lo, math.Min(hi, v)) }
