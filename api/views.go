package api

import (
	"context"
	"fmt"
	"reflect"
	"slices"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"trivet/process"
	"trivet/process/unit"
	"trivet/station"
)

var problemType = reflect.TypeFor[Problem]()

// body wraps what an operation returns.
type body[T any] struct{ Body T }

// PlanView is the course of a profile: target and corridor every second, for drawing.
type PlanView struct {
	Profile  string        `json:"profile"`
	Time     []float64     `json:"time_s" nullable:"false" doc:"Profile time"`
	Target   []*float64    `json:"target_c" nullable:"false"`
	Low      []*float64    `json:"low_c" nullable:"false"`
	High     []*float64    `json:"high_c" nullable:"false"`
	Segments []SegmentView `json:"segments" nullable:"false"`
	Liquidus float64       `json:"liquidus_c"`
	Solidus  float64       `json:"solidus_c"`
}

// SegmentView is where one segment lies in profile time.
type SegmentView struct {
	Name string  `json:"name"`
	From float64 `json:"from_s"`
	To   float64 `json:"to_s"`
	Lift bool    `json:"lift"`
	Cool bool    `json:"cool"`
}

// ProfilesView is the catalogue.
type ProfilesView struct {
	Profiles []ProfileView `json:"profiles" nullable:"false"`
}

// ProfileView is one profile of the catalogue.
type ProfileView struct {
	Name    string  `json:"name"`
	Title   string  `json:"title"`
	Kind    string  `json:"kind" enum:"removal,placement,reball,dressing,preheat"`
	Alloy   string  `json:"alloy"`
	Total   float64 `json:"total_s" doc:"From a board at 25 °C"`
	Peak    float64 `json:"peak_c"`
	Default bool    `json:"default"`
}

func (s *Server) registerViews(a huma.API) {
	operation(s, a, "GET", "/api/v1/state", "state", "Everything there is to see now", AccessLook, func(ctx context.Context, _ *struct{}) (*body[State], error) {
		v := visitorOf(ctx)
		return &body[State]{s.now(&v)}, nil
	})
	operation(s, a, "GET", "/api/v1/plan", "plan", "The course of the present or last run, or of a profile", AccessLook, s.plan)
	operation(s, a, "GET", "/api/v1/forecast", "forecast", "Where the joint will be for the rest of the run", AccessLook, func(context.Context, *struct{}) (*body[ForecastView], error) {
		var snap station.Snapshot
		s.o.Station.Latest(&snap)
		return &body[ForecastView]{forecastCurve(&snap)}, nil
	})
	operation(s, a, "GET", "/api/v1/lessons", "lessons", "How many boards of the type on the machine were learned from", AccessLook, func(ctx context.Context, _ *struct{}) (*body[LessonsView], error) {
		out := LessonsView{}
		if s.o.Lessons != nil {
			out.Lessons = s.o.Lessons(ctx)
		}
		return &body[LessonsView]{out}, nil
	})
	operation(s, a, "GET", "/api/v1/profiles", "profiles", "What may be run", AccessLook, func(context.Context, *struct{}) (*body[ProfilesView], error) {
		out := ProfilesView{Profiles: []ProfileView{}}
		for _, p := range s.o.Profiles.List() {
			out.Profiles = append(out.Profiles, profileView(p))
		}
		return &body[ProfilesView]{out}, nil
	})
	operation(s, a, "GET", "/api/v1/problems", "problems", "Every problem code and what to do about it", AccessOpen, func(context.Context, *struct{}) (*body[ProblemsView], error) {
		return &body[ProblemsView]{ProblemsView{slices.Clone(problems[:])}}, nil
	})
	operation(s, a, "GET", "/api/v1/trace", "trace", "What was measured in the present or last run, from memory", AccessLook, s.trace)
}

// ProblemsView is the table of problems.
type ProblemsView struct {
	Problems []ProblemInfo `json:"problems" nullable:"false"`
}

// profileView is one line of the catalogue.
func profileView(p ProfileInfo) ProfileView {
	v := ProfileView{Name: p.Name, Title: p.Profile.Title, Kind: string(p.Profile.Kind), Alloy: p.Profile.Alloy.Name, Default: p.Default,
		Peak: round(float64(p.Profile.Peak()), 100)}
	// 25 °C is where the times of J-STD-020's profiles begin. A profile whose first target lies below has no total here.
	if plan, err := process.NewPlan(p.Profile, 25); err == nil {
		v.Total = seconds(plan.Total())
	}
	return v
}

// LessonsView is what was learned of the board type on the machine.
type LessonsView struct {
	Lessons int `json:"lessons" minimum:"0"`
}

// profile looks one up, and tells a name that is not in the catalogue from a profile that is broken.
func (s *Server) profile(name string) (process.Profile, error) {
	p, err := s.o.Profiles.ByName(name)
	if err == nil {
		return p, nil
	}
	for _, l := range s.o.Profiles.List() {
		if l.Name == name {
			return p, problem("bad_profile", fmt.Sprintf("The profile %q cannot be used: %v.", name, err))
		}
	}
	return p, problem("no_such_profile", fmt.Sprintf("There is no profile %q.", clip(name)))
}

// plan shows the plan of the run there is, or previews a profile from the present joint temperature.
func (s *Server) plan(_ context.Context, in *struct {
	Profile string `query:"profile" maxLength:"64" doc:"Preview this one instead"`
}) (*body[PlanView], error) {
	var snap station.Snapshot
	s.o.Station.Latest(&snap)
	// A run's own plan stays on the screen after its end, until somebody looks at another profile or starts one.
	if in.Profile == "" && snap.Run.HasPlan && snap.Run.Plan != nil {
		return &body[PlanView]{planView(snap.Run.Plan)}, nil
	}
	// With no run yet: what the page offers first.
	name := in.Profile
	if name == "" {
		for _, p := range s.o.Profiles.List() {
			if name == "" || p.Default {
				name = p.Name
			}
		}
	}
	p, err := s.profile(name)
	if err != nil {
		return nil, err
	}
	plan, err := process.NewPlan(p, s.startFrom(&snap))
	if err != nil { // the board may still be hot from the last run: then show the course from a cold one
		plan, err = process.NewPlan(p, s.ambient())
	}
	if err != nil {
		return nil, problem("bad_profile", fmt.Sprintf("The profile %q cannot be followed: %v.", name, err))
	}
	return &body[PlanView]{planView(plan)}, nil
}

// startFrom is where a run would begin now: at the coldest joint, or at the room if none reads.
func (s *Server) startFrom(snap *station.Snapshot) unit.Celsius {
	if i := snap.Coldest; i >= 0 && i < len(snap.Sensors) {
		if c, ok := snap.Sensors[i].Temp(); ok {
			return c
		}
	}
	return s.ambient()
}

// ambient is the room as configured. 25 °C where nothing is said: the room temperature of J-STD-020's profile times.
func (s *Server) ambient() unit.Celsius {
	if c := s.o.Station.Setup().Ambient; c > 0 && c.Finite() {
		return c
	}
	return 25
}

// planView tabulates a plan for drawing.
func planView(p *process.Plan) PlanView {
	f := p.Profile()
	v := PlanView{Profile: f.Title, Segments: []SegmentView{}, Liquidus: round(float64(f.Alloy.Liquidus), 100), Solidus: round(float64(f.Alloy.Solidus), 100)}
	if v.Profile == "" {
		v.Profile = f.Name
	}
	// Every second, as the plan itself is tabulated; a run of three hours is 10 800 points, 300 kB before packing.
	for t := time.Duration(0); t <= p.Total(); t += time.Second {
		low, high := p.Corridor(t)
		v.Time = append(v.Time, t.Seconds())
		v.Target = append(v.Target, number(float64(p.At(t).Target)))
		v.Low, v.High = append(v.Low, number(float64(low))), append(v.High, number(float64(high)))
	}
	// A plan tells where it is at a moment, not where its segments begin. So walk: from the begin of one segment the time left
	// in it leads to the begin of the next.
	from := time.Duration(0)
	for i, seg := range f.Segments {
		to := from // a segment without length
		if at := p.At(from); at.Segment == i {
			to = from + at.SegmentLeft
		}
		v.Segments = append(v.Segments, SegmentView{Name: seg.Name, From: seconds(from), To: seconds(to), Lift: seg.Lift, Cool: seg.Cool})
		from = to
	}
	return v
}
