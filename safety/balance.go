package safety

import (
	"math"
	"time"

	"trivet/process/unit"
)

// balance follows one heater's own reading from what its relay was told, by the heat balance of Loop. The distance between the two
// is what shows lost air, a relay stuck either way and exchanged wires on a machine that has no contact to tell.
//
// It leans on the reading slowly, so that what the step test got wrong (mains, a warm deck, a load that was not there) does not add
// up, and a fault, which is quicker, stands out.
type balance struct {
	on   bool
	t    float64 // °C, of the balance itself
	seen float64 // °C, behind the sensor's lag
	off  float64 // K, reading minus seen, smoothed over half a second
	was  [11]float64
	n    int
	wait time.Duration

	idle  time.Duration // since it was last driven, or its blower last started or stopped
	blown bool
}

// settle counts how long nothing has changed at the heater. When its blower stops, stored heat soaks back into the sensor: that is no drive.
func (b *balance) settle(dt time.Duration, blower, h int, f *Facts) {
	blown := blower >= 0 && f.BlowerOn[blower]
	since(&b.idle, !f.Driven.Has(h) && blown == b.blown, dt)
	b.blown = blown
}

const (
	lean      = 30.0            // s, how fast the balance leans on the reading; a healthy loop moves in 30…90 s, a fault in a few
	lag       = 2.0             // s, an air thermocouple in a nozzle: 1…4 s (the plant's own range)
	idleEvery = 2 * time.Second // between two notes of an idle zone
	idleRise  = 8.0             // K in 20 s without drive (hazard P-02)
	idleRest  = 2 * time.Minute // stored heat has spread by then
)

// step advances the balance by dt. A tick without a usable reading leaves it running on its own.
func (b *balance) step(dt time.Duration, o *Loop, room unit.Celsius, h int, f *Facts) {
	if !(o.Gain > 0 && o.Inertia > 0) {
		return
	}
	c, ok := f.Readings[o.Sensor].Temp()
	x := float64(c)
	if !b.on {
		if ok {
			b.on, b.t, b.seen, b.off = true, x, x, 0
		}
		return
	}
	s := dt.Seconds()
	u := 0.0
	if f.Driven.Has(h) {
		u = 1
	}
	if f.Supply > 0 {
		u *= f.Supply * f.Supply // power goes with the square of the voltage
	}
	loss := (b.t - float64(room)) / o.Gain
	if o.Radiates {
		loss = (pow4(b.t) - pow4(float64(room))) / o.Gain
	}
	b.t += s * (u - loss) / o.Inertia
	b.seen += s / (lag + s) * (b.t - b.seen)
	if ok {
		e := x - b.seen
		b.t += s / lean * e
		b.seen += s / lean * e
		b.off += s / (0.5 + s) * (e - b.off)
	}
	b.note(dt, x, ok)
}

// note keeps the reading of every other second for the idle rule.
func (b *balance) note(dt time.Duration, x float64, ok bool) {
	if !ok {
		b.n = 0
		return
	}
	if b.wait += dt; b.wait < idleEvery && b.n > 0 {
		return
	}
	b.wait = 0
	b.was[b.n%len(b.was)] = x
	b.n++
}

// rise is how much the reading has gone up in the last 20 s, 0 before that is known.
func (b *balance) rise() float64 {
	if b.n < len(b.was) {
		return 0
	}
	return b.was[(b.n-1)%len(b.was)] - b.was[b.n%len(b.was)]
}

// pow4 is the fourth power of the absolute temperature.
func pow4(c float64) float64 { return math.Pow(c+273.15, 4) }

// Balance is how far the reading of heater h's own sensor is from its heat balance in this tick, in K; 0 where there is no balance. A
// commissioning watches it over fault-free runs to set Loop.Band.
func (g *Guard) Balance(h int) unit.Kelvin {
	if h < 0 || h >= g.limits.NHeaters {
		return 0
	}
	return unit.Kelvin(g.past.heaters[h].off)
}
