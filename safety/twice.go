package safety

import (
	"math"
	"time"
)

// words is how many numbers the guard's limits come to.
const words = MaxSensors*6 + MaxHeaters*6 + MaxBlowers + MaxInterlocks + 8

// twice holds the complement of every number the guard judges by. A single flipped bit in either copy makes the two disagree, and a
// guard that cannot trust its limits lets no heat through (hazard C-13). It is no protection against a program that writes both.
type twice [words]uint64

// numbers writes every number of l into w, in a fixed order. Names are not numbers: a flipped letter hurts nobody.
func numbers(l *Limits, w *twice) {
	n := 0
	put := func(v uint64) {
		w[n] = v
		n++
	}
	float := func(v float64) { put(math.Float64bits(v)) }
	last := func(d time.Duration) { put(uint64(d)) }
	for i := range l.Sensors {
		s := &l.Sensors[i]
		put(digest(string(s.Role)))
		float(float64(s.Ceiling))
		put(uint64(s.Heaters))
		put(bit(s.Guard))
		last(s.LostAfter)
		float(s.Noise)
	}
	for i := range l.Heaters {
		h := &l.Heaters[i]
		put(uint64(h.Blower))
		put(bit(h.Sense) | bit(h.Loop.Radiates)<<1)
		put(uint64(h.Loop.Sensor))
		float(h.Loop.Gain)
		float(h.Loop.Inertia)
		float(h.Loop.Band)
	}
	for i := range l.Blowers {
		put(bit(l.Blowers[i].Proof))
	}
	for i := range l.Interlocks {
		put(digest(string(l.Interlocks[i].Kind)))
	}
	put(uint64(l.NSensors))
	put(uint64(l.NHeaters))
	put(uint64(l.NBlowers))
	put(uint64(l.NInterlock))
	last(l.MaxRun)
	last(l.ExtractionHold)
	put(bit(l.Mirror) | bit(l.StartTest)<<1 | bit(l.Supply)<<2 | bit(l.Unfit)<<3 | bit(l.Commission)<<4)
	float(float64(l.Room))
}

// digest folds a short word into a number (FNV-1a).
func digest(s string) uint64 {
	h := uint64(14695981039346656037)
	for i := range len(s) {
		h = (h ^ uint64(s[i])) * 1099511628211
	}
	return h
}

func bit(b bool) uint64 {
	if b {
		return 1
	}
	return 0
}

// keep stores the complement of l.
func (t *twice) keep(l *Limits) {
	numbers(l, t)
	for i := range t {
		t[i] = ^t[i]
	}
}

// agrees reports whether l is still what was kept.
func (t *twice) agrees(l *Limits) bool {
	var now twice
	numbers(l, &now)
	for i := range t {
		if t[i] != ^now[i] {
			return false
		}
	}
	return true
}
