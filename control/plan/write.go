package plan

import (
	"math"

	"trivet/control/model"
)

// schedule writes the result out second by second: set-points for the heater loops, and what every thermocouple should
// then show, so that feedback and watchdogs compare like with like.
func (s *search) schedule() *Schedule {
	p := s.p
	n := p.Horizon
	out := &Schedule{Begin: p.Begin, Pace: append([]float64(nil), s.z[Groups*s.k:]...)}
	for i := range out.Pace {
		out.Pace[i] = math.Max(leastPace, math.Min(1, out.Pace[i]))
		s.z[Groups*s.k+i] = out.Pace[i]
	}
	x, was := p.State, p.Params.Ball(&p.State)-p.Rate
	k := 0
	sum := 0.0
	for i := range n {
		t := math.Min(float64(i), s.t[s.k])
		for k+1 < s.k && s.t[k+1] <= t {
			k++
		}
		watts := 0.0
		var set, real [Groups]float64
		for g := range Groups {
			set[g] = s.between(s.z, g, k, t)
			rate := (s.knot(s.z, g, k+1) - s.knot(s.z, g, k)) / (s.t[k+1] - s.t[k])
			out.Set[g] = append(out.Set[g], math.Min(set[g], p.Heaters[g].Ceiling))
			real[g] = set[g] + p.lead(g, rate)
			watts += math.Max(0, math.Min(1, p.duty(g, set[g], rate))) * p.Heaters[g].Rated
		}
		u := model.Input{Top: real[Top], Bottom: real[Bottom], Area4: fourth(real[Area]), Push: p.Push * math.Exp(-t/math.Max(1, p.Fade))}
		ball := p.Params.Ball(&x)
		out.Ball = append(out.Ball, ball)
		out.Reading = append(out.Reading, p.Params.Reading(ball, ball-was, &u))
		out.Body = append(out.Body, p.Params.Body(&x, &u))
		out.Board = append(out.Board, math.Max(x[1], x[2]))
		out.Load = append(out.Load, watts)
		want := s.wanted(s.z, float64(i))
		out.Target = append(out.Target, want)
		out.Walk = append(out.Walk, s.paceAt(s.z, s.profileAt(s.z, float64(i))))
		e := ball - want
		sum += e * e
		out.Worst = math.Max(out.Worst, -e)
		was = ball
		p.Params.Step(&x, &u, 1)
	}
	out.Miss = math.Sqrt(sum / float64(n))
	return out
}
