// Package emf converts between the temperature of a thermocouple and its voltage by the ITS-90 reference functions. It is
// arithmetic only: no chip, no bus.
package emf

import (
	"fmt"
	"math"
	"strings"

	"trivet/process/unit"
)

//go:generate go run ./gen

// Type is the letter of a thermocouple type: 'B', 'E', 'J', 'K', 'N', 'R', 'S' or 'T'.
type Type byte

// Types lists the letters that are known.
const Types = "BEJKNRST"

// ParseType reads a type letter, in either case.
func ParseType(s string) (Type, error) {
	if u := strings.ToUpper(s); len(u) == 1 && strings.Contains(Types, u) {
		return Type(u[0]), nil
	}
	return 0, fmt.Errorf("thermocouple type is %q; it must be one of %s", s, strings.Join(strings.Split(Types, ""), ", "))
}

func (t Type) String() string { return string(rune(t)) }

// piece is one polynomial over one range: mV from °C, or with inverse °C from mV.
type piece struct {
	kind     Type
	inverse  bool
	from, to float64
	c        []float64
}

// The exponential that type K has on top of its polynomial from 0 °C upwards (NIST Monograph 175).
const (
	kA0 = 0.118597600000
	kA1 = -0.118343200000e-3
	kA2 = 126.9686
)

// Range returns over which temperatures the reference function of t is defined. Type B is not monotone below about
// 42 °C, so the inverse starts at 50 °C.
func (t Type) Range() (low, high unit.Celsius) {
	first := true
	for i := range pieces {
		if p := &pieces[i]; p.kind == t && !p.inverse {
			if first {
				low, first = unit.Celsius(p.from), false
			}
			high = unit.Celsius(p.to)
		}
	}
	return low, high
}

// Voltage returns the voltage in mV of a couple of type t at c, reference junction at 0 °C. ok is false outside the
// range of the reference function, for NaN, and for an unknown type.
func (t Type) Voltage(c unit.Celsius) (mV float64, ok bool) {
	x := float64(c)
	p := t.forward(x)
	if p == nil {
		return 0, false
	}
	return p.value(t, x), true
}

func (t Type) forward(x float64) *piece {
	for i := range pieces {
		p := &pieces[i]
		if p.kind == t && !p.inverse && x >= p.from && x <= p.to {
			return p
		}
	}
	return nil
}

// value evaluates a forward piece by Horner's rule.
func (p *piece) value(t Type, x float64) float64 {
	v := horner(p.c, x)
	if t == 'K' && p.from >= 0 {
		d := x - kA2
		v += kA0 * math.Exp(kA1*d*d)
	}
	return v
}

// slope is the derivative of value in mV/K.
func (p *piece) slope(t Type, x float64) float64 {
	s := 0.0
	for i := len(p.c) - 1; i > 0; i-- {
		s = s*x + float64(i)*p.c[i]
	}
	if t == 'K' && p.from >= 0 {
		d := x - kA2
		s += kA0 * math.Exp(kA1*d*d) * 2 * kA1 * d
	}
	return s
}

func horner(c []float64, x float64) float64 {
	v := 0.0
	for i := len(c) - 1; i >= 0; i-- {
		v = v*x + c[i]
	}
	return v
}

// Temperature returns the temperature at which a couple of type t gives mV, reference junction at 0 °C. The inverse polynomial,
// good to ±0.06 °C, only gives the start: Newton's rule on the reference function itself takes the result to
// better than 1e-6 °C. ok is false outside the range of the function.
func (t Type) Temperature(mV float64) (c unit.Celsius, ok bool) {
	x, found := t.start(mV)
	if !found {
		return 0, false
	}
	low, high := t.Range()
	lo, hi := float64(low), float64(high)
	if t == 'B' {
		lo = 50
	}
	for range 12 {
		x = math.Max(lo, math.Min(hi, x))
		p := t.forward(x)
		if p == nil {
			return 0, false
		}
		s := p.slope(t, x)
		if !(math.Abs(s) > 1e-6) {
			return 0, false // flat: no temperature can be told
		}
		step := (p.value(t, x) - mV) / s
		x -= step
		if math.Abs(step) < 1e-8 {
			break
		}
	}
	// A value outside the range ends at its edge with a residue; that is no temperature. A nanovolt is 0.03 mK for type K.
	x = math.Max(lo, math.Min(hi, x))
	if p := t.forward(x); p == nil || !(math.Abs(p.value(t, x)-mV) < 1e-5) {
		return 0, false
	}
	return unit.Celsius(x), true
}

// start gives a first guess: the inverse polynomial of the range mV lies in, or of the nearest one.
func (t Type) start(mV float64) (float64, bool) {
	best, away := -1, math.Inf(1)
	for i := range pieces {
		p := &pieces[i]
		if p.kind != t || !p.inverse {
			continue
		}
		d := math.Max(0, math.Max(p.from-mV, mV-p.to))
		if d < away {
			best, away = i, d
		}
	}
	if best < 0 || math.IsNaN(mV) {
		return 0, false
	}
	p := &pieces[best]
	return horner(p.c, math.Max(p.from, math.Min(p.to, mV))), true
}
