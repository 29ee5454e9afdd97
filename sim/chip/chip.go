// Package chip emulates the chips of a rework station down to their registers, behind periph's bus interfaces, so that the
// real drivers run on them. Time is virtual: a chip converts when it is told that time has passed.
//
// Nothing here starts a goroutine or asks a clock, and a transaction allocates nothing. What a chip does under a fault is
// what its data sheet says, or, where that is silent, the most misleading thing it could do.
package chip

import (
	"errors"
	"math"

	"trivet/hal/emf"
	"trivet/process/unit"
)

// Fault is what is wrong with a chip or the couple at it.
type Fault uint8

// The faults.
const (
	None Fault = iota
	Open
	ShortGround
	ShortSupply
	Dead        // the chip does not answer: every transaction fails
	AllZeros    // its data line is stuck low
	AllOnes     // its data line is stuck high
	FrozenFrame // it repeats its last conversion
	Reversed    // the two wires of the couple are swapped
	ResetChip   // it lost its supply for a moment: registers are back at their reset values
)

// errDead is what a transaction with a dead chip returns.
var errDead = errors.New("chip: no answer")

// couple is the voltage in mV that a type K couple with its hot end at hot and its cold end at cold gives.
func couple(hot, cold float64, reversed bool) float64 {
	h, okH := emf.Type('K').Voltage(unit.Celsius(math.Max(-270, math.Min(1372, hot))))
	c, okC := emf.Type('K').Voltage(unit.Celsius(math.Max(-270, math.Min(1372, cold))))
	if !okH || !okC {
		return 0 // cannot happen inside the limits above
	}
	if reversed {
		return c - h
	}
	return h - c
}

func clamp(v, lo, hi float64) float64 { return math.Max(lo, math.Min(hi, v)) }
