package full

import (
	"math"

	"trivet/control"
	"trivet/control/model"
	"trivet/control/plan"
	"trivet/process/unit"
)

// longest is how many seconds of a run are kept: 25 minutes, longer than any run may heat.
const longest = 1500

// mean gathers the usable readings of a second.
type mean struct{ sum, n float64 }

func (m *mean) add(r unit.Reading) {
	if c, ok := r.Temp(); ok {
		m.sum, m.n = m.sum+float64(c), m.n+1
	}
}

func (m *mean) take() (v float64, ok bool) {
	v, ok = m.sum/m.n, m.n > 0
	*m = mean{}
	return v, ok
}

// recorder makes samples of a second out of ticks, without allocating.
type recorder struct {
	track              model.Track
	joint, body, board mean
	fan                mean
	last               model.Input
	heater             [control.MaxZones]mean
	elapsed            float64              // s into the present sample
	recent             [plan.Groups]float64 // heater temperatures of the last sample, °C
	hasRecent          bool
	before             [plan.Groups]float64 // the same a second earlier
	hasBefore          bool
	power              powers
	start              float64 // °C, ambient as found before heat
	hasStart           bool
}

func (r *recorder) begin() {
	keep := r.track.Samples[:0]
	*r = recorder{}
	r.track.Samples = keep
}

func (r *recorder) ambient() (float64, bool) { return r.start, r.hasStart }

// note takes one tick in, and returns the sample when one is complete.
func (r *recorder) note(dt float64, in *control.Inputs, board unit.Reading, duty *[control.MaxZones]float64, fan float64, zones []control.Zone) (s model.Sample, closed bool) {
	if !r.hasStart {
		r.find(in)
	}
	r.joint.add(in.Joint)
	r.body.add(in.Body)
	r.board.add(board)
	for i := range zones {
		r.heater[i].add(in.Heaters[i])
	}
	r.fan.sum, r.fan.n = r.fan.sum+fan, r.fan.n+1
	r.power.note(dt, duty)
	if r.elapsed += dt; r.elapsed < 0.999 {
		return s, false
	}
	r.elapsed -= 1
	s = r.sample(zones)
	r.last = s.Input
	if in.Heat && len(r.track.Samples) < longest {
		r.track.Samples = append(r.track.Samples, s) // what cools teaches nothing about heating
	}
	return s, true
}

// heat returns what the heaters were at in the last complete second.
func (r *recorder) heat() model.Input { return r.last }

// find takes the ambient from the board before it is heated: everything is at room temperature then. A board that is
// still warm from the last run, or one without a reading, leaves the configured value in force.
func (r *recorder) find(in *control.Inputs) {
	c, ok := in.Joint.Temp()
	if !ok {
		if c, ok = in.Body.Temp(); !ok {
			return
		}
	}
	if c >= 5 && c <= 40 {
		r.start, r.hasStart = float64(c), true
	}
}

// real is where group g is by now: a moving heater is ahead of its own thermocouple.
func (r *recorder) real(g int) float64 {
	c := r.recent[g]
	if !r.hasBefore {
		return c
	}
	lag := 2.0 // s, nozzles; the model's own values
	if g == plan.Area {
		lag = 4
	}
	return c + lag*(c-r.before[g])
}

// sample closes the second.
func (r *recorder) sample(zones []control.Zone) model.Sample {
	var s model.Sample
	var ok bool
	if s.Joint, ok = r.joint.take(); ok {
		s.Has |= model.HasJoint
	}
	if s.Body, ok = r.body.take(); ok {
		s.Has |= model.HasBody
	}
	if s.Board, ok = r.board.take(); ok {
		s.Has |= model.HasBoard
	}
	s.Fan, _ = r.fan.take()
	s.Wind = math.Pow(math.Max(0, s.Fan), 0.7)
	var group, fourths [plan.Groups]mean
	for i := range zones {
		c, ok := r.heater[i].take()
		if !ok {
			continue
		}
		g := groupOf(zones[i].Kind)
		k := c + zeroC
		group[g].sum, group[g].n = group[g].sum+c, group[g].n+1
		fourths[g].sum, fourths[g].n = fourths[g].sum+k*k*k*k, fourths[g].n+1
	}
	all := true
	for g := range plan.Groups {
		if c, ok := group[g].take(); ok {
			r.power.learn(g, c, zones, r.start)
			r.recent[g] = c
		} else if !fitted(g, zones) {
			r.recent[g] = r.start // a machine without such heaters has ambient air there
		} else {
			all = false // the last known temperature goes on: better than none for the second it may last
		}
	}
	s.Top, s.Bottom = r.real(plan.Top), r.real(plan.Bottom)
	s.Area4 = math.Pow(r.real(plan.Area)+zeroC, 4)
	if a4, ok := fourths[plan.Area].take(); ok {
		s.Area4 += a4 - math.Pow(r.recent[plan.Area]+zeroC, 4) // banks that differ: the mean of the powers is more
	}
	r.before = r.recent
	r.hasBefore = true
	if all {
		s.Has |= model.HasHeat
		r.hasRecent = true
	}
	return s
}

// fitted reports whether the machine has heaters of group g.
func fitted(g int, zones []control.Zone) bool {
	for i := range zones {
		if groupOf(zones[i].Kind) == g {
			return true
		}
	}
	return false
}

// powers finds what the mains really give: the duty the heater's model needs for what its thermocouple did, over the
// duty it was given.
type powers struct {
	sum    [control.MaxZones]float64
	given  [plan.Groups]float64
	needed [plan.Groups]float64
	last   [plan.Groups]float64
	has    [plan.Groups]bool
}

func (p *powers) note(dt float64, duty *[control.MaxZones]float64) {
	for i := range duty {
		p.sum[i] += duty[i] * dt
	}
}

// learn closes a second of group g, which was at c.
func (p *powers) learn(g int, c float64, zones []control.Zone, ambient float64) {
	duty, need, n := 0.0, 0.0, 0.0
	for i := range zones {
		z := &zones[i]
		if groupOf(z.Kind) != g {
			continue
		}
		n++
		duty += p.sum[i]
		p.sum[i] = 0
		steady := (c - ambient) / z.Gain
		if z.Kind == control.Area {
			steady = (math.Pow(c+zeroC, 4) - math.Pow(ambient+zeroC, 4)) / z.Gain
		}
		need += steady
		if p.has[g] {
			need += z.Inertia * (c - p.last[g])
		}
	}
	if n > 0 && p.has[g] {
		p.given[g] += duty / n
		p.needed[g] += need / n
	}
	p.last[g], p.has[g] = c, true
}

// of returns the power of group g relative to nominal. It stays near 1 until some heat has been given, and within
// 0.6…1.3: mains of 77…114 % of nominal voltage.
func (p *powers) of(g int) float64 {
	const trust = 4.0 // s of full power that the nominal value counts for
	return clamp((p.needed[g]+trust)/(p.given[g]+trust), 0.6, 1.3)
}
