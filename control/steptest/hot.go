package steptest

import (
	"math"
	"time"

	"trivet/control"
)

// Record is one step test, for Fit: what the heater was given and what its own couple read, at the times of the samples.
type Record struct {
	Heater int
	Time   []float64 // s, rising; the step is within
	Duty   []float64 // asked share of rated power, from that time on
	Temp   []float64 // °C
	Supply float64   // mean square of the mains voltage over the drive, relative to nominal; 1 where it is not measured
	Room   float64   // °C
	Rise   float64   // K, highest reading less that before the step
}

func newRecord(h int) Record {
	return Record{Heater: h, Time: make([]float64, 0, rowsMost), Duty: make([]float64, 0, rowsMost), Temp: make([]float64, 0, rowsMost)}
}

// secondly makes means of one second of every sensor, and remembers the last ten.
type secondly struct {
	part  time.Duration
	sum   [MaxSensors]float64
	count [MaxSensors]int
	y     [MaxSensors]float64 // the last complete second; keeps its value through a second without a sample
	seen  [MaxSensors]bool    // a sample has come in that second
	past  [11][MaxSensors]float64
	n     int
}

// take reports whether a second is complete.
func (s *secondly) take(dt time.Duration, c *Config, in *In) bool {
	for i := range c.Sensors {
		if t, ok := in.Readings[i].Temp(); ok {
			s.sum[i] += float64(t)
			s.count[i]++
		}
	}
	if s.part += dt; s.part < time.Second-time.Millisecond {
		return false
	}
	s.part -= time.Second
	for i := range c.Sensors {
		if s.seen[i] = s.count[i] > 0; s.seen[i] {
			s.y[i] = s.sum[i] / float64(s.count[i])
		}
		s.sum[i], s.count[i] = 0, 0
	}
	s.past[s.n%len(s.past)] = s.y
	s.n++
	return true
}

// slope is the rise of sensor i over the last k seconds, K/s; 0 until they are known. k is at most 10.
func (s *secondly) slope(i, k int) float64 {
	if s.n <= k {
		return 0
	}
	return (s.past[(s.n-1)%len(s.past)][i] - s.past[(s.n-1-k)%len(s.past)][i]) / float64(k)
}

// wait lets things cool before what comes next.
func (t *Test) wait(next Step, now time.Duration) {
	t.next = next
	t.enter(Cooling, now)
}

// cooling waits until nothing is left that could be taken for an answer, and before a step until board and heater are cool. An emitter
// that was tested before may go on cooling by itself: it does not move the others.
func (t *Test) cooling(now time.Duration, fresh bool) {
	if !fresh || now-t.since < quietLeast {
		return
	}
	if t.turn >= t.n {
		t.end(now)
		return
	}
	own := t.cfg.Heaters[t.order[t.turn]].Sensor
	if t.quiet(own) {
		t.enter(t.next, now)
		return
	}
	if now-t.since >= coolMost {
		t.find(Finding{Code: StaysHot, Heater: t.order[t.turn], Sensor: t.hottest(own), Blower: -1, Other: -1})
		t.end(now)
	}
}

// quiet reports whether the next step may begin.
func (t *Test) quiet(own int) bool {
	if !t.sec.seen[own] {
		return false
	}
	if t.next == Answering {
		for _, h := range t.order[:t.n] {
			if t.sec.slope(t.cfg.Heaters[h].Sensor, 5) > 2*drift {
				return false
			}
		}
		return true
	}
	for i, s := range t.cfg.Sensors {
		if s.Board && t.sec.seen[i] && !(t.sec.y[i] < coolEnough) {
			return false
		}
	}
	return t.sec.y[own] < coolEnough && math.Abs(t.sec.slope(own, 10)) < drift
}

// hottest is the sensor that keeps the next step waiting, for the finding.
func (t *Test) hottest(own int) int {
	at := own
	for i, s := range t.cfg.Sensors {
		if s.Board && t.sec.seen[i] && t.sec.y[i] > t.sec.y[at] {
			at = i
		}
	}
	return at
}

// dutyOf is the share of its power that a heater is tested with.
func (t *Test) dutyOf(h int) float64 {
	if t.cfg.Heaters[h].Kind == control.Area {
		return t.cfg.AreaDuty
	}
	return t.cfg.AirDuty
}

// drive asks for the heater's duty and follows what it should do. While the guard holds, a duty that is not on yet does not come on.
func (t *Test) drive(now, dt time.Duration, h int, in *In) {
	if !t.driving {
		t.begun = now
	}
	if in.Keep && !t.driving {
		t.spoiled += dt
		return
	}
	t.driving = true
	t.duty[h] = t.dutyOf(h)
	if in.Keep || !in.Allowed.Has(h) {
		t.spoiled += dt
	}
	v := 1.0
	if in.Supply > 0 {
		v = in.Supply * in.Supply
	}
	t.supply += v
	t.powered++
	if k := t.cfg.Heaters[h].Inertia; k > 0 && in.Allowed.Has(h) {
		t.model += dt.Seconds() * t.duty[h] * v / k
	}
}

// answering gives one heater a few seconds and sees whose couple answers.
func (t *Test) answering(now, dt time.Duration, fresh bool, in *In) {
	h := t.order[t.turn]
	x := &t.cfg.Heaters[h]
	t.drive(now, dt, h, in)
	if t.spoiled > 2*spoiledFor {
		t.again(Answering, now, h)
		return
	}
	if !fresh {
		return
	}
	own := t.sec.y[x.Sensor] - t.from[x.Sensor]
	best, most := -1, 0.0
	for _, k := range t.order[:t.n] {
		if d := t.sec.y[t.cfg.Heaters[k].Sensor] - t.from[t.cfg.Heaters[k].Sensor]; k != h && d > most {
			best, most = k, d
		}
	}
	f := Finding{Heater: h, Sensor: x.Sensor, Other: best, Blower: -1, By: most}
	late := now-t.begun >= answerMost || x.Band > 0 && t.model >= 0.6*x.Band
	switch {
	case own >= answered && most >= stranger*own && most >= deaf:
		f.Code = Also
	case own >= answered:
	case most >= answered && most > 2*own:
		f.Code = Crossed
	case late && own < deaf && !t.named(h):
		f.Code = Deaf
	case late && own < deaf: // the other half of an exchanged pair, too slow to be seen answering
	case late && now-t.begun < 2*answerMost && own < answered:
		return // slow, but it answers
	default:
		return
	}
	if f.Code != "" {
		t.find(f)
	}
	t.nextAnswer(now)
}

// named reports whether another heater's relay has been found to heat the zone of h.
func (t *Test) named(h int) bool {
	for _, f := range t.finds[:t.nFinds] {
		if f.Code == Crossed && f.Other == h {
			return true
		}
	}
	return false
}

// nextAnswer goes on to the next heater, or to the steps when every relay heats its own zone.
func (t *Test) nextAnswer(now time.Duration) {
	t.duty, t.tried = [control.MaxZones]float64{}, 0
	if t.turn++; t.turn < t.n {
		t.wait(Answering, now)
		return
	}
	if t.nFinds > 0 {
		t.end(now) // a loop that heats another zone's couple has no model
		return
	}
	t.turn = 0
	t.wait(Stepping, now)
}

// again repeats a step that was disturbed, once.
func (t *Test) again(s Step, now time.Duration, h int) {
	t.duty = [control.MaxZones]float64{}
	if t.tried++; t.tried < tries {
		t.wait(s, now)
		return
	}
	t.find(Finding{Code: Disturbed, Heater: h, Sensor: t.cfg.Heaters[h].Sensor, Blower: -1, Other: -1})
	t.end(now)
}

// lasts is how long the present step may be driven.
func (t *Test) lasts() time.Duration {
	if t.turn < t.n && t.cfg.Heaters[t.order[t.turn]].Kind == control.Area {
		return areaMost
	}
	return airMost
}

// stepping records one step test.
func (t *Test) stepping(now, dt time.Duration, fresh bool, in *In) {
	h := t.order[t.turn]
	x, r := &t.cfg.Heaters[h], &t.rows[h]
	if now-t.since >= baseline {
		t.drive(now, dt, h, in)
	}
	if c, ok := in.Readings[x.Sensor].Temp(); ok && len(r.Time) < rowsMost {
		// The sample belongs to its own time stamp; the duty to the tick, a slow input's sample being half a second old at most.
		at := (in.Readings[x.Sensor].At - t.since).Seconds()
		if n := len(r.Time); n == 0 || at > r.Time[n-1] {
			r.Time, r.Duty, r.Temp = append(r.Time, at), append(r.Duty, t.duty[h]), append(r.Temp, float64(c))
		}
	}
	if t.spoiled > spoiledFor {
		t.again(Stepping, now, h)
		return
	}
	if !fresh || !t.driving {
		return
	}
	t.steep = math.Max(t.steep, t.sec.slope(x.Sensor, 5))
	if t.stepDone(now, x) {
		t.duty = [control.MaxZones]float64{}
		r.Supply, r.Room = t.supply/float64(max(1, t.powered)), float64(t.res.Room)
		r.Rise = t.sec.y[x.Sensor] - t.from[x.Sensor]
		t.tried = 0
		if t.turn++; t.turn < t.n {
			t.wait(Stepping, now)
			return
		}
		t.end(now)
	}
}

// stepDone reports whether waiting longer would teach nothing, or would get something too hot.
func (t *Test) stepDone(now time.Duration, x *Heater) bool {
	d := now - t.begun
	if t.sec.y[x.Sensor] >= float64(x.Most) {
		return true
	}
	for i, s := range t.cfg.Sensors {
		if s.Board && t.sec.seen[i] && t.sec.y[i] >= float64(t.cfg.BoardMost) {
			return true
		}
	}
	if d < stepLeast {
		return false
	}
	flat := t.sec.slope(x.Sensor, 10) < bent*t.steep
	// A slow head has not bent by then: it is given longer.
	slow := x.Kind != control.Area && t.sec.slope(x.Sensor, 10) > 0.25*t.steep && d < slowMost
	return flat || d >= t.lasts() && !slow
}
