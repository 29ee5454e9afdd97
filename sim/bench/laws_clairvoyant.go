package bench

import (
	"context"
	"fmt"
	"math"
	"runtime"
	"sync"
	"time"

	"gonum.org/v1/gonum/mat"

	"trivet/control"
	"trivet/process/unit"
	"trivet/station"
)

// The clairvoyant optimum is no law but a bound: how near the joint can come to the plan on this very board and machine when all
// is known beforehand. It works out set-points of top air, bottom air and area heaters, one each every knot seconds, by bounded
// Gauss–Newton steps whose derivatives come from whole bench runs of the very plant, all but without noise, against the true joint.
// The station, the loops of the heaters, the relays, the mains budget and the guard are in those runs as in any other.
//
// It finds a local optimum of a drive with straight lines between knots: a floor that others are measured by, not a proof that
// nothing lies below it. Method from any textbook on nonlinear least squares.
const (
	knot      = 8    // s between knots; the joint answers air over some 15 s, so that finer ones change little
	nudge     = 6.0  // K by which a knot is moved for a derivative: far above the grain of the amplifiers, 0.25 K
	rounds    = 5    // times that derivatives are found, at most
	steps     = 8    // Gauss–Newton steps with each, at most
	furthest  = 60.0 // K that a knot moves in one step: beyond, derivatives mean nothing
	gains     = 0.02 // a step or a round that takes off less than this share is the last
	bodyRoom  = 3.0  // K below the limit of the body from where the reading of its top costs
	boardRoom = 4.0  // the same for the board's own ceiling
	coldGrain = 0.06 // °C rms, a fraction of a step of the amplifiers: a reading that never moves at all is taken for a dead one
)

// damps are the dampings tried side by side in each step, in units of a residual's squared derivative, (K/K)² summed over a run:
// from next to none to a creep (Levenberg 1944).
var damps = [...]float64{0.003, 0.03, 0.3, 3, 30}

// replay is the drive that was worked out, with the pace its reference walked at.
type replay struct {
	*control.Table
	pace  []float64
	begun time.Duration
	now   time.Duration
	hot   bool
}

// Begin starts anew.
func (r *replay) Begin() {
	r.Table.Begin()
	r.hot = false
}

// Step also counts the time of heat, for Pace.
func (r *replay) Step(now time.Duration, in *control.Inputs, out *control.Outputs) {
	if in.Heat && !r.hot {
		r.begun, r.hot = now, true
	}
	r.now = now
	r.Table.Step(now, in, out)
}

// Pace returns how fast profile time should go from now on.
func (r *replay) Pace() float64 {
	if i := int((r.now - r.begun).Seconds()); r.hot && i < len(r.pace) {
		return r.pace[i]
	}
	return 1
}

// search is the state of one optimisation.
type search struct {
	ctx   context.Context
	parts Parts
	x     []float64 // set-points, °C: top, bottom, area of the first knot, then of the next
	most  [3]float64
	r     []float64 // residuals of x
	cost  float64
	last  int // seconds of heat that count
	knot  int // s
	tell  Progress
}

// Clairvoyant works out the optimum for these parts and returns the run that it gives, scored like any other. Where the full law
// walks slower than the profile, the optimum walks with it: the bound is for the same walk. tell hears shares of the
// work as parts of an hour.
func Clairvoyant(ctx context.Context, p Parts, tell Progress) (*Result, error) {
	s, err := newSearch(ctx, p, knot)
	if err != nil {
		return nil, err
	}
	s.tell = tell
	for round := range rounds {
		before := s.cost
		if err := s.improve(round); err != nil {
			return nil, err
		}
		if !(s.cost < before*(1-gains)) {
			break
		}
	}
	best := s.parts
	best.drive = s.path(s.x)
	return Run(ctx, best, nil)
}

// newSearch starts from the set-points of the full law, with a knot every few seconds.
func newSearch(ctx context.Context, p Parts, every int) (*search, error) {
	p.Noise, p.Scenario.Faults, p.Scenario.Expect = coldGrain, nil, nil
	guide := p
	guide.Scenario.Law = "full"
	first, err := Run(ctx, guide, nil)
	if err != nil {
		return nil, err
	}
	p.Scenario.Law, p.Profile = "clairvoyant", unwaiting(p.Profile)
	s := &search{ctx: ctx, parts: p, knot: every}
	return s, s.begin(first)
}

// begin takes set-points and pace from a run of another law.
func (s *search) begin(res *Result) error {
	col := columnsOf(res)
	zero := res.heat(col["profile_time"])
	if zero < 0 {
		return fmt.Errorf("clairvoyant: the run that it starts from never heated: %s", res.Summary.Sentence)
	}
	const each = int(time.Second / station.Period)
	names := s.parts.Machine.HeaterNames()
	paced := false
	for i := zero; i+each < len(res.Rows) && res.Rows[i].Quality[col["set:"+names[0]]] == unit.Good; i += each {
		pace := float64(res.Rows[i+each].Values[col["profile_time"]] - res.Rows[i].Values[col["profile_time"]])
		s.parts.pace = append(s.parts.pace, min(1, max(pace, 1e-3)))
		paced = paced || pace < 0.99
		if (i-zero)/each%s.knot == 0 {
			v := res.Rows[i].Values
			s.x = append(s.x, float64(v[col["set:"+names[0]]]), float64(v[col["set:"+names[1]]]), mean(names[2:], func(n string) float64 { return float64(v[col["set:"+n]]) }))
		}
		s.last = (i - zero) / each
	}
	if !paced {
		s.parts.pace = nil
	}
	s.x = append(s.x, s.x[len(s.x)-3:]...) // the last stretch needs an end
	s.most = [3]float64{float64(airMost), float64(airMost), float64(areaMost)}
	s.bound(s.x)
	var err error
	s.r, s.cost, err = s.run(s.x)
	return err
}

func mean(names []string, of func(string) float64) float64 {
	sum := 0.0
	for _, n := range names {
		sum += of(n)
	}
	return sum / float64(max(1, len(names)))
}

func columnsOf(res *Result) map[string]int {
	col := map[string]int{}
	for i, c := range res.Channel {
		col[c.Name] = i
	}
	return col
}

// bound keeps set-points where heaters can hold them.
func (s *search) bound(x []float64) {
	for i := range x {
		x[i] = math.Max(s.parts.Scenario.AmbientC, math.Min(x[i], s.most[i%3]))
	}
}

// path is the drive for set-points x.
func (s *search) path(x []float64) []control.Waypoint {
	out := make([]control.Waypoint, len(x)/3)
	for k := range out {
		out[k] = control.Waypoint{At: time.Duration(k*s.knot) * time.Second,
			Top: unit.Celsius(x[3*k]), Bottom: unit.Celsius(x[3*k+1]), Area: unit.Celsius(x[3*k+2])}
	}
	return out
}

// run heats the plant by x and returns residuals, three for each second: joint against plan in °C, and by how much package top
// and board read above where they should stay. A run that was cut off costs as much as a cold board for what it missed.
func (s *search) run(x []float64) ([]float64, float64, error) {
	p := s.parts
	never := -1.0
	p.drive, p.short, p.Scenario.LiftAfterS = s.path(x), true, &never
	res, err := Run(s.ctx, p, nil)
	if err != nil {
		return nil, 0, err
	}
	col := columnsOf(res)
	r := make([]float64, 3*s.last)
	for i := range r {
		if i%3 == 0 {
			r[i] = 100
		}
	}
	const each = int(time.Second / station.Period)
	zero := res.heat(col["profile_time"])
	for k, i := 0, zero; zero >= 0 && i < len(res.Rows) && k < len(r); k, i = k+3, i+each {
		row := &res.Rows[i]
		if row.Quality[col["target"]] != unit.Good {
			continue
		}
		r[k] = float64(row.Truth.CornerJoint) - float64(row.Values[col["target"]])
		if limit := p.Profile.BodyLimit; limit > 0 {
			r[k+1] = math.Max(0, float64(row.Values[col["package-top"]])-float64(limit)+bodyRoom)
		}
		r[k+2] = math.Max(0, float64(row.Values[col["board"]])-float64(boardCeiling)+boardRoom)
	}
	sum := 0.0
	for _, e := range r {
		sum += e * e
	}
	return r, sum, nil
}

// improve finds derivatives once and makes Gauss–Newton steps with them until they stop helping. Between steps the
// derivatives are corrected by what the last step showed (Broyden 1965): a step costs a few runs, derivatives some hundred.
func (s *search) improve(round int) error {
	j, err := s.derive(round)
	if err != nil {
		return err
	}
	for range steps {
		t, err := s.try(j)
		if err != nil || !(t.cost < s.cost) {
			return err
		}
		little := !(t.cost < s.cost*(1-gains))
		n := len(s.x)
		dx, miss := mat.NewVecDense(n, nil), mat.NewVecDense(len(s.r), nil)
		for k := range n {
			dx.SetVec(k, t.x[k]-s.x[k])
		}
		miss.MulVec(j, dx)
		for i := range s.r {
			miss.SetVec(i, t.r[i]-s.r[i]-miss.AtVec(i))
		}
		j.RankOne(j, 1/mat.Dot(dx, dx), miss, dx)
		s.x, s.r, s.cost = t.x, t.r, t.cost
		if little {
			return nil
		}
	}
	return nil
}

// trial is one drive and what it came to.
type trial struct {
	x, r []float64
	cost float64
}

// try takes the step that derivatives j ask for, dampened in several ways, and returns the best.
func (s *search) try(j *mat.Dense) (trial, error) {
	n := len(s.x)
	var jtj mat.SymDense
	jtj.SymOuterK(1, j.T())
	g := mat.NewVecDense(n, nil)
	g.MulVec(j.T(), mat.NewVecDense(len(s.r), s.r))
	tries := make([]trial, len(damps))
	err := parallel(len(damps), func(i int) error {
		a := mat.NewSymDense(n, nil)
		a.CopySym(&jtj)
		for k := range n {
			a.SetSym(k, k, a.At(k, k)+damps[i])
		}
		var chol mat.Cholesky
		var step mat.VecDense
		tries[i].cost = math.Inf(1)
		if !chol.Factorize(a) || chol.SolveVecTo(&step, g) != nil {
			return nil
		}
		x := make([]float64, n)
		for k := range x {
			x[k] = s.x[k] - math.Max(-furthest, math.Min(furthest, step.AtVec(k)))
		}
		s.bound(x)
		r, cost, err := s.run(x)
		tries[i] = trial{x, r, cost}
		return err
	})
	best := tries[0]
	for _, t := range tries {
		if t.cost < best.cost {
			best = t
		}
	}
	return best, err
}

// derive nudges each knot in turn, downwards where it is at its upper limit.
func (s *search) derive(round int) (*mat.Dense, error) {
	n := len(s.x)
	j := mat.NewDense(len(s.r), n, nil)
	var mu sync.Mutex
	done := 0
	err := parallel(n, func(k int) error {
		x := append([]float64(nil), s.x...)
		by := nudge
		if x[k]+by > s.most[k%3] {
			by = -nudge
		}
		x[k] += by
		r, _, err := s.run(x)
		if err != nil {
			return err
		}
		mu.Lock()
		defer mu.Unlock()
		for i := range r {
			j.Set(i, k, (r[i]-s.r[i])/by)
		}
		done++
		if s.tell != nil {
			share := (float64(round) + float64(done)/float64(n)) / rounds
			s.tell(time.Duration(share*float64(time.Hour)), time.Hour)
		}
		return nil
	})
	return j, err
}

// parallel calls do(0)…do(n−1), as many at a time as there are processors, and returns one of their errors.
func parallel(n int, do func(i int) error) error {
	next := make(chan int)
	errs := make([]error, n)
	var wg sync.WaitGroup
	for range min(n, runtime.GOMAXPROCS(0)) {
		wg.Go(func() {
			for i := range next {
				errs[i] = do(i)
			}
		})
	}
	for i := range n {
		next <- i
	}
	close(next)
	wg.Wait()
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

var _ station.Pacer = (*replay)(nil)
