package full

import (
	"errors"
	"math"
	"time"

	"trivet/control"
	"trivet/control/boardid"
	"trivet/control/forecast"
	"trivet/control/model"
	"trivet/control/observe"
	"trivet/control/plan"
	"trivet/process"
	"trivet/process/unit"
)

// Work is a job for whoever has time: a copy of what the run has shown and of what is wanted. It stays valid until the
// result is given back.
type Work struct {
	Began time.Duration // law time of the copy
	Track *model.Track
	Guess model.Params
	Plain model.Params // what a calliper alone tells, the guess of a board that nothing was learned of
	From  boardid.Theta
	Known bool // the guess is from earlier runs
	// Stranger says that an earlier piece of work of this run has found the board to be no kin of the lesson.
	Stranger bool
	Kin      observe.Kinship // what it found then
	Warm     *plan.Schedule
	Plan     *process.Plan
	Profile  time.Duration
	Still    bool
	Now      [plan.Groups]float64
	Heaters  [plan.Groups]plan.Heater
	Budget   float64
	Body     float64
	Board    float64
	Window   forecast.Window
	NoJoint  bool    // the run was begun without a joint thermocouple
	Spent    float64 // s since the joint left 25 °C, or since the start where it was warmer
	run      int
}

// Result is what came of a piece of work, handed back whole.
type Result struct {
	Schedule *plan.Schedule
	Fit      *boardid.Fitted // nil when there was nothing to fit
	Forecast forecast.Forecast
	Kin      observe.Kinship // with the boards of the lesson; zero without one
	Stranger bool            // the board is no kin of the lesson, which is left aside
	known    bool            // Fit counts from the lesson, not from the calliper
	Err      error
	state    observe.Filter // where the lumps are, as of the last sample of the work
	unlooked observe.Filter // the same, had nobody looked at the joint
	params   model.Params
	samples  int // how many samples the work had
	run      int
}

// exchange is the law's side of handing work out.
type exchange struct {
	track   model.Track // copy that belongs to the work while it is out
	out     bool
	due     time.Duration
	started bool
	run     int // counts runs, so that a result of an earlier one is not taken
	now     time.Duration
	profile time.Duration
	still   bool
	plan    *process.Plan
	body    float64
}

func (e *exchange) begin() {
	keep := e.track.Samples[:0]
	if e.out { // the old copy still belongs to somebody: leave it to him
		keep = make([]model.Sample, 0, longest)
	}
	*e = exchange{run: e.run + 1, track: model.Track{Samples: keep}}
}

// watch notes what the next piece of work needs; a change between walking and standing still makes it due at once.
func (e *exchange) watch(now time.Duration, in *control.Inputs) {
	if !e.started || in.Still != e.still || in.Plan != e.plan {
		e.started, e.due = true, now
	}
	e.now, e.profile, e.still, e.plan, e.body = now, in.Profile, in.Still, in.Plan, float64(in.BodyTop)
}

func (e *exchange) hurry() { e.due = e.now }

// Want returns a piece of work when one is due and none is out, just after a second has been closed, so that work is
// never older than it says. It copies at most the seconds since the last one.
func (l *Law) Want() (Work, bool) {
	e := &l.exchange
	if !e.started || e.out || l.rec.elapsed > 0.15 || e.now < e.due || len(l.rec.track.Samples) < 1 || !l.rec.hasRecent || !l.cfg.Facts.Plausible() {
		return Work{}, false
	}
	e.out = true
	e.due = e.now + l.cfg.Every
	if len(l.rec.track.Samples) < learning || l.melting() {
		e.due = e.now + min(l.cfg.Every, quick)
	}
	e.track.Samples = append(e.track.Samples, l.rec.track.Samples[len(e.track.Samples):]...)
	f := l.cfg.Facts
	f.Ambient = l.ambient()
	w := Work{
		Began: e.now, Track: &e.track, Guess: f.Guess(), Plain: f.Guess(), Plan: e.plan, Profile: e.profile, Still: e.still, Now: l.rec.recent,
		Budget: l.mean, Body: e.body, Board: l.cfg.board(), run: e.run, Spent: l.spent(), NoJoint: l.cfg.NoJoint,
	}
	if e.plan != nil {
		w.Window = WindowOf(e.plan.Profile(), l.cfg.Board)
	}
	if l.cfg.Learned != nil {
		w.Guess, w.Known, w.Stranger, w.Kin = boardid.Apply(w.Guess, l.cfg.Learned), true, l.stranger, l.kin
	}
	if w.Body == 0 {
		w.Body = float64(l.cfg.Body)
	}
	if w.Body > 0 {
		w.Body -= bodyRoom + float64(l.cfg.Lower)
	}
	if l.best != nil {
		w.Warm = l.best.Schedule
		if l.best.Fit != nil {
			w.From = l.best.Fit.Theta
		}
	}
	w.Heaters = groups(l.cfg.Cascade.Zones)
	for g := range plan.Groups {
		w.Heaters[g].Power *= l.rec.power.of(g)
	}
	return w, true
}

// groups adds the zones up by kind; zones of a kind are taken to be alike.
func groups(zones []control.Zone) (h [plan.Groups]plan.Heater) {
	var n [plan.Groups]float64
	for i := range zones {
		z := &zones[i]
		g := groupOf(z.Kind)
		n[g]++
		h[g].Rated += float64(z.Rated)
		h[g].Ceiling = float64(z.Ceiling)
		h[g].Gain += (z.Gain - h[g].Gain) / n[g]
		h[g].Inertia += (z.Inertia - h[g].Inertia) / n[g]
		h[g].Power += (z.Most() - h[g].Power) / n[g] // a heater held to a share of its power is a weaker heater
	}
	return h
}

// Preview plans a run before any heat, on what a calliper tells alone: by how much the profile must be stretched, or why
// it is out of reach. Its Forecast says so; Err is set when the facts or the profile cannot be planned with at all.
func Preview(c Config, p *process.Plan, ambient unit.Celsius) Result {
	f := c.Facts
	f.Ambient = float64(ambient)
	if p == nil || !f.Plausible() {
		return Result{Err: errors.New("full: the facts of the board are not usable, so nothing can be planned before the run")}
	}
	a := float64(ambient)
	s := model.Sample{Input: model.Input{Top: a, Bottom: a, Area4: math.Pow(a+zeroC, 4)}, Joint: a, Body: a, Board: a, Has: model.HasJoint | model.HasBody | model.HasBoard | model.HasHeat}
	w := Work{
		Track: &model.Track{Samples: []model.Sample{s}}, Guess: f.Guess(), Plan: p, Now: [plan.Groups]float64{a, a, a},
		Heaters: groups(c.Cascade.Zones), Budget: control.Deliverable(c.Cascade.Zones, float64(c.Cascade.Budget)), Body: float64(c.Body), Board: c.board(), Window: WindowOf(p.Profile(), c.Board),
	}
	if w.Body > 0 {
		w.Body -= bodyRoom
	}
	return Solve(w)
}

// Give takes a result back. A result of an earlier run or without a schedule is dropped; the plan in force stays.
func (l *Law) Give(r Result) {
	if r.run != l.exchange.run {
		return
	}
	l.exchange.out = false
	if r.samples > 0 {
		l.look(r)
	}
	if r.Stranger {
		l.stranger, l.kin = true, r.Kin
	}
	if r.Err != nil || r.Schedule == nil {
		return
	}
	l.best = &r
}

// look takes over the state that the work found and brings it up to the last sample.
func (l *Law) look(r Result) {
	l.state, l.params, l.seeing = r.state, r.params, true
	for k := r.samples; k < len(l.rec.track.Samples); k++ {
		l.state.Step(&l.params, &l.rec.track.Samples[k])
	}
	l.unlooked.restart(&r, &l.rec.track)
}

// melting reports whether the joint is where its solder melts: there a fit learns in seconds what it could not know before.
func (l *Law) melting() bool {
	ball, _, ok := l.Joint()
	return ok && math.Abs(ball-l.params.Melt) < 8
}

// bodyRoom is how far below the soft limit of the package top a plan stays, so that it does not lean on being cut back, °C.
const bodyRoom = 1

// In its first seconds a run teaches most, and a small board moves while a plan is still the calliper's: renew it often.
const (
	learning = 45 // s
	quick    = 4 * time.Second
)

// The package top's thermocouple is not where the model's lump is: what it lately reads above it, °C over some seconds, is taken off the
// plan's limit.
const (
	overMemory = 12.0 // s
	overMost   = 4.0  // °C
)

// soonRoom is how much of the time to the peak a plan leaves for what it cannot foresee, s: the peak comes in the hold, not at its
// beginning.
const soonRoom = 40

// horizon is the farthest a plan looks, s.
const horizon = 1300

// Solve does a piece of work: fit, state, plan. It takes some ten milliseconds and touches nothing but the work.
func Solve(w Work) Result {
	r := Result{run: w.run}
	params := w.Guess
	weights, noise := boardid.DefaultWeights(), observe.DefaultNoise()
	unseen := blind(w.Track)
	if unseen {
		weights, noise = boardid.WithoutJoint(), observe.WithoutJoint()
	}
	if w.Known && !w.Stranger {
		weights.Tight = boardid.Sibling()
		if fit, err := boardid.Fit(w.Guess, w.Track, w.From, weights); err == nil {
			r.Fit, params = fit, fit.Params
			if unseen {
				r.Kin = observe.KinBlind(fit.StrainBlind(), fit.Misfit, w.Track)
			} else {
				r.Kin = observe.Kin(fit.Strain, fit.Misfit, w.Track)
			}
		}
		if r.Kin.Far {
			w.Stranger, w.Kin, w.From = true, r.Kin, boardid.Theta{}
		}
	}
	if w.Stranger {
		// What was learned would mislead: back to the calliper, and for good, because a fit that changes its ground every few
		// seconds would shake the plan.
		r.Stranger, r.Kin, w.Known, w.Guess, weights.Tight = true, w.Kin, false, w.Plain, boardid.Theta{}
	}
	if !w.Known {
		params = w.Guess
		if fit, err := boardid.Fit(w.Guess, w.Track, w.From, weights); err == nil {
			r.Fit, params = fit, fit.Params
		}
	}
	r.known = w.Known
	start, ok := w.Track.Start()
	if !ok {
		r.Err = errors.New("full: no usable reading at the start of the run")
		return r
	}
	f := observe.New(start, noise)
	u := observe.New(start, noise)
	over := 0.0 // how much the package top reads above the model, lately
	for k := range w.Track.Samples {
		s := &w.Track.Samples[k]
		f.Step(&params, s)
		u.Step(&params, without(*s))
		if s.Has&model.HasBody != 0 {
			over += (s.Body - params.Body(&f.X, &s.Input) - over) / overMemory
		}
	}
	r.state, r.unlooked, r.params, r.samples = f, u, params, len(w.Track.Samples)
	if w.Plan == nil {
		return r // somebody else steers: only what the board shows is asked for
	}
	p := plan.Problem{
		Begin: w.Began, Params: params, State: f.X, Push: f.Push, Fade: noise.Fade, Rate: f.Rate(), Now: w.Now, Heaters: w.Heaters,
		Budget: w.Budget, Body: w.Body, Board: w.Board, Warm: w.Warm,
	}
	if p.Body > 0 {
		p.Body -= clamp(over, -overMost, overMost)
	}
	if r.Schedule, r.Err = w.schedule(&p); r.Err != nil {
		return r
	}
	seen := r.Schedule
	if w.Still && !w.lifting() {
		// Heaters are planned to hold the joint for as long as the profile waits, but what people want to know is how it goes on.
		w.Still, p.Warm = false, r.Schedule
		if s, err := w.schedule(&p); err == nil {
			seen = s
		}
	}
	r.Forecast = foresee(&w, &r, seen, &f, &p)
	return r
}

// schedule plans the work's problem, and looks farther when it was stretched so far that the hold lies beyond the plan: else nobody sees
// whether the peak is reached.
func (w *Work) schedule(p *plan.Problem) (s *plan.Schedule, err error) {
	p.Horizon = ahead(w)
	p.Target, p.Breaks = target(w)
	if p.Soon = 0; w.Window.ToPeak > 0 {
		p.Soon = math.Max(1, w.Window.ToPeak-w.Spent-soonRoom)
	}
	for {
		if s, err = plan.Solve(p); err != nil {
			return nil, err
		}
		if w.Still || p.Horizon >= horizon || reach(s, left(w)) < s.Len()-1 {
			return s, nil
		}
		p.Horizon, p.Warm = min(horizon, p.Horizon*3/2), s
	}
}

// lifting reports whether the part waits at its peak to be lifted.
func (w *Work) lifting() bool {
	seg, ok := w.Plan.LiftSegment()
	return ok && w.Profile >= w.Plan.HoldBegin(seg)
}

// blind reports whether the track has no joint reading to speak of.
func blind(t *model.Track) bool {
	n := 0
	for k := range t.Samples {
		if t.Samples[k].Has&model.HasJoint != 0 {
			n++
		}
	}
	return 2*n < len(t.Samples)
}
