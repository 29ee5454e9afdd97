package plan

import (
	"errors"
	"math"
	"time"

	"trivet/control/model"
	"trivet/process/unit"
)

// Heater is one group of heaters as a step test found it.
type Heater struct {
	Rated   float64 // W, all heaters of the group
	Ceiling float64 // °C
	Gain    float64 // K above ambient at full power; K⁴ for Area
	Inertia float64 // s/K: extra duty per K/s
	Power   float64 // what the mains really give, relative to nominal power; 0 counts as 1
}

// Problem is what is to be planned.
type Problem struct {
	Begin   time.Duration
	Params  model.Params
	State   model.State
	Push    float64         // K/s of joint rate the model does not explain, dying away over Fade
	Fade    float64         // s
	Rate    float64         // of the balls now, K/s
	Now     [Groups]float64 // heater temperatures, °C
	Heaters [Groups]Heater
	Target  []float64 // °C of the outer balls, one per second of profile time from now; the last holds on; 20…1500 values
	// Breaks are the profile seconds from now at which segments end, rising. Each segment up to the last break may be
	// walked slower than real time, down to leastPace, where the machine cannot follow it. Empty: no stretching.
	Breaks []float64
	// Soon is how many seconds from now the last break is to be reached in at most: a part may only be heated for so long. 0 for no
	// such limit. Like all limits it bends the plan; the least pace can still make it miss.
	Soon    float64
	Horizon int       // s to plan for, 20…1500
	Budget  float64   // W
	Body    float64   // °C the package top's reading should keep to; 0 for none
	Board   float64   // °C the board should keep to; 0 for none
	Warm    *Schedule // where to begin the search, may be nil
}

// Weights of the search: what one unit of each costs, against tracking error as the measure of all. They are judgements,
// tried on boards drawn at random. Limits cost so much that a plan leaves them alone, but not so much that the search,
// which only sees slopes, gets stuck on their edges.
const (
	wTrack   = 1 / 0.4   // per °C
	wDuty    = 1 / 0.02  // per duty beyond what the heater has
	wCeiling = 1 / 1.0   // per °C beyond a heater's ceiling, or below ambient
	wLimit   = 1 / 0.5   // per °C of part or board above its limit
	wBudget  = 1 / 0.004 // per share of the mains budget beyond it
	wBend    = 1 / 2.5   // per K/s of bend at a knot
	wBalance = 1 / 150.0 // per °C between the two jets
	wFlat    = 1 / 40.0  // per °C between ring and joint
	wExcess  = 1 / 30.0  // per °C of top air above the joint: it spoils the joint reading and heats the body most
	// A tenth slower costs as much as lagging 0.8 °C behind all the way: the profile is stretched by the least.
	wPace = 1 / 0.05
	wSoon = 1 / 0.2 // per second after Soon: softer than what hurts the part or cannot be done
	wall  = 20.0    // factor on wPace outside the paces that are allowed

	spare       = 0.94 // highest planned duty: the rest is for feedback
	budgetShare = 0.97 // of the mains budget, for the same reason
	leastPace   = 0.4  // of real time; what needs less is refused, not stretched
	pace        = 2.0  // s, step of the search
	passes      = 5    // more gain little: the next plan goes on from this one

	zeroC = unit.ZeroCelsiusInKelvin
)

// knotTimes returns when the heater temperatures have knots: close together now, wide apart later.
func knotTimes(horizon float64) []float64 {
	var t []float64
	for at, gap := 0.0, 4.0; at < horizon; at += gap {
		t = append(t, at)
		gap = math.Min(25, 4+at/6)
	}
	return append(t, horizon)
}

// search is one plan in progress.
type search struct {
	p      *Problem
	n      int       // steps
	k      int       // knots besides the fixed first
	np     int       // paces
	t      []float64 // knot times, s
	z      []float64 // free knots, group by group, then a pace per segment
	seg    []int     // knot before each step's middle
	push   []float64 // unexplained rate of each step, K/s
	states []model.State
	hard   float64 // factor on the cost of limits
	r, r2  []float64
	jac    []float64
}

// Solve returns the schedule that follows the target best. It fails on a problem that is not numbers or too short.
func Solve(p *Problem) (*Schedule, error) {
	if len(p.Target) < 20 || p.Horizon < 20 || p.Horizon > 1500 {
		return nil, errors.New("plan: the time to plan for is out of range, allowed 20…1500 s")
	}
	q := *p // groups that the machine lacks are filled in, in a copy
	p = &q
	for g := range Groups {
		h := &p.Heaters[g]
		if h.Rated == 0 { // stays at ambient, whatever the search would like
			p.Now[g] = p.Params.Ambient
			*h = Heater{Ceiling: p.Params.Ambient + 0.01, Gain: 1}
		}
		if !(h.Gain > 0 && h.Inertia >= 0 && h.Ceiling > p.Params.Ambient && !math.IsNaN(p.Now[g]) && h.Rated >= 0) {
			return nil, errors.New("plan: a heater has no usable model")
		}
	}
	s := &search{p: p, n: int(float64(p.Horizon) / pace), np: len(p.Breaks)}
	s.t = knotTimes(float64(s.n) * pace)
	s.k = len(s.t) - 1
	s.seg = make([]int, s.n)
	for i := range s.seg {
		mid := (float64(i) + 0.5) * pace
		for s.seg[i]+1 < s.k && s.t[s.seg[i]+1] <= mid {
			s.seg[i]++
		}
	}
	s.push = make([]float64, s.n)
	for i := range s.push {
		s.push[i] = p.Push * math.Exp(-(float64(i)+0.5)*pace/math.Max(1, p.Fade))
	}
	m := s.count()
	s.r, s.r2, s.jac = make([]float64, m), make([]float64, m), make([]float64, m*s.free())
	s.states = make([]model.State, s.n+1)
	s.begin()
	// A search that meets hard limits at once gets stuck on the first of them: let them yield at first, from nowhere even
	// more than from the last plan.
	yields, n := []float64{0.3, 1}, passes
	if p.Warm == nil {
		yields, n = []float64{0.03, 0.2, 1}, 2*passes
	}
	for _, s.hard = range yields {
		s.improve(n)
	}
	out := s.schedule()
	if math.IsNaN(out.Miss) || math.IsInf(out.Miss, 0) {
		return nil, errors.New("plan: the search ran away; the model or its state is not made of numbers")
	}
	return out, nil
}

// begin fills the knots with a first guess: the last plan, or heaters that lead the target.
func (s *search) begin() {
	s.z = make([]float64, s.free())
	p := s.p
	for i := range s.np {
		s.z[Groups*s.k+i] = 1
		// The search begins at the last plan's pace of the same segment, counted from the end.
		if w := p.Warm; w != nil && len(w.Pace) >= s.np-i {
			s.z[Groups*s.k+i] = w.Pace[len(w.Pace)-(s.np-i)]
		}
	}
	for g := range Groups {
		for k := range s.k {
			t := s.t[k+1]
			v := 0.0
			if w := p.Warm; w != nil && w.Len() > 0 {
				set, _, _ := w.At(p.Begin + time.Duration(t*float64(time.Second)))
				v = set[g]
			} else {
				i := min(len(p.Target)-1, int(t)+12)
				v = p.Target[i] + 30
				if g == Area {
					v = p.Target[i] + 120
				}
			}
			s.z[g*s.k+k] = math.Max(p.Params.Ambient, math.Min(v, p.Heaters[g].Ceiling))
		}
	}
}
