package bench

import (
	"context"
	"fmt"
	"time"

	"trivet/process"
	"trivet/process/unit"
	"trivet/station"
)

// Compared is one law's run on the board that all of a comparison share.
type Compared struct {
	Law     string
	Result  *Result
	Instant []Instant // once a second from the first heat
	Heats   int       // how many of them are before cooling begins
}

// Instant is one second of a run: the true joint and where the plan, as that run walked it, wanted it.
type Instant struct {
	At     time.Duration // from the first heat
	Joint  float64       // °C, true, outer corner
	Target float64       // °C
	Walks  bool          // whether there was a target
}

// Comparison is several laws on one board.
type Comparison struct {
	Parts Parts
	Plan  *process.Plan // by the clock: as a run walks it that never waits nor slows down
	Laws  []Compared
}

// Compare runs the same scenario, board, noise and all, once for each law. tell hears which law is at work and its share.
func Compare(ctx context.Context, p Parts, laws []string, tell func(law string, done, total time.Duration)) (*Comparison, error) {
	plan, err := process.NewPlan(p.Profile, unit.Celsius(p.Scenario.AmbientC))
	if err != nil {
		return nil, err
	}
	c := &Comparison{Parts: p, Plan: plan}
	for _, law := range laws {
		q := p
		q.Scenario.Law = law
		res, err := Run(ctx, q, func(done, total time.Duration) {
			if tell != nil {
				tell(law, done, total)
			}
		})
		if err != nil {
			return nil, fmt.Errorf("law %s: %w", law, err)
		}
		one := Compared{Law: law, Result: res}
		one.thin(plan)
		c.Laws = append(c.Laws, one)
	}
	return c, nil
}

// thin takes one row a second, from the first with heat on.
func (c *Compared) thin(plan *process.Plan) {
	col := columnsOf(c.Result)
	target, profile := col["target"], col["profile_time"]
	cool, cools := plan.CoolSegment()
	zero := c.Result.heat(profile)
	if zero < 0 {
		return
	}
	const each = int(time.Second / station.Period)
	for i := zero; i < len(c.Result.Rows); i += each {
		r := &c.Result.Rows[i]
		in := Instant{At: r.At - c.Result.Rows[zero].At, Joint: float64(r.Truth.CornerJoint)}
		if r.Quality[target] == unit.Good && r.Quality[profile] == unit.Good {
			in.Target, in.Walks = float64(r.Values[target]), true
			at := time.Duration(float64(r.Values[profile]) * float64(time.Second))
			if !cools || plan.At(at).Segment < cool {
				c.Heats = len(c.Instant) + 1
			}
		}
		c.Instant = append(c.Instant, in)
	}
}

// heat returns the first row in which profile time, in column profile, has begun to pass, −1 if it never does.
func (r *Result) heat(profile int) int {
	for i := range r.Rows {
		if row := &r.Rows[i]; row.Quality[profile] == unit.Good && row.Values[profile] > 0 {
			return i
		}
	}
	return -1
}
