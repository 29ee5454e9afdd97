package bench

import (
	"context"
	"fmt"
	"math"
	"time"

	"trivet/control"
	"trivet/control/full"
	"trivet/control/learn"
	"trivet/process"
	"trivet/process/unit"
	"trivet/safety"
	"trivet/sim/catalog"
	"trivet/sim/fault"
	"trivet/sim/plant"
	"trivet/sim/rig"
	"trivet/station"
)

// Parts is everything a scenario names, loaded.
type Parts struct {
	Scenario catalog.Scenario
	Machine  plant.Machine
	Board    plant.Board
	Profile  process.Profile
	Spread   *plant.Spread // how machine and day differ from their description; nil for not at all
	Noise    float64       // °C rms at every junction; 0 leaves the rig's own

	Believed    *plant.Board // what the shop takes the board for, where that is another one; nil for what it is
	Book        *learn.Book  // what earlier boards of the type have taught; nil for nothing
	NoJoint     bool         // run without a joint thermocouple
	Dangling    bool         // which is plugged in all the same, and not to be looked at
	BoundedPeak bool         // at a lowered peak
	NoTop       bool         // the package top's thermocouple is not plugged in either

	drive []control.Waypoint // for law clairvoyant: what it worked out
	pace  []float64          // likewise: how fast profile time goes in each second of heat; past its end, 1
	short bool               // end with the heat: a passing trial needs no cooling
}

// Mark is when something happened on plant truth.
type Mark struct {
	Name string
	At   time.Duration
}

// Row is one tick of a bench run: what the station recorded, and the truth beside it.
type Row struct {
	station.Sample
	Truth plant.Truth
}

// Result is a finished bench run.
type Result struct {
	Rows    []Row
	Channel []station.Channel
	Summary Summary
	Verdict process.Verdict
	Setup   *station.Setup
	Lesson  *learn.Lesson // what the run taught; nil for nothing
	// Reaction: from the first fault to the relay lines low and to heat-enable low, seen at the emulated pins.
	FaultAt, OffAt, EnableOffAt time.Duration
	Faulted, Off, EnableOff     bool
}

// Bench is one simulated machine with the real station on it, on virtual time.
type Bench struct {
	Rig     *rig.Rig
	Station *station.Station
	Keeper  *station.Keeper
	Setup   *station.Setup
	options station.Options
}

// Assemble connects the real drivers to a simulated machine and builds everything but the station itself, so that the
// same parts serve a bench run (direct calls, virtual time) and a daemon (two goroutines, real time).
func Assemble(p Parts, speed float64) (*Bench, error) {
	s := p.Scenario
	ambient := unit.Celsius(s.AmbientC)
	r, err := rig.New(p.Machine, p.Board, ambient, s.Seed, probes(p.Machine, s.CentreJoint))
	if err != nil {
		return nil, err
	}
	zones, known, err := Loops(p.Machine)
	if err != nil {
		return nil, err
	}
	if !known {
		if zones, err = Commission(p.Machine, p.Board, ambient); err != nil {
			return nil, err
		}
	}
	hw, lines, err := drivers(r)
	if err != nil {
		return nil, err
	}
	u := setup(r, zones, speed, ambient)
	g, err := safety.NewGuard(u.Limits)
	if err != nil {
		return nil, err
	}
	k, err := station.NewKeeper(g, lines)
	if err != nil {
		return nil, err
	}
	law, err := lawOf(p, zones, ambient)
	if err != nil {
		return nil, err
	}
	b := &Bench{Rig: r, Keeper: k, Setup: &u,
		options: station.Options{Setup: u, Hardware: hw, Keeper: k, Law: law, Proof: station.ProofConfig(&u, zones)}}
	b.spread(p)
	return b, b.unplug(p)
}

// Options returns what a station is built from.
func (b *Bench) Options() station.Options { return b.options }

// Progress is told how far a run has come: simulated time so far and an estimate of all of it.
type Progress func(done, total time.Duration)

const (
	warmUp  = 2 * time.Second  // ticks before the start: sensors convert, permissives settle
	longest = 90 * time.Minute // a run that has not ended by then is reported as such
)

// Run runs one scenario to its end on virtual time.
func Run(ctx context.Context, p Parts, tell Progress) (*Result, error) {
	if p.Scenario.Law == "clairvoyant" && len(p.drive) == 0 {
		return Clairvoyant(ctx, p, tell)
	}
	p = p.asked()
	b, err := Assemble(p, 1)
	if err != nil {
		return nil, err
	}
	knowing, _ := b.options.Law.(*full.Law)
	w := &walk{thinker: thinker{law: knowing}, b: b, p: p, res: &Result{Channel: station.ChannelsOf(b.Setup), Setup: b.Setup}, faults: fault.NewTimeline(p.Scenario.Faults)}
	clerk := station.NewClerk(b.Setup, station.NoRecord{}, func(*station.RunOrder) station.RunHead { return station.RunHead{} }, nil)
	w.res.Rows = make([]Row, 0, 8192)
	b.options.Publish = func(s *station.Snapshot) { w.seen(ctx, s, clerk) }
	if b.Station, err = station.New(b.options); err != nil {
		return nil, err
	}
	w.thinker.station = b.Station
	if err := w.all(ctx, tell); err != nil {
		return nil, err
	}
	if v := clerk.Verdict(); v != nil {
		w.res.Verdict = *v
	}
	w.res.Summary = summarise(w, clerk)
	w.res.Lesson = w.snap.Lesson
	return w.res, nil
}

// order is what the bench asks the station for.
func (p Parts) order() *station.RunOrder {
	o := &station.RunOrder{Kind: p.Profile.Kind, Profile: p.Profile, Board: p.Board.Title, By: "bench", Proof: p.Scenario.Proof,
		NoJoint: p.NoJoint, BoundedPeak: p.BoundedPeak}
	if p.Book != nil {
		if th, ok := p.Book.Known(); ok {
			o.Lesson, o.Lessons = &th, len(p.Book.Lessons)
		}
	}
	return o
}

// unplug takes out the thermocouples the run is to do without.
func (b *Bench) unplug(p Parts) error {
	for i, s := range b.Setup.Sensors {
		if (s.Role == safety.RoleJoint && p.NoJoint && !p.Dangling) || (s.Role == safety.RolePackageTop && p.NoTop) {
			if err := b.Rig.Apply(fault.Fault{Kind: "sensor_open", Target: b.Setup.Sensors[i].Name}, true); err != nil {
				return err
			}
		}
	}
	return nil
}

// walk is the bookkeeping of one run.
type walk struct {
	b       *Bench
	p       Parts
	res     *Result
	faults  *fault.Timeline
	snap    station.Snapshot
	openFor time.Duration
	refused error
	begun   time.Duration
	live    bool
	thinker thinker
	kin     *float64 // distance from the boards of the lesson, see Summary.KinDistance
}

// thinker does a law's slow work on virtual time: at once, but handed over as late as a slow computer would.
type thinker struct {
	law     *full.Law // nil for a law without slow work
	station *station.Station
	result  full.Result
	ready   time.Duration
	out     bool
}

// thinks is how long a fit and a plan take on a small computer, with room.
const thinks = time.Second

func (t *thinker) after(now time.Duration) {
	if t.law == nil {
		return
	}
	if t.out && now >= t.ready {
		t.out = false
		t.law.Give(t.result)
		if a := AheadOf(&t.result); a != nil {
			t.station.SetAhead(a)
		}
	}
	if w, ok := t.law.Want(); ok {
		t.result, t.ready, t.out = full.Solve(w), now+thinks, true
	}
}

func (w *walk) seen(ctx context.Context, s *station.Snapshot, clerk *station.Clerk) {
	w.snap = *s
	clerk.Note(ctx, s)
	if a := s.Ahead; a != nil && a.KinKnown && s.Run.Point.Target < w.p.Profile.Alloy.Solidus-10 && s.Phase != station.PhaseCool && s.State.Live() {
		d := a.Distance
		w.kin = &d
	}
	if _, _, rows := clerk.Present(); len(rows) > len(w.res.Rows) {
		w.res.Rows = append(w.res.Rows, Row{Sample: rows[len(rows)-1], Truth: w.b.Rig.Plant.Truth()})
	}
}

func (w *walk) all(ctx context.Context, tell Progress) error {
	var now, ended time.Duration
	asked := false
	for now < longest {
		now += station.Period
		w.b.Rig.Advance(now)
		w.react(now)
		if err := w.breakThings(now); err != nil {
			return err
		}
		if now >= warmUp && !asked {
			asked = true
			w.begun = now
			order := w.p.order()
			w.post(station.Command{Event: station.Start, Order: order, By: "bench"})
		}
		w.technician()
		w.b.Station.Tick(now, 0)
		w.thinker.after(now)
		if asked && w.refused == nil && w.snap.State.Live() {
			w.live = true
		}
		if w.refused != nil {
			return nil // the summary says why
		}
		if w.p.short && w.snap.Phase == station.PhaseCool {
			return nil
		}
		if w.live && !w.snap.State.Live() {
			if ended == 0 {
				ended = now
			}
			if (now - ended).Seconds() >= w.p.Scenario.ContinueRunS {
				return nil
			}
		}
		if tell != nil && w.snap.Seq%50 == 0 {
			total := now
			if w.snap.Run.HasPlan {
				total = max(now, w.snap.Run.Plan.Total()+warmUp)
			}
			tell(now, total)
		}
		if w.snap.Seq%256 == 0 && ctx.Err() != nil {
			return ctx.Err()
		}
	}
	return nil
}

// post gives the station a command as a person would; the answer comes with the tick that follows.
func (w *walk) post(c station.Command) {
	err := w.b.Station.Post(c, func(err error) {
		if err != nil && c.Event == station.Start {
			w.refused = err
		}
	})
	if err != nil && w.refused == nil {
		w.refused = err // the queue is never full here; say so if it ever is
	}
}

// technician lifts the part some seconds after the window has opened.
func (w *walk) technician() {
	after := 5.0
	if w.p.Scenario.LiftAfterS != nil {
		after = *w.p.Scenario.LiftAfterS
	}
	if !w.snap.Lift.Open || after < 0 {
		w.openFor = 0
		return
	}
	w.openFor += station.Period
	if w.openFor.Seconds() >= after && !w.snap.Lift.Confirmed {
		w.post(station.Command{Event: station.Lifted, By: "bench"})
	}
}

// breakThings applies the scenario's faults when they are due.
func (w *walk) breakThings(now time.Duration) error {
	var wrong error
	m := fault.Moment{SinceStart: -1, Joint: float64(w.b.Rig.Plant.Truth().ColdestJoint), Phase: string(w.snap.Phase)}
	if w.begun > 0 {
		m.SinceStart = now - w.begun
	}
	w.faults.Step(now, m, func(i int, f *fault.Fault, on bool) {
		if err := w.b.Rig.Apply(*f, on); err != nil && wrong == nil {
			wrong = fmt.Errorf("fault %d: %w", i+1, err)
		}
		if on && !w.res.Faulted {
			w.res.Faulted, w.res.FaultAt = true, now
		}
	})
	return wrong
}

// react watches the emulated pins: when, after the first fault, did the relays and heat-enable go low for good.
func (w *walk) react(now time.Duration) {
	if !w.res.Faulted {
		return
	}
	on := false
	for i, r := range w.b.Rig.Relays {
		if w.counts(i) && bool(r.Level()) {
			on = true
		}
	}
	// The pins have had this level since the tick before now.
	at := now - station.Period
	if on {
		w.res.Off = false
	} else if !w.res.Off {
		w.res.Off, w.res.OffAt = true, at
	}
	if bool(w.b.Rig.Enable.Level()) {
		w.res.EnableOff = false
	} else if !w.res.EnableOff {
		w.res.EnableOff, w.res.EnableOffAt = true, at
	}
}

// counts reports whether heater i is meant by the scenario's off_of.
func (w *walk) counts(i int) bool {
	e := w.p.Scenario.Expect
	if e == nil || len(e.OffOf) == 0 {
		return true
	}
	for _, n := range e.OffOf {
		if n == w.b.Rig.Names[i] {
			return true
		}
	}
	return false
}

func square(x float64) float64 { return x * x }

func rms(sum float64, n int) float64 {
	if n == 0 {
		return 0
	}
	return math.Sqrt(sum / float64(n))
}
