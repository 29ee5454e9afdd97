package bench

import (
	"fmt"
	"math"
)

// Goal is one figure a first article on boards never seen before is to keep to, over a sweep.
type Goal struct {
	Figure string  // name as in Figure
	Of     string  // "median", "95 %" or "highest", the last with its sign
	Most   float64 // in the figure's unit, without sign but for "highest"
	Words  string
}

// Goals returns what the project set itself; judgements, no source. Each figure is of the true joint.
func Goals() []Goal {
	return []Goal{
		{"rms_c", "median", 1.0, "whole heating phase, rms"},
		{"rms_c", "95 %", 2.5, "whole heating phase, rms"},
		{"rms_above_150_no_kink_c", "median", 0.5, "above 150 °C, outside the melting range, rms"},
		{"rms_above_150_no_kink_c", "95 %", 1.5, "above 150 °C, outside the melting range, rms"},
		{"peak_error_c", "median", 1, "peak, either side"},
		{"peak_error_c", "95 %", 3, "peak, either side"},
		{"peak_error_c", "highest", 2, "peak, above its target"},
		{"time_above_liquidus_error_s", "median", 2, "time above liquidus, either side"},
		{"time_above_liquidus_error_s", "95 %", 5, "time above liquidus, either side"},
	}
}

// Judged is a goal beside what a sweep came to. Without any board that has the figure it is neither met nor missed.
type Judged struct {
	Goal
	Unit string
	Got  float64
	Any  bool
	Met  bool
}

// Judge compares a sweep with the goals.
func (s *Sweeped) Judge() []Judged {
	var out []Judged
	for _, g := range Goals() {
		j := Judged{Goal: g}
		for _, f := range s.Figures {
			if f.Name != g.Figure {
				continue
			}
			j.Unit, j.Any = f.Unit, f.N > 0
			switch g.Of {
			case "median":
				j.Got = f.Median
			case "95 %":
				j.Got = f.P95
			case "highest":
				j.Got = s.highestPeak()
			}
		}
		j.Met = j.Any && j.Got <= g.Most
		out = append(out, j)
	}
	return out
}

// highestPeak is the largest peak error with its sign, °C; −Inf without any.
func (s *Sweeped) highestPeak() float64 {
	most := math.Inf(-1)
	for i := range s.Runs {
		if v := s.Runs[i].PeakErrorC; v != nil {
			most = math.Max(most, *v)
		}
	}
	return most
}

// Limit spells what is allowed.
func (g Goal) Limit(unit string) string {
	if g.Of == "highest" {
		return fmt.Sprintf("never above +%g %s", g.Most, unit)
	}
	return fmt.Sprintf("%s at most %g %s", g.Of, g.Most, unit)
}

// Word says in a word or two whether the goal is met.
func (j Judged) Word() string {
	switch {
	case !j.Any:
		return "no board got there"
	case j.Met:
		return "met"
	}
	return "not met"
}
