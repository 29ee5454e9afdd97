package station

import (
	"sync/atomic"
	"time"

	"trivet/control"
	"trivet/control/steptest"
	"trivet/process"
	"trivet/safety"
)

// CommissionNow is how far commissioning has come, for those who watch.
type CommissionNow struct {
	// The test of a run in PhaseCommission. Zero at any other time.
	Step   steptest.Step
	Heater int // −1 for none
	Blower int // −1 for none
	Left   time.Duration
	Share  float64 // done, 0…1, an estimate

	Inputs    InputsNow
	Startable bool // a commissioning run could start now
	// Measured is what the run that has just ended has measured; nil during a run, and where none was for commissioning. Never changed
	// once published.
	Measured *Measured
}

// InputsNow is the test of the inputs by hand.
type InputsNow struct {
	Active bool
	Ask    steptest.Ask
	At     int    // the interlock that is asked for
	Open   int    // what must be closed first; −1 for nothing
	By     string // who began it
	Tests  uint32 // counts the changes of Of, so that a reader sees that there is something new
	Of     [safety.MaxInterlocks]steptest.InputNow
}

// Measured is what one commissioning run has measured, as it came out of the tick. Concluding from it takes long; see Conclude.
type Measured struct {
	Order  *RunOrder
	Whole  bool // nobody stopped it and nothing tripped
	Layers bool // contactor, one-shot and relays were proven at its beginning, as far as this machine can show them
	Ended  Ending
	Result steptest.Result
}

// CommissionOrder is the order of a run that commissions the machine.
func CommissionOrder(by string) *RunOrder {
	return &RunOrder{Kind: process.Removal, Profile: process.Profile{Name: "commissioning", Title: "Commissioning", Kind: process.Removal}, Board: "empty deck or scrap board", By: by, Commission: true}
}

// commissioning is the station's part of it: the test's heat goes through the same guard and gate as any other.
type commissioning struct {
	cfg    steptest.Config
	run    steptest.Test
	in     steptest.In
	out    steptest.Out
	share  control.Schedule // turns duties into relays under the budget
	layers bool
	inputs steptest.Inputs
	was    [steptest.MaxInputs]steptest.InputNow
	others int           // inputs that no hand moves: air proofs, mirror, load senses
	state  atomic.Uint32 // a safety.Commissioning
}

// newCommissioning describes the machine to the test.
func newCommissioning(u *Setup) *commissioning {
	c := &commissioning{cfg: StepConfig(u)}
	c.share = control.Schedule{Budget: float64(u.Budget), Steps: make([]control.ScheduleStep, 1)}
	for i, h := range u.Heaters {
		c.share.Zones = append(c.share.Zones, control.Zone{Kind: c.cfg.Heaters[i].Kind, Rated: h.Rated, Ceiling: h.Ceiling})
	}
	c.others = u.Limits.NBlowers + 1 + u.Limits.NHeaters
	c.out.Heater, c.out.Blower = -1, -1
	return c
}

// StepConfig describes a machine to the step test: heaters, sensors and blowers in the order of the set-up.
func StepConfig(u *Setup) steptest.Config {
	var c steptest.Config
	for i, h := range u.Heaters {
		l := &u.Limits.Heaters[i]
		x := steptest.Heater{Kind: kindOf(h.Kind), Sensor: h.Sensor, Blower: l.Blower, Most: h.Ceiling}
		if l.Loop.Gain > 0 && l.Loop.Band > 0 {
			x.Inertia, x.Band = l.Loop.Inertia, l.Loop.Band
		}
		c.Heaters = append(c.Heaters, x)
	}
	for _, s := range u.Sensors {
		c.Sensors = append(c.Sensors, steptest.Sensor{Board: onBoard(s.Role)})
	}
	for b := range u.Limits.NBlowers {
		c.Blowers = append(c.Blowers, u.Limits.Blowers[b].Proof)
	}
	return c
}

// kindOf reads the word of HeaterInfo.Kind.
func kindOf(word string) control.Kind {
	switch word {
	case "hot_air_top":
		return control.TopAir
	case "hot_air_bottom":
		return control.BottomAir
	}
	return control.Area
}

// onBoard reports whether a sensor of this role sits on part or board.
func onBoard(r safety.Role) bool {
	switch r {
	case safety.RoleJoint, safety.RolePackageTop, safety.RoleBoard, safety.RoleNeighbour:
		return true
	}
	return false
}

// SetCommissioned says how the machine's commissioning stands. Safe from any goroutine.
func (s *Station) SetCommissioned(c safety.Commissioning) { s.commission.state.Store(uint32(c)) }

// mayCommission says with which sensors missing a commissioning run could start, or why it may not. Joints and package tops are never
// looked at: on an empty deck they hang in the air. What they read still counts for their ceilings.
func (s *Station) mayCommission() (safety.Mask, error) {
	facts := s.facts
	s.bare(&facts)
	if !safety.Ready(&s.setup.Limits, &facts) {
		return 0, unready(&s.setup.Limits, &facts)
	}
	return facts.Without, nil
}

// bare turns facts into those of a commissioning run.
func (s *Station) bare(f *safety.Facts) {
	f.Commissioned, f.Without = safety.CommissionedSound, s.joints()
	for i := range s.setup.Sensors {
		if s.setup.Sensors[i].Role == safety.RolePackageTop {
			f.Without = f.Without.With(i)
		}
	}
}

// beginCommission starts a run that commissions the machine. It allocates the records.
func (s *Station) beginCommission(now time.Duration, c Command) error {
	without, err := s.mayCommission()
	if err != nil {
		return err
	}
	k := s.commission
	if err := k.run.Begin(k.cfg); err != nil {
		return &Refusal{Code: "not_ready", What: "This machine cannot be commissioned: " + err.Error() + ".", Do: "Mend the machine file."}
	}
	if err := s.move(Start); err != nil {
		return err
	}
	k.inputs.Stop()
	k.in, k.out, k.layers = steptest.In{}, steptest.Out{Heater: -1, Blower: -1}, false
	k.share.Begin()
	sn := &s.snap
	s.law.Begin()
	s.facts.Without, s.facts.RunCeiling, s.facts.HeatFor, s.in.BodyTop = without, safety.Ceilings{}, 0, 0
	s.lifted, s.airFor, s.heldFor, s.blind = false, 0, 0, 0
	s.profile = c.Order.Profile
	s.ahead.Store(nil)
	sn.Ahead, sn.NoGo, sn.Why, sn.Lesson, sn.Estimate = nil, false, nil, nil, EstimateNow{}
	sn.Melted, sn.Coldest, sn.Hottest = false, -1, -1
	sn.Run = RunNow{Order: c.Order, Begun: now}
	sn.Lift, sn.Ended = LiftNow{}, Ending{}
	sn.Commission.Measured = nil
	s.beginSequence()
	return nil
}

// beginTest goes on from the start-up test, with every blower off.
func (s *Station) beginTest() {
	s.commission.layers = s.setup.Limits.CanProve()
	s.snap.Phase = PhaseCommission
	s.blow(false)
}

// test runs one tick of the step test.
func (s *Station) test(now, dt time.Duration, v *safety.Verdict) {
	k := s.commission
	for i := range s.setup.Sensors {
		k.in.Readings[i] = s.snap.Sensors[i]
	}
	for b := range s.setup.Limits.NBlowers {
		k.in.Air[b], k.in.Proven[b] = s.facts.AirFlows[b], v.Proven[b]
	}
	k.in.Allowed, k.in.Keep, k.in.Supply = control.Set(v.Allow), v.Hold, s.facts.Supply
	k.run.Step(now, &k.in, &k.out)
	s.facts.HeatFor += dt // what may not last without a break is heat: between two steps there is none
	if k.out.Duty == ([control.MaxZones]float64{}) {
		s.facts.HeatFor = 0
	}
	for b := range s.setup.Limits.NBlowers {
		s.snap.Blowers[b].On = k.out.Blow[b]
	}
	switch {
	case k.out.Failed:
		what, do := FindingText(k.run.First(), &s.setup)
		s.blow(true) // what is warm is blown until it is cool
		s.stop("commission:"+string(k.run.First().Code), what+" "+do, "")
	case k.out.Done:
		if s.move(Finish) == nil {
			s.end(Complete, "commissioned", "Every channel answered as it should. The loops are being worked out.", "")
		}
	}
	n := &s.snap.Commission
	n.Step, n.Heater, n.Blower, n.Left, n.Share = k.out.Step, k.out.Heater, k.out.Blower, k.out.Left, k.out.Share
}

// measured hands over what the run has measured, once, when it ends.
func (s *Station) measured(st State, code string) {
	k := s.commission
	n := &s.snap.Commission
	n.Measured = &Measured{Order: s.snap.Run.Order, Whole: k.out.Done || k.out.Failed, Layers: k.layers, Ended: Ending{State: st, Code: code}, Result: k.run.Result()}
	k.out = steptest.Out{Heater: -1, Blower: -1}
	n.Step, n.Left, n.Share = "", 0, 0
	n.Heater, n.Blower = -1, -1
}

// steerCommission takes the test's duties in place of the law's.
func (s *Station) steerCommission(now time.Duration) {
	k := s.commission
	k.share.Steps[0].Duty = k.out.Duty
	k.share.Step(now, &s.in, &s.out)
	s.facts.BadDrive, s.snap.Fan = s.badDrive(), k.out.Fan
}

// handInputs carries out a command to the test of the inputs. No heat is possible meanwhile: it is refused during a run, and a start ends it.
func (s *Station) handInputs(c Command) error {
	t := &s.commission.inputs
	if s.snap.State.Live() {
		return &Refusal{Code: "not_now", What: "The inputs are tested at rest.", Do: "Stop the run, or wait for its end."}
	}
	none := &Refusal{Code: "not_now", What: "No input is being tested.", Do: "Begin the test of the inputs first."}
	switch c.Inputs {
	case InputsBegin:
		t.Begin(s.setup.Limits.NInterlock, s.setup.Limits.NInterlock+s.commission.others)
		if !t.Active {
			return &Refusal{Code: "not_now", What: "This machine has no interlock to test."}
		}
		s.snap.Commission.Inputs.By = c.By
	case InputsSkip:
		if !t.Skip() {
			return none
		}
	case InputsAgain:
		if t.Hand == 0 {
			return none
		}
		if !t.Again(c.Subject) {
			return &Refusal{Code: "not_now", What: "There is no such input."}
		}
	case InputsEnd:
		t.Stop()
	default:
		return &Refusal{Code: "unknown", What: "The test of the inputs cannot do that."}
	}
	return nil
}

// watchInputs runs one tick of the test by hand and shows how it stands, and says how commissioning stands.
func (s *Station) watchInputs(now time.Duration) {
	k, sn := s.commission, &s.snap
	s.facts.Commissioned = safety.Commissioning(k.state.Load())
	sn.Commission.Startable = false
	if sn.State.Live() {
		if sn.Run.Order.Commission {
			s.facts.Commissioned = safety.CommissionedSound // this run is what it is owed
		}
		k.inputs.Stop()
	} else if _, err := Next(sn.State, Start); err == nil {
		sn.Commission.Startable = s.startable()
	}
	if k.inputs.Active {
		k.inputs.Step(now, s.levels())
	}
	n := &sn.Commission.Inputs
	n.Active, n.Ask, n.At, n.Open = k.inputs.Active, k.inputs.Ask, k.inputs.At, -1
	if n.Ask == steptest.AskRest {
		n.Open = k.inputs.Open()
	}
	if k.inputs.Of != k.was {
		k.was = k.inputs.Of
		copy(n.Of[:], k.inputs.Of[:])
		n.Tests++
	}
}

// startable is mayCommission without the words, for every tick at rest.
func (s *Station) startable() bool {
	facts := s.facts
	s.bare(&facts)
	return safety.Ready(&s.setup.Limits, &facts)
}

// levels is every input as one bit: interlocks, air proofs, mirror, load senses.
func (s *Station) levels() (w uint32) {
	l := &s.setup.Limits
	put := func(i int, on bool) {
		if on {
			w |= 1 << i
		}
	}
	for i := range l.NInterlock {
		put(i, s.facts.Closed[i])
	}
	for b := range l.NBlowers {
		put(l.NInterlock+b, s.facts.AirFlows[b])
	}
	put(l.NInterlock+l.NBlowers, s.facts.Mirror)
	for h := range l.NHeaters {
		put(l.NInterlock+l.NBlowers+1+h, s.facts.Sensed.Has(h))
	}
	return w
}
