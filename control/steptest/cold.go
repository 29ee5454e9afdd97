package steptest

import (
	"math"
	"sort"
	"time"

	"trivet/process/unit"
)

// rough gathers the spread of one sensor at rest from second differences, so that a slow drift of the room does not count. It is the
// guard's own measure, and the one its alarm for noise will be compared with.
type rough struct {
	at     time.Duration
	x0, x1 float64
	n      int
	sum    float64
	mean   float64 // reading, for the room
}

// perSecondDifference: the second difference of white noise of spread s has a mean size of s·√6·√(2/π).
const perSecondDifference = 1.954

// leastNoise is what is written down at least, K rms: a chip with steps of 0.25 °C shows nothing at all in a quiet shop, and a run is
// never as quiet.
const leastNoise = 0.05

func (r *rough) take(in unit.Reading) {
	c, ok := in.Temp()
	if !ok {
		return
	}
	if r.n > 0 && in.At == r.at {
		return // the same conversion again
	}
	x := float64(c)
	if r.n >= 2 {
		// One sample that jumps is a spike and not noise: it is cut off at three times what was usual so far.
		d := math.Abs(x-2*r.x0+r.x1) / perSecondDifference
		if k := float64(r.n - 2); k >= 10 {
			d = min(d, 3*r.sum/k+0.3)
		}
		r.sum += d
	}
	r.at, r.x0, r.x1 = in.At, x, r.x0
	r.mean += (x - r.mean) / float64(r.n+1)
	r.n++
}

func (r *rough) spread() Noise {
	if r.n < 3 {
		return Noise{Samples: r.n}
	}
	return Noise{RMS: max(leastNoise, r.sum/float64(r.n-2)), Samples: r.n}
}

// resting watches everything with heat and air off.
func (t *Test) resting(now time.Duration, in *In) {
	for i := range t.cfg.Sensors {
		t.noise[i].take(in.Readings[i])
	}
	if now-t.since < restFor {
		return
	}
	for i := range t.cfg.Sensors {
		// A couple that is not plugged in is not judged, unless a heater needs it: joint and part may be bare.
		n := t.noise[i].spread()
		if n.Samples >= minSamples && n.RMS > noisyMost {
			t.find(Finding{Code: Noisy, Sensor: i, Heater: -1, Blower: -1, Other: -1, By: n.RMS})
		}
	}
	for _, h := range t.order[:t.n] {
		if s := t.cfg.Heaters[h].Sensor; t.noise[s].n < minSamples {
			t.find(Finding{Code: NoReading, Heater: h, Sensor: s, Blower: -1, Other: -1})
		}
	}
	for b, proof := range t.cfg.Blowers {
		if proof && in.Air[b] {
			t.stuck[b] = true // it proves nothing about the others
			t.find(Finding{Code: AirAlways, Blower: b, Heater: -1, Sensor: -1, Other: -1})
		}
	}
	t.res.Room = t.room()
	t.blower = -1
	t.nextBlower(now)
}

// room is the median of what read at rest: one couple that is off does not move it.
func (t *Test) room() unit.Celsius {
	var all [MaxSensors]float64
	n := 0
	for i := range t.cfg.Sensors {
		if t.noise[i].n > 0 {
			all[n] = t.noise[i].mean
			n++
		}
	}
	if n == 0 {
		return 0
	}
	sort.Float64s(all[:n])
	return unit.Celsius(all[n/2])
}

// nextBlower goes on to the next blower with a proof, or, when nothing has been found so far, to the air of all.
func (t *Test) nextBlower(now time.Duration) {
	for t.blower++; t.blower < len(t.cfg.Blowers); t.blower++ {
		if t.cfg.Blowers[t.blower] && !t.stuck[t.blower] {
			t.enter(Blowing, now)
			t.phase, t.mark = 0, now
			return
		}
	}
	t.blower = 0
	if t.nFinds > 0 {
		t.end(now) // no heat on a machine that is not in order cold
		return
	}
	t.enter(Airing, now)
}

// blowing runs one blower alone and watches whose proof comes and goes.
func (t *Test) blowing(now time.Duration, in *In) {
	b := t.blower
	other := -1
	for k, proof := range t.cfg.Blowers {
		if proof && k != b && in.Air[k] && !t.stuck[k] {
			other = k
		}
	}
	f := Finding{Blower: b, Other: other, Heater: -1, Sensor: -1}
	switch {
	case t.phase == 0 && in.Air[b]:
		t.res.Blowers[b].Came = now - t.mark
		t.phase, t.mark = 1, now
	case t.phase == 0 && now-t.mark >= airComes:
		if f.Code = BlowerDead; other >= 0 {
			f.Code = AirCrossed
		}
		t.find(f)
		t.phase, t.mark = 2, now
	case t.phase == 1 && now-t.mark >= airStays:
		if other >= 0 {
			f.Code = AirCrossed
			t.find(f)
		}
		t.phase, t.mark = 2, now
	case t.phase == 2 && !in.Air[b] && other < 0:
		if t.res.Blowers[b].Came > 0 {
			t.res.Blowers[b].Went, t.res.Blowers[b].Tested = now-t.mark, true
		}
		t.nextBlower(now)
	case t.phase == 2 && now-t.mark >= airGoes:
		if in.Air[b] {
			f.Code, f.Other = AirStays, -1
			t.find(f)
		}
		t.nextBlower(now)
	}
}

// airing has every blower on, before any heat.
func (t *Test) airing(now time.Duration, in *In) {
	all := true
	for b := range t.cfg.Blowers {
		all = all && in.Proven[b]
	}
	if all {
		t.turn = 0
		t.wait(Answering, now)
		return
	}
	if now-t.since < airingMost {
		return
	}
	for b := range t.cfg.Blowers {
		if !in.Proven[b] {
			t.find(Finding{Code: AirNever, Blower: b, Heater: -1, Sensor: -1, Other: -1})
		}
	}
	t.end(now)
}
