// Package steptest commissions a machine channel by channel: it watches every input while a person moves it, every sensor at rest, every
// blower alone, every heater alone, and then tests each heater's loop by a step of part power, from which the loop's model and gains follow.
//
// It is pure: readings, contacts and time come in, duties and findings go out. It can ask for heat but not switch it on, it is no cut-off,
// and the guard stands above it as above any law. It proves nothing about contactor, one-shot and load senses: the start-up test of each
// run does that. What is assumed: an empty deck or a scrap board lies on the machine, nobody stands in its air, and everything is cold.
//
// Test runs in the tick and allocates nothing there; Fit is slow (tens of milliseconds) and belongs elsewhere.
package steptest

import (
	"fmt"
	"time"

	"trivet/control"
	"trivet/process/unit"
)

// Sizes of the fixed tables.
const (
	MaxSensors = 16
	MaxBlowers = 4
)

// Heater is one heater as far as it is known before the test.
type Heater struct {
	Kind   control.Kind
	Sensor int          // index of its own thermocouple; negative for none
	Blower int          // index of the blower it needs; negative for none
	Most   unit.Celsius // its step ends when its own couple reads this; above 60 °C
	// Inertia and Band are what the guard's heat balance already knows of this loop (s/K and K), 0 for nothing: a heater whose couple
	// does not answer must be given up before that balance trips on it, which would name the symptom and not the cause.
	Inertia, Band float64
}

// Sensor is one thermocouple.
type Sensor struct {
	Board bool // sits on part or board: it ends a step at BoardMost, and must be cool before the next
}

// Config is everything that does not change during a test.
type Config struct {
	Heaters []Heater // at most control.MaxZones
	Sensors []Sensor // at most MaxSensors, in the order of In.Readings
	Blowers []bool   // at most MaxBlowers: whether a proof of air is fitted
	// AirDuty and AreaDuty are the shares of rated power of a step; 0 is 0.7 and 0.4 (the same as in the control study: air then settles
	// near 290 °C and an emitter passes 280 °C in four minutes, in the middle of where they work). Allowed 0.1…1.
	AirDuty, AreaDuty float64
	BoardMost         unit.Celsius // 0 is 150 °C, below any solder's solidus but the bismuth ones'; allowed 60…180
}

// In is what one tick depends on besides the test's own memory.
type In struct {
	Readings [MaxSensors]unit.Reading
	Air      [MaxBlowers]bool // proof contact says that air flows
	Proven   [MaxBlowers]bool // the guard takes the air for proven
	Allowed  control.Set      // heaters that the guard allowed in the last tick
	Keep     bool             // the guard holds: no duty rises
	Supply   float64          // mains voltage relative to nominal; 0 for not measured
}

// Step says what a test is busy with. The words are sent: do not rename them.
type Step string

// The steps, in order.
const (
	Resting   Step = "resting"   // heat and air off: how much does each sensor wander
	Blowing   Step = "blowing"   // one blower alone: does its own proof come, and go
	Airing    Step = "airing"    // all blowers on, before any heat
	Answering Step = "answering" // one heater alone, a few seconds: whose couple answers
	Cooling   Step = "cooling"   // until the board and the next heater are below 60 °C and quiet
	Stepping  Step = "stepping"  // the step test of one heater
	Over      Step = "over"
)

// Out is what to do, and what has come of it.
type Out struct {
	Duty   [control.MaxZones]float64 // share of rated power, 0…1; at most one is above 0
	Blow   [MaxBlowers]bool
	Heat   bool    // heat may be asked for in this step or the next: the guard must be armed
	Fan    float64 // board fans, 0…1
	Step   Step
	Heater int // that is tested or waited for; −1 for none
	Blower int // −1 for none
	Left   time.Duration
	Share  float64 // how much of the test is done, 0…1, an estimate
	Done   bool    // everything has been measured and nothing was found wrong on the way
	Failed bool    // Findings say why; there must be no more heat
}

// Result is what a test has measured. It is complete when Out.Done is set, and otherwise as far as the test has come.
type Result struct {
	Room     unit.Celsius // median reading at rest
	Noise    [MaxSensors]Noise
	Blowers  [MaxBlowers]Blower
	Records  []Record // one per heater, in the order of the heaters; without rows where there was no step
	Findings []Finding
}

// Noise is the spread of one sensor at rest.
type Noise struct {
	RMS     float64 // K, from second differences, as the guard reckons it in a run; meaningful with Samples of at least minSamples
	Samples int
}

// Blower is how one blower's proof behaved when it ran alone.
type Blower struct {
	Tested     bool // a proof is fitted, and it came and went
	Came, Went time.Duration
}

// Times, and temperatures in °C or K. Judgement, tried on the simulated machines, where nothing else is said.
const (
	restFor    = 40 * time.Second // noise wants at least 30 s; a slow input gives two samples a second
	minSamples = 20
	airComes   = 8 * time.Second // a blower that has not proven itself by then is dead: the station's own patience is 10 s
	airStays   = 2 * time.Second
	airGoes    = 12 * time.Second // run-down of a light fan without a brake
	airingMost = 10 * time.Second
	quietLeast = 10 * time.Second // between two heaters
	answerMost = 60 * time.Second // where nothing is known of the loop: a slow plate gains 6 K in this time or is dead
	coolMost   = 25 * time.Minute // an area emitter alone falls from 300 to 60 °C in 16 minutes
	baseline   = 10 * time.Second // recorded before each step
	stepLeast  = 60 * time.Second
	airMost    = 240 * time.Second // three time constants of a usual head
	areaMost   = 300 * time.Second // no emitter has settled by then; the balance tells where it would
	slowMost   = 420 * time.Second // longest step of a slow loop
	spoiledFor = 2 * time.Second   // heat taken away or held for longer than this spoils a step
	tries      = 2

	coolEnough = 60.0 // °C: the touch limit used at every start
	answered   = 6.0  // K: this couple has answered
	deaf       = 4.0  // K: by its deadline, this one has not
	stranger   = 0.5  // another heater's couple that rises this much as far answers too
	bent       = 0.08 // of the steepest slope: nothing is learned by waiting longer
	drift      = 0.05 // K/s: quiet enough to begin a step
	noisyMost  = 1.0  // K rms at rest: four times the upper end of what a sound amplifier shows (0.25 K)
	fan        = 0.6  // board fans between steps
	rowsMost   = 10 * int((slowMost+baseline)/time.Second+60)
)

// Test is the state carried from one tick to the next. The zero value is at rest; use Begin.
type Test struct {
	cfg     Config
	order   [control.MaxZones]int
	n       int
	last    time.Duration
	running bool
	step    Step
	since   time.Duration // when the present step began
	turn    int           // index into order
	next    Step          // what follows Cooling
	tried   int
	over    bool

	noise  [MaxSensors]rough
	blower int
	stuck  [MaxBlowers]bool
	phase  int // of a blower: 0 starting, 1 running, 2 stopping
	mark   time.Duration

	sec     secondly
	from    [MaxSensors]float64 // means when the present step began
	begun   time.Duration       // of the drive, within the step
	driving bool
	model   float64 // K, what the known loop should have risen by
	spoiled time.Duration
	steep   float64
	supply  float64 // sum of squares of the voltage, over the drive
	powered int
	duty    [control.MaxZones]float64
	rows    [control.MaxZones]Record
	finds   [maxFindings]Finding
	nFinds  int
	out     Out
	res     Result
}

// Begin forgets everything and starts anew. Its error says what of c is not allowed. It allocates the records.
func (t *Test) Begin(c Config) error {
	if err := c.complete(); err != nil {
		return err
	}
	*t = Test{cfg: c, step: Resting}
	// Emitters first: they answer before they heat the board, and cool while the heads are tested. Bottom before top, as in the proof.
	for _, k := range [...]control.Kind{control.Area, control.BottomAir, control.TopAir} {
		for i := range c.Heaters {
			if c.Heaters[i].Kind == k && c.Heaters[i].Sensor >= 0 {
				t.order[t.n] = i
				t.n++
			}
		}
	}
	for i := range c.Heaters {
		if c.Heaters[i].Sensor < 0 {
			t.find(Finding{Code: NoSensor, Heater: i, Sensor: -1, Other: -1, Blower: -1})
		}
		t.rows[i] = newRecord(i)
	}
	t.out = Out{Step: Resting, Heater: -1, Blower: -1}
	return nil
}

// complete puts in what was left out, and says what is not allowed.
func (c *Config) complete() error {
	for _, d := range []struct {
		v    *float64
		name string
		std  float64
	}{{&c.AirDuty, "air", 0.7}, {&c.AreaDuty, "area", 0.4}} {
		if *d.v == 0 {
			*d.v = d.std
		}
		if !(*d.v >= 0.1 && *d.v <= 1) {
			return fmt.Errorf("step test: the duty of %s is %g; allowed is 0.1 to 1", d.name, *d.v)
		}
	}
	if c.BoardMost == 0 {
		c.BoardMost = 150
	}
	switch {
	case !(c.BoardMost >= 60 && c.BoardMost <= 180):
		return fmt.Errorf("step test: the board's limit is %v; allowed is 60 to 180 °C", c.BoardMost)
	case len(c.Heaters) == 0 || len(c.Heaters) > control.MaxZones:
		return fmt.Errorf("step test: %d heaters; allowed are 1 to %d", len(c.Heaters), control.MaxZones)
	case len(c.Sensors) > MaxSensors || len(c.Blowers) > MaxBlowers:
		return fmt.Errorf("step test: %d sensors and %d blowers; allowed are %d and %d", len(c.Sensors), len(c.Blowers), MaxSensors, MaxBlowers)
	}
	for i, h := range c.Heaters {
		switch {
		case h.Sensor >= len(c.Sensors) || h.Blower >= len(c.Blowers):
			return fmt.Errorf("step test: heater %d has sensor %d of %d and blower %d of %d", i, h.Sensor, len(c.Sensors), h.Blower, len(c.Blowers))
		case !(h.Most > coolEnough && h.Most <= 1000):
			return fmt.Errorf("step test: the step of heater %d ends at %v; allowed is above 60 to 1000 °C", i, h.Most)
		case !(h.Inertia >= 0 && h.Band >= 0):
			return fmt.Errorf("step test: heater %d has inertia %g and band %g; allowed is 0 or more", i, h.Inertia, h.Band)
		}
	}
	return nil
}

// Step takes one tick and says what to do until the next. After Done or Failed it asks for nothing and changes nothing.
func (t *Test) Step(now time.Duration, in *In, out *Out) {
	dt := now - t.last
	if !t.running || dt < 0 || dt > time.Second {
		dt = 0
	}
	if !t.running {
		t.since = now
	}
	t.last, t.running = now, true
	t.duty = [control.MaxZones]float64{}
	if !t.over && t.n+t.nFinds > 0 {
		fresh := t.sec.take(dt, &t.cfg, in)
		switch t.step {
		case Resting:
			t.resting(now, in)
		case Blowing:
			t.blowing(now, in)
		case Airing:
			t.airing(now, in)
		case Answering:
			t.answering(now, dt, fresh, in)
		case Cooling:
			t.cooling(now, fresh)
		case Stepping:
			t.stepping(now, dt, fresh, in)
		}
	}
	t.say(now)
	*out = t.out
}

// enter begins a step.
func (t *Test) enter(s Step, now time.Duration) {
	t.step, t.since, t.from = s, now, t.sec.y
	t.driving, t.model, t.spoiled, t.steep, t.supply, t.powered = false, 0, 0, 0, 0, 0
	if s == Stepping {
		r := &t.rows[t.order[t.turn]]
		r.Time, r.Duty, r.Temp = r.Time[:0], r.Duty[:0], r.Temp[:0]
	}
}

// end closes the test. What has been found, or has not been measured, makes it a failed one.
func (t *Test) end(now time.Duration) {
	t.over = true
	t.enter(Over, now)
	t.out.Done, t.out.Failed = t.nFinds == 0, t.nFinds > 0
}

// Result returns what has been measured. It allocates; call it once, at the end. Later calls of Step do not change it.
func (t *Test) Result() Result {
	r := t.res
	for i := range t.cfg.Sensors {
		r.Noise[i] = t.noise[i].spread()
	}
	r.Records = append([]Record(nil), t.rows[:len(t.cfg.Heaters)]...)
	r.Findings = append([]Finding(nil), t.finds[:t.nFinds]...)
	return r
}

// say brings the output up to date.
func (t *Test) say(now time.Duration) {
	o := &t.out
	o.Duty, o.Step, o.Heater, o.Blower, o.Fan, o.Left = t.duty, t.step, -1, -1, 0, 0
	o.Blow = [MaxBlowers]bool{}
	o.Heat = t.step == Answering || t.step == Cooling || t.step == Stepping
	switch t.step {
	case Resting:
		o.Left = max(0, restFor-(now-t.since))
	case Blowing:
		o.Blower = t.blower
		o.Blow[t.blower] = t.phase < 2
	case Airing, Answering, Cooling, Stepping:
		for b := range t.cfg.Blowers {
			o.Blow[b] = true
		}
	}
	if o.Heat {
		if t.turn < t.n {
			o.Heater = t.order[t.turn]
		}
		if t.step == Cooling {
			o.Fan = fan
		}
	}
	if t.step == Stepping {
		o.Left = max(0, baseline+t.lasts()-(now-t.since))
	}
	o.Share = t.share(now)
}

// share estimates how much is done: a minute for what is cold, half a minute per answer, five minutes per step.
func (t *Test) share(now time.Duration) float64 {
	const cold, answer, step = 60.0, 25.0, 300.0
	total := cold + float64(t.n)*(answer+step)
	done := 0.0
	spent := (now - t.since).Seconds()
	switch {
	case t.over:
		return 1
	case t.step == Resting || t.step == Blowing || t.step == Airing:
		done = min(spent, cold)
		if t.step != Resting {
			done = cold - 10
		}
	case t.step == Answering || t.step == Cooling && t.next == Answering:
		done = cold + float64(t.turn)*answer
	case t.step == Cooling:
		done = cold + float64(t.n)*answer + float64(t.turn)*step
	default:
		done = cold + float64(t.n)*answer + float64(t.turn)*step + min(spent, step)
	}
	return min(1, done/total)
}
