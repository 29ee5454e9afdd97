// Package control decides how much heat to ask for.
//
// It is a function of time and inputs: no clock, no goroutine, no I/O, and Step allocates nothing. It can ask for
// heat but not switch it on: the safety package may take any of it away, and control never learns how.
//
// The law is a cascade. An outer PI loop steers the coldest joint along the plan by moving the set-points of all
// heaters together; an inner PI loop per heater holds its set-point. Both stand on feed-forward: the outer on a heat
// balance of the board (forward.go), the inner on the heater's measured gain and time constant. Relays are switched
// by error feedback under the mains budget (share.go).
package control

import (
	"math"
	"time"

	"trivet/process"
	"trivet/process/unit"
)

// MaxZones is the largest number of heaters.
const MaxZones = 8

// Kind is what sort of heater a zone is.
type Kind uint8

// The kinds of heater.
const (
	TopAir Kind = iota
	BottomAir
	Area
)

// Zone is one heater with the model of its own loop, found by a step test of this machine.
type Zone struct {
	Kind    Kind
	Rated   unit.Watt
	Ceiling unit.Celsius // highest set-point; the guard's ceiling lies above it
	// Gain is what full power settles at: in K above ambient for hot air, in K⁴ above ambient for an area heater,
	// whose loss is radiation.
	Gain float64
	// Inertia is the extra duty that makes it move by one K/s: heat capacity over rated power, in s/K.
	Inertia float64
	Kp      float64 // duty per kelvin
	Ti      float64 // s
	MaxDuty float64 // highest mean duty, for a heater that must not be asked for all it has; 0 means 1
}

// Most is the highest mean duty of the zone.
func (z *Zone) Most() float64 {
	if z.MaxDuty > 0 && z.MaxDuty < 1 {
		return z.MaxDuty
	}
	return 1
}

// Tuning is the outer loop.
type Tuning struct {
	Kc        float64 // K of set-point per K of joint error
	Ti        float64 // s
	Filter    float64 // s, first-order filter on the joint
	MaxTrim   float64 // K, the most the outer loop may move set-points
	AreaShare float64 // area heaters move by this multiple of the trim
	AirLead   float64 // s, how far ahead of the plan the air is sent
	AreaLead  float64 // s, the same for the slower area heaters
	BodyBack  float64 // K of top-air set-point taken away per K that the package top is over its soft limit
}

// DefaultTuning is a starting point found by SIMC rules on models of random boards (control study:
// Kc 7–9, Ti 24–48 s) and not tuned to any one board.
var defaultTuning = Tuning{Kc: 8, Ti: 36, Filter: 1.5, MaxTrim: 120, AreaShare: 1.3, AirLead: 10, AreaLead: 18, BodyBack: 12}

// DefaultTuning returns the tuning used unless a machine file says otherwise.
func DefaultTuning() Tuning { return defaultTuning }

// Config is everything that does not change during a run.
type Config struct {
	Zones   []Zone // at most MaxZones; listed in order of priority when the budget is short
	Budget  unit.Watt
	Reach   Reach
	Load    Load
	Tuning  Tuning
	Ambient unit.Celsius
}

// Inputs is everything one decision depends on besides the loop's own memory.
type Inputs struct {
	Plan    *process.Plan
	Profile time.Duration // where in the plan we are
	Still   bool          // profile time stands still: a wait, a hold or the lift window
	Heat    bool          // heating is wanted: a run is in a heating phase
	Cool    bool          // controlled cooling is wanted
	Keep    bool          // the guard holds: no heater may get more than it had
	Joint   unit.Reading  // coldest usable joint
	Body    unit.Reading  // package top
	BodyTop unit.Celsius  // soft limit of the package top; 0 for none
	Heaters [MaxZones]unit.Reading
	Allowed Set // zones the guard allowed in the last tick; what is forbidden must not wind up
}

// Outputs is the decision with its parts, so that a record can show why.
type Outputs struct {
	Duty  [MaxZones]float64 // asked share of rated power after the budget, 0…1
	On    Set               // relays to switch on for the coming tick
	Set   [MaxZones]unit.Celsius
	Fan   float64 // board fans, 0…1
	Trim  float64 // K, what the outer loop adds
	Short bool    // the budget took something away
	Bad   bool    // a duty came out as no number: the station must trip on it
}

// Law is the state carried from one step to the next.
type Law struct {
	cfg     Config
	outer   PI
	inner   [MaxZones]PI
	fan     PI
	share   sharer
	last    time.Duration
	running bool
	joint   float64 // filtered
	hasY    bool
	kept    [MaxZones]float64 // duties of the last step, for Keep
	mean    float64           // W, what relays can draw of the budget on average
	limited int               // −1 all heaters at their lower limit, +1 all at their upper, else 0
}

// New returns a law at rest.
func New(c Config) *Law {
	l := &Law{cfg: c}
	l.Begin()
	return l
}

// Begin forgets everything of an earlier run.
func (l *Law) Begin() {
	*l = Law{cfg: l.cfg, mean: Deliverable(l.cfg.Zones, float64(l.cfg.Budget))}
	l.outer = PI{Kp: l.cfg.Tuning.Kc, Ti: l.cfg.Tuning.Ti}
	l.fan = PI{Kp: 0.06, Ti: 30} // fan share per kelvin above the cooling plan (control study)
	for i, z := range l.cfg.Zones {
		l.inner[i] = PI{Kp: z.Kp, Ti: z.Ti}
	}
}

// SetLoad says what board lies on the machine. It takes effect at the next Begin or step.
func (l *Law) SetLoad(b Load) { l.cfg.Load = b }

// Step returns what to do from now until the next step. With no usable joint it freezes the outer loop where it is:
// whether heat may go on without a joint is the guard's decision, not the law's.
func (l *Law) Step(now time.Duration, in *Inputs, out *Outputs) {
	dt := l.take(now, in, out)
	switch {
	case in.Heat && in.Plan != nil:
		l.heat(dt, in, out)
	case in.Cool && in.Plan != nil:
		l.cool(dt, in, out)
	default:
		l.rest()
	}
	l.give(in, out)
}

// give ends a step: duties that are no number are refused, the budget is kept, relays are chosen.
func (l *Law) give(in *Inputs, out *Outputs) {
	for i := range l.cfg.Zones {
		if d := out.Duty[i]; !(d >= 0 && d <= 1) {
			out.Bad, out.Duty[i] = true, 0
		}
		if in.Keep {
			out.Duty[i] = math.Min(out.Duty[i], l.kept[i])
		}
	}
	out.Short = fit(l.cfg.Zones, &out.Duty, l.mean)
	l.kept = out.Duty
	out.On = l.share.decide(l.cfg.Zones, &out.Duty, float64(l.cfg.Budget), in.Allowed)
}

// take starts a step: it clears the outputs, follows the joint, and returns the seconds since the last step, 0 for the
// first and wherever time does not move.
func (l *Law) take(now time.Duration, in *Inputs, out *Outputs) float64 {
	dt := (now - l.last).Seconds()
	if !l.running || !(dt > 0) || dt > 1 {
		dt = 0 // first step, or time that does not move: decide, but integrate nothing
	}
	l.last, l.running = now, true
	*out = Outputs{}

	if y, ok := in.Joint.Temp(); ok {
		if !l.hasY {
			l.joint, l.hasY = float64(y), true // a filter starts from its first good sample
		}
		if dt > 0 { // without a filter and without time passing the share would be nothing by nothing
			l.joint += dt / (l.cfg.Tuning.Filter + dt) * (float64(y) - l.joint)
		}
	}
	return dt
}

// heat runs the cascade.
func (l *Law) heat(dt float64, in *Inputs, out *Outputs) {
	t := &l.cfg.Tuning
	here := in.Plan.At(in.Profile)
	if l.hasY {
		e := float64(here.Target) - l.joint
		out.Trim = l.outer.Step(dt, e, 0, -t.MaxTrim, t.MaxTrim, l.limited > 0, l.limited < 0)
	}
	lower, upper := 0, 0
	for i := range l.cfg.Zones {
		set, rate := l.setpoint(i, in, out.Trim)
		out.Set[i] = set
		duty, side := l.drive(i, dt, set, rate, in)
		out.Duty[i] = duty
		switch side {
		case -1:
			lower++
		case 1:
			upper++
		}
	}
	l.limited = 0
	if upper == len(l.cfg.Zones) {
		l.limited = 1
	} else if lower == len(l.cfg.Zones) {
		l.limited = -1
	}
}

// setpoint returns the set-point of zone i and how fast it moves by plan, in K/s. The rate is taken from the plan
// alone, never from the noisy trim.
func (l *Law) setpoint(i int, in *Inputs, trim float64) (unit.Celsius, float64) {
	z, t := &l.cfg.Zones[i], &l.cfg.Tuning
	lead := t.AirLead
	if z.Kind == Area {
		lead = t.AreaLead
		trim *= t.AreaShare
	}
	at := in.Profile
	if !in.Still {
		at += time.Duration(lead * float64(time.Second))
	}
	base, next := l.planned(z.Kind, in, at), l.planned(z.Kind, in, at+time.Second)
	rate := float64(next - base)
	if in.Still {
		rate = 0
	}
	set := base.Plus(unit.Kelvin(trim))
	if z.Kind == TopAir {
		set = set.Plus(unit.Kelvin(-l.back(in)))
	}
	return max(l.cfg.Ambient, min(set, z.Ceiling)), rate
}

// back is by how much top air must stay back, in K, for the package top to keep to its soft limit.
func (l *Law) back(in *Inputs) float64 {
	b, ok := in.Body.Temp()
	if !ok || in.BodyTop <= 0 {
		return 0
	}
	return math.Max(0, l.cfg.Tuning.BodyBack*float64(b-in.BodyTop))
}

// planned is the feed-forward temperature of a kind of heater at profile time at.
func (l *Law) planned(k Kind, in *Inputs, at time.Duration) unit.Celsius {
	p := in.Plan.At(at)
	slope := math.Max(0, float64(p.Slope))
	if in.Still {
		slope = 0
	}
	air, area := forward(l.cfg.Load, l.cfg.Reach, l.cfg.Ambient, p.Target, slope)
	if k == Area {
		return area
	}
	return air
}

// drive runs the inner loop of zone i and returns its duty and at which limit it is.
func (l *Law) drive(i int, dt float64, set unit.Celsius, rate float64, in *Inputs) (duty float64, side int) {
	z := &l.cfg.Zones[i]
	base := 0.0
	a := l.cfg.Ambient.Absolute()
	if z.Kind == Area {
		s := set.Absolute()
		base = (s*s*s*s - a*a*a*a) / z.Gain
	} else {
		base = float64(set-l.cfg.Ambient) / z.Gain
	}
	base += z.Inertia * rate
	y, ok := in.Heaters[i].Temp()
	if !ok {
		// Its own sensor is silent: the model alone may carry it for the moment the guard allows, never past the model.
		return math.Max(0, math.Min(z.Most(), base)), 0
	}
	forbidden := !in.Allowed.Has(i)
	duty = l.inner[i].Step(dt, float64(set-y), base, 0, z.Most(), forbidden || in.Keep, false)
	switch {
	case duty <= 0:
		side = -1
	case duty >= z.Most():
		side = 1
	}
	return duty, side
}

// cool follows the cooling plan with the fans; heaters stay off.
func (l *Law) cool(dt float64, in *Inputs, out *Outputs) {
	here := in.Plan.At(in.Profile)
	if l.hasY {
		out.Fan = l.fan.Step(dt, l.joint-float64(here.Target), 0.5, 0, 1, false, false)
	} else {
		out.Fan = 1 // blind: cool as fast as the fans can, which is below 6 °C/s on every machine described so far
	}
	for i := range l.cfg.Zones {
		out.Set[i] = l.cfg.Ambient
	}
	l.rest()
}

// rest forgets what the heating loops had gathered, so that nothing is left over when heat comes back.
func (l *Law) rest() {
	l.outer.Integral = 0
	for i := range l.cfg.Zones {
		l.inner[i].Integral = 0
	}
	l.limited = 0
}

// Transfer makes the next heating step start from what the heaters have now: used when a held run goes on.
func (l *Law) Transfer(in *Inputs) {
	for i := range l.cfg.Zones {
		y, ok := in.Heaters[i].Temp()
		if !ok {
			continue
		}
		set, _ := l.setpoint(i, in, l.outer.Integral)
		l.inner[i].Bumpless(l.kept[i], float64(set-y), 0)
	}
}
