package max31855_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"trivet/hal/emf"
	"trivet/hal/haltest"
	"trivet/hal/max31855"
	"trivet/process/unit"
)

// The second decoder. It is written from the words of the datasheet (19-5793, tables 2, 4 and 5) and shares no arithmetic
// with the first: no shift of a signed number, but a weight for each bit, and a table for each half of the frame, since
// no field crosses its middle.

// weights are those of a two's-complement number: the sign bit counts as minus what the bit above the next would be.
var (
	hotWeights  = [14]float64{-2048, 1024, 512, 256, 128, 64, 32, 16, 8, 4, 2, 1, 0.5, 0.25}   // D31…D18
	coldWeights = [12]float64{-128, 64, 32, 16, 8, 4, 2, 1, 0.5, 0.25, 0.125, 0.0625}          // D15…D4
	flagNames   = [3]max31855.Fault{max31855.ShortSupply, max31855.ShortGround, max31855.Open} // D2, D1, D0
	flagReasons = [3]unit.Quality{unit.Open, unit.ShortGround, unit.ShortSupply}               // the first that is set is told
	flagOrder   = [3]max31855.Fault{max31855.Open, max31855.ShortGround, max31855.ShortSupply} // in that order
	worthless   = max31855.Reserved | max31855.Inconsistent | max31855.Silent                  // faults of the frame itself
)

// half is one half of a frame.
type half struct {
	celsius float64
	fault   max31855.Fault
	summary bool         // upper half: D16. Lower half: at least one flag
	sound   unit.Quality // lower half: the quality if nothing is wrong with the frame itself
}

// bit returns bit n of a half frame, counted from its most significant bit, which is 0.
func bit(word uint32, n int) bool { return word/uint32(math.Pow(2, float64(15-n)))%2 == 1 }

func upperHalves() []half {
	table := make([]half, 1<<16)
	for word := range table {
		h := &table[word]
		for n, w := range hotWeights {
			if bit(uint32(word), n) {
				h.celsius += w
			}
		}
		if bit(uint32(word), 14) { // D17: reserved, always reads 0
			h.fault |= max31855.Reserved
		}
		h.summary = bit(uint32(word), 15) // D16: 1 when any flag is 1
	}
	return table
}

func lowerHalves() []half {
	table := make([]half, 1<<16)
	for word := range table {
		h := &table[word]
		for n, w := range coldWeights {
			if bit(uint32(word), n) {
				h.celsius += w
			}
		}
		if bit(uint32(word), 12) { // D3: reserved, always reads 0
			h.fault |= max31855.Reserved
		}
		for n, f := range flagNames {
			if bit(uint32(word), 13+n) {
				h.fault |= f
				h.summary = true
			}
		}
		h.sound = unit.Good
		if h.celsius < 0 || h.celsius > 60 { // hazard study, S-10
			h.sound = unit.ColdJunction
		}
		for n := len(flagOrder) - 1; n >= 0; n-- {
			if h.fault&flagOrder[n] != 0 {
				h.sound = flagReasons[n]
			}
		}
	}
	return table
}

// second is the second decoder, with the frame put together again from what the first one made of it.
type second struct{ upper, lower []half }

func newSecond() *second { return &second{upperHalves(), lowerHalves()} }

// disagree says how Decode differs from the second decoder on one frame, or "".
func (s *second) disagree(raw uint32) string {
	up, low := &s.upper[raw>>16], &s.lower[raw&0xFFFF]
	fault := up.fault | low.fault
	if up.summary != low.summary {
		fault |= max31855.Inconsistent
	}
	if raw == 0 {
		fault |= max31855.Silent
	}
	quality := low.sound
	if fault&worthless != 0 {
		quality = unit.NoAnswer
	}
	got := max31855.Decode(raw)
	if float64(got.Hot) != up.celsius || float64(got.Cold) != low.celsius || got.Fault != fault || got.Quality() != quality {
		return fmt.Sprintf("%08X: hot %v, cold %v, %v, %v; the second decoder says %v, %v, %v, %v",
			raw, float64(got.Hot), float64(got.Cold), got.Fault, got.Quality(), up.celsius, low.celsius, fault, quality)
	}
	if fault&worthless == 0 && encode(got) != raw {
		return fmt.Sprintf("%08X: encoded again it is %08X", raw, encode(got))
	}
	return ""
}

// encode makes the frame of a chip that has measured this: the way back, for frames that a chip can send.
func encode(f max31855.Frame) uint32 {
	hot, cold := int64(f.Hot*4), int64(f.Cold*16)
	if hot < 0 {
		hot += 1 << 14
	}
	if cold < 0 {
		cold += 1 << 12
	}
	raw := uint32(hot)*(1<<18) + uint32(cold)*(1<<4)
	if flags := uint32(f.Fault & 7); flags != 0 { // our constants have the order of the chip's bits
		raw += 1<<16 + flags
	}
	return raw
}

// Without TRIVET_EXHAUSTIVE=1: every upper half with lower halves at the edges of each field, the other way round, and
// four million frames at random. With it: all 2³² of them.
func TestEveryFrameMeansTheSameToASecondDecoder(t *testing.T) {
	s := newSecond()
	if haltest.Exhaustive() {
		haltest.Sweep(t, "2^32 frames", 1<<16, func(upper int) string {
			for lower := range uint32(1 << 16) {
				if wrong := s.disagree(uint32(upper)<<16 | lower); wrong != "" {
					return wrong
				}
			}
			return ""
		})
		return
	}
	edges := edgeHalves()
	const random = 256 // parts after the halves, of 2^14 frames each
	haltest.Sweep(t, "sample of the frames", 1<<16+random, func(part int) string {
		if part >= 1<<16 {
			rng := rand.New(rand.NewPCG(uint64(part), 55))
			for range 1 << 14 {
				if wrong := s.disagree(rng.Uint32()); wrong != "" {
					return wrong
				}
			}
			return ""
		}
		for _, e := range edges {
			if wrong := s.disagree(uint32(part)<<16 | e); wrong != "" {
				return wrong
			}
			if wrong := s.disagree(e<<16 | uint32(part)); wrong != "" {
				return wrong
			}
		}
		return ""
	})
}

// edgeHalves are words of 16 bits with one bit, with one bit missing, and with the ends of every field in them.
func edgeHalves() []uint32 {
	words := []uint32{0, 0xFFFF, 0x7FFC, 0x8000, 0x7FF0, 0x3C00, 0x3C10, 0x1900, 0xFFF0, 0x0007, 0x0003, 0x0006, 0x0005}
	for n := range 16 {
		words = append(words, 1<<n, 0xFFFF&^(1<<n))
	}
	return words
}

// What a driver makes of the bytes on the bus is what Decode makes of the word: most significant byte first, all four.
func TestTheBytesOnTheBusAreTheWordOfTheDatasheet(t *testing.T) {
	var now time.Duration
	p := &haltest.Player{}
	d, err := max31855.New(p, &max31855.DefaultOpts)
	if err != nil {
		t.Fatal(err)
	}
	for _, upper := range edgeHalves() {
		for _, lower := range edgeHalves() {
			now += time.Second
			p.Answer = func(_, r []byte) error {
				copy(r, []byte{byte(upper / 256), byte(upper % 256), byte(lower / 256), byte(lower % 256)})
				return nil
			}
			frame := max31855.Decode(upper*65536 + lower)
			want := frame.Quality()
			temp, ok := max31855.Linearize(emf.K, frame.Hot, frame.Cold)
			if want == unit.Good && !(ok && temp >= -55 && temp <= 1000) {
				want = unit.OutOfRange
			}
			if r := d.Read(now); r.Quality != want && upper+lower != 0 {
				t.Fatalf("%04X%04X reads as %v, want %v", upper, lower, r.Quality, want)
			} else if got, ok := r.Temp(); ok && got != temp {
				t.Fatalf("%04X%04X reads as %v, want %v", upper, lower, got, temp)
			}
		}
	}
}

// The chip's line is E(1000 °C)/1000 of the reference function, to the printed digit; that of type T E(400 °C)/400.
func TestTheStraightLineOfEachSuffixIsTheChordOfItsReferenceFunction(t *testing.T) {
	for typ, end := range map[emf.Type]float64{emf.K: 1000, emf.J: 1000, emf.N: 1000, emf.E: 1000, emf.R: 1000, emf.S: 1000, emf.T: 400} {
		chord, ok := typ.Voltage(unit.Celsius(end))
		// A value of the chip, beside a cold junction at 0 °C, stands for its own share of the line's voltage.
		hot := end * 0.9
		temp, okThere := max31855.Linearize(typ, unit.Celsius(hot), 0)
		seen, okBack := typ.Voltage(temp)
		if !ok || !okThere || !okBack || !(math.Abs(seen/hot-chord/end) < 0.51e-6) {
			t.Errorf("%v: the line has %.7f mV/K, its chord %.7f (%v, %v, %v)", typ, seen/hot, chord/end, ok, okThere, okBack)
		}
	}
}

// For every value of the chip beside every plausible cold junction: the temperature has, by the reference function, just the
// voltage that the chip's straight line stands for; it rises with the chip's value; and where there is none, the
// voltage lies outside what the couple can give. Without TRIVET_EXHAUSTIVE=1 type K only, and eleven cold junctions.
func TestLinearizeUndoesTheStraightLineForEveryCode(t *testing.T) {
	slopes := map[emf.Type]float64{emf.K: 41.276e-3, emf.J: 57.953e-3, emf.N: 36.256e-3, emf.T: 52.18e-3, emf.E: 76.373e-3, emf.R: 10.506e-3, emf.S: 9.587e-3}
	step, types := 96, "K"
	if haltest.Exhaustive() {
		step, types = 1, "KJNTERS"
	}
	for _, letter := range types {
		typ := emf.Type(letter)
		low, high, _ := typ.InverseRange()
		least, _ := typ.Voltage(low)
		most, _ := typ.Voltage(high)
		haltest.Sweep(t, "linearize "+typ.String(), 960/step+1, func(part int) string {
			cold := unit.Celsius(part*step) / 16
			own, _ := typ.Voltage(cold)
			before := unit.Celsius(math.Inf(-1))
			for code := -8192; code < 8192; code++ {
				hot := unit.Celsius(code) / 4
				seen := float64(hot-cold)*slopes[typ] + own // mV between the chip's terminals, and its own end
				got, ok := max31855.Linearize(typ, hot, cold)
				back, _ := typ.Voltage(got)
				switch {
				case !ok && seen > least+1e-9 && seen < most-1e-9:
					return fmt.Sprintf("%v beside %v has no temperature, and %v mV lies inside", hot, cold, seen)
				case ok && !(math.Abs(back-seen) < 2e-6):
					return fmt.Sprintf("%v beside %v is %v, which has %v mV; the chip saw %v", hot, cold, got, back, seen)
				case ok && !(got > before):
					return fmt.Sprintf("%v beside %v is %v, no more than one step before", hot, cold, got)
				case ok:
					before = got
				}
			}
			return ""
		})
	}
}
