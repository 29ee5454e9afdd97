// Package emf converts between the temperature of a thermocouple and its electromotive force, by the ITS-90 reference
// functions (NIST Monograph 175, 1993; IEC 60584-1 uses the same). It knows nothing of amplifiers and cold junctions:
// every voltage is referred to a reference junction at 0 °C. It computes; it never reads a chip, a clock or a file.
package emf

import (
	"fmt"
	"strings"

	"trivet/process/unit"
)

//go:generate go run gen.go

// Type is the letter of a thermocouple type, upper case. The zero value is no type; its functions report false.
type Type byte

// The letter-designated types whose reference functions are known.
const (
	K Type = 'K' // nickel-chromium / nickel-aluminium
	J Type = 'J' // iron / copper-nickel
	T Type = 'T' // copper / copper-nickel
	N Type = 'N' // nickel-chromium-silicon / nickel-silicon
	E Type = 'E' // nickel-chromium / copper-nickel
	S Type = 'S' // platinum-10 % rhodium / platinum
	R Type = 'R' // platinum-13 % rhodium / platinum
	B Type = 'B' // platinum-30 % rhodium / platinum-6 % rhodium
)

// Types lists the letters that are known, by how often they are met at a soldering bench (common practice, no source).
const Types = "KJTNESRB"

// ParseType reads one letter, of either case, with spaces around it ignored.
func ParseType(s string) (Type, error) {
	trimmed := strings.ToUpper(strings.TrimSpace(s))
	if len(trimmed) == 1 && strings.Contains(Types, trimmed) {
		return Type(trimmed[0]), nil
	}
	return 0, fmt.Errorf("thermocouple type is %q; allowed are K, J, T, N, E, S, R, B", s)
}

// String returns the letter, or "?" for a type that is not known.
func (t Type) String() string {
	if t.Known() {
		return string(rune(t))
	}
	return "?"
}

// Known reports whether t is one of the eight types.
func (t Type) Known() bool { return t.curve() != nil }

// Range returns the temperatures, in °C, for which Voltage is defined; ok is false for an unknown type.
func (t Type) Range() (lowest, highest unit.Celsius, ok bool) {
	c := t.curve()
	if c == nil {
		return 0, 0, false
	}
	return unit.Celsius(c.forward[0].from), unit.Celsius(c.forward[len(c.forward)-1].to), true
}

// lowestInvertibleB is where the inverse of type B begins, in °C. Its EMF falls until 21 °C, is back at zero only at
// 42 °C, and grows by a mere 0.33 µV/K at 50 °C: below that a voltage says nothing (computed from the reference function).
const lowestInvertibleB = 50

// InverseRange returns the temperatures, in °C, that Temperature can return: all of Range, but for type B only from 50 °C.
func (t Type) InverseRange() (lowest, highest unit.Celsius, ok bool) {
	lowest, highest, ok = t.Range()
	if t == B {
		lowest = lowestInvertibleB
	}
	return lowest, highest, ok
}

// Voltage returns the electromotive force in mV of a couple at c whose reference junction is at 0 °C.
// It reports false for an unknown type, for NaN, and outside Range.
func (t Type) Voltage(c unit.Celsius) (mV float64, ok bool) {
	curve := t.curve()
	if curve == nil {
		return 0, false
	}
	x := float64(c)
	for i := range curve.forward {
		s := &curve.forward[i]
		if x >= s.from && x <= s.to {
			mV, _ = s.at(x)
			return mV, true
		}
	}
	return 0, false
}

// Temperature returns the temperature in °C at which Voltage is mV, to better than 1e-6 °C.
// It reports false for an unknown type, for NaN, and outside InverseRange.
func (t Type) Temperature(mV float64) (unit.Celsius, bool) {
	curve := t.curve()
	if curve == nil {
		return 0, false
	}
	for i := range curve.forward {
		s := &curve.forward[i]
		from, fromMV := s.from, s.fromMV
		if t == B && from < lowestInvertibleB {
			from = lowestInvertibleB
			fromMV, _ = s.at(from)
		}
		if mV >= fromMV && mV <= s.toMV {
			return unit.Celsius(s.solve(mV, from, curve.start(mV))), true
		}
		// The printed polynomials do not meet exactly: between two of them lies a gap of less than a nanovolt.
		if i+1 < len(curve.forward) && mV > s.toMV && mV < curve.forward[i+1].fromMV {
			return unit.Celsius(s.to), true
		}
	}
	return 0, false
}
