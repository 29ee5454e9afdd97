package max31855

import (
	"strings"

	"trivet/hal/emf"
	"trivet/process/unit"
)

// Fault is what a frame says is wrong, or what is wrong with the frame itself. Several may be set.
type Fault uint8

// The first three are the chip's own flags, the others are ours.
const (
	Open         Fault = 1 << iota // D0: the couple is not connected
	ShortGround                    // D1: the couple touches ground
	ShortSupply                    // D2: the couple touches the supply
	Reserved                       // a bit that always reads 0 is set: nobody drives the data line, or bits are shifted
	Inconsistent                   // the summary bit D16 does not agree with the flags
	Silent                         // all 32 bits are zero: what a data line stuck low gives
)

var faultWords = [...]string{"open", "short to ground", "short to supply", "reserved bit set", "fault bits disagree", "all bits zero"}

// String lists what is set, or says "none".
func (f Fault) String() string {
	var words []string
	for i, w := range faultWords {
		if f&(1<<i) != 0 {
			words = append(words, w)
		}
	}
	if words == nil {
		return "none"
	}
	return strings.Join(words, ", ")
}

// Frame is the content of one 32-bit answer. Hot is meaningless under any fault, Cold under Reserved, Inconsistent and Silent.
type Frame struct {
	Hot   unit.Celsius // by the chip's straight line, −2048…2047.75 in steps of 0.25
	Cold  unit.Celsius // of the chip itself, −128…127.9375 in steps of 0.0625
	Fault Fault
}

// Bits of the frame (datasheet, table 2).
const (
	reservedBits = 1<<17 | 1<<3
	summaryBit   = 1 << 16
	flagBits     = 1<<2 | 1<<1 | 1<<0
)

// Decode takes a frame apart. Every one of the 2³² frames has a meaning; there is no error.
func Decode(raw uint32) Frame {
	f := Frame{
		Hot:   unit.Celsius(int32(raw)>>18) * 0.25,
		Cold:  unit.Celsius(int32(raw<<16)>>20) * 0.0625,
		Fault: Fault(raw & flagBits),
	}
	if raw&reservedBits != 0 {
		f.Fault |= Reserved
	}
	if (raw&summaryBit != 0) != (raw&flagBits != 0) {
		f.Fault |= Inconsistent
	}
	if raw == 0 {
		f.Fault |= Silent
	}
	return f
}

// Coldest and hottest a chip beside a running machine can plausibly be, in °C (hazard study, S-10: 0–60 °C; judgement).
// The chip itself is rated for −40 to 125 °C.
const (
	coldestChip unit.Celsius = 0
	hottestChip unit.Celsius = 60
)

// plausible reports whether a chip can have that temperature; NaN cannot.
func plausible(cold unit.Celsius) bool { return cold >= coldestChip && cold <= hottestChip }

// Quality says whether the frame may be believed. What makes the whole frame worthless goes first, then the chip's own
// flags, then the cold junction. It does not know about time: a frozen chip sends good frames.
func (f Frame) Quality() unit.Quality {
	switch {
	case f.Fault&(Reserved|Inconsistent|Silent) != 0:
		return unit.NoAnswer
	case f.Fault&Open != 0:
		return unit.Open
	case f.Fault&ShortGround != 0:
		return unit.ShortGround
	case f.Fault&ShortSupply != 0:
		return unit.ShortSupply
	case !plausible(f.Cold):
		return unit.ColdJunction
	}
	return unit.Good
}

// slope is the straight line of each suffix in mV/K: K from datasheet 19-5793 p. 8, the others from memory; they equal
// E(1000 °C)/1000 of the reference function to the printed digit, T E(400 °C)/400. There is no chip for type B.
func slope(t emf.Type) (mVPerK float64, ok bool) {
	switch t {
	case emf.Type('K'):
		return 0.041276, true
	case emf.Type('J'):
		return 0.057953, true
	case emf.Type('N'):
		return 0.036256, true
	case emf.Type('T'):
		return 0.05218, true
	case emf.Type('E'):
		return 0.076373, true
	case emf.Type('R'):
		return 0.010506, true
	case emf.Type('S'):
		return 0.009587, true
	}
	return 0, false
}

// Linearize returns the temperature of the junction by the reference function of t, in place of the chip's straight line:
// V = (hot − cold)·slope + E(cold), T = E⁻¹(V). It reports false where the reference function ends, and for type B.
func Linearize(t emf.Type, hot, cold unit.Celsius) (unit.Celsius, bool) {
	k, ok := slope(t)
	if !ok {
		return 0, false
	}
	atCold, ok := t.Voltage(cold)
	if !ok {
		return 0, false
	}
	return t.Temperature(float64(hot.Sub(cold))*k + atCold)
}
