package rig

import (
	"math"
	"math/rand/v2"
	"time"

	"trivet/sim/chip"
	"trivet/sim/fault"
)

// wrong is what a fault does to the voltage of one couple, told in kelvins at its junction. The zero value does nothing.
type wrong struct {
	offset float64
	noise  float64 // rms
	spikes float64 // share of samples
	drift  float64 // K/s since then
	slip   float64 // reached within slipFor, along a straight line
	gain   float64 // minus one, on the excess over the cold junction
	cold   float64 // added to the amplifier's own temperature
	since  time.Duration
}

const (
	spikeHeight = 50.0 // K, up or down
	slipFor     = 10.0 // s
)

func wrongOf(f fault.Fault, now time.Duration) wrong {
	w := wrong{since: now}
	switch f.Kind {
	case "sensor_offset":
		w.offset = f.Value
	case "sensor_noise":
		w.noise = f.Value
	case "sensor_spikes":
		w.spikes = f.Value
	case "sensor_drift":
		w.drift = f.Value
	case "sensor_slips":
		w.slip = f.Value
	case "sensor_gain":
		w.gain = f.Value - 1
	case "sensor_cold":
		w.cold = f.Value
	}
	return w
}

// hot returns what the junction seems to be at when it is at c.
func (w *wrong) hot(now time.Duration, c, cold float64, rng *rand.Rand) float64 {
	if *w == (wrong{}) {
		return c
	}
	s := (now - w.since).Seconds()
	c += w.offset + w.drift*s + w.slip*math.Min(1, s/slipFor) + w.gain*(c-cold) + w.noise*rng.NormFloat64()
	if w.spikes > 0 && rng.Float64() < w.spikes {
		c += math.Copysign(spikeHeight, rng.Float64()-0.5)
	}
	return c
}

// contactFault puts a fault on interlock k or takes it off.
func (r *Rig) contactFault(k int, f fault.Fault, on bool) {
	switch f.Kind {
	case "interlock_open":
		r.opened[k] = on
	case "interlock_stuck":
		r.jammed[k] = on
	case "interlock_chatters":
		r.flutter[k] = 0
		if on {
			r.flutter[k] = f.Value
		}
	}
	r.Interlocks[k].Set(level(!r.openNow(k))) // a contact needs no time
}

// openNow reports whether interlock k is open at this moment.
func (r *Rig) openNow(k int) bool {
	if r.jammed[k] {
		return false
	}
	return r.opened[k] || r.flutter[k] > 0 && int(r.now.Seconds()*r.flutter[k])%2 == 1
}

// Glitches is what healthy wiring does now and then. Zero is none of it.
type Glitches struct {
	Single float64       // share of samples that come to nothing, each by itself
	Burst  time.Duration // mean time between bursts of up to 0.3 s in which nothing comes, per sensor; never less than half of it
	Spike  time.Duration // likewise between single samples that are 20 °C off
	Sense  float64       // share of looks at which a load sense says the opposite
}

// SetGlitches sets what goes wrong by itself from now on.
func (r *Rig) SetGlitches(g Glitches) { r.glitches = g }

// misread draws whether a load sense errs in this step.
func (r *Rig) misread() bool { return r.glitches.Sense > 0 && r.rng.Float64() < r.glitches.Sense }

// glitch draws what happens to a sensor in this step, and returns what is added at its junction.
func (r *Rig) glitch(p *Probe) float64 {
	g := &r.glitches
	if *g == (Glitches{}) {
		return 0
	}
	due := func(next *time.Duration, mean time.Duration) bool {
		if mean <= 0 || r.now < *next {
			return false
		}
		first := *next == 0
		*next = r.now + time.Duration((0.5+r.rng.Float64())*float64(mean))
		return !first
	}
	if p.deaf > 0 {
		p.deaf--
	} else if g.Single > 0 && r.rng.Float64() < g.Single {
		p.deaf = 1
	} else if due(&p.burst, g.Burst) {
		p.deaf = 1 + r.rng.IntN(3)
	}
	want := chip.None
	if p.deaf > 0 {
		want = chip.AllOnes
		if p.Chip == "ad8495" {
			want = chip.ShortGround // of this one input; a bus fault would take its neighbours with it
		}
	}
	if want != p.glitching {
		p.glitching = want
		p.front.Inject(want)
	}
	if due(&p.spike, g.Spike) {
		return math.Copysign(20, r.rng.Float64()-0.5)
	}
	return 0
}
