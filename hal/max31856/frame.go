package max31856

import (
	"strings"

	"trivet/hal/emf"
	"trivet/process/unit"
)

// Status is the content of the status register.
type Status uint8

// Bits of the status register (datasheet, table 6).
const (
	Open      Status = 1 << iota // the couple was open at the last test, which is once in 16 conversions
	Volts                        // over- or undervoltage at the input: conversions are suspended
	HotLow                       // below the low threshold
	HotHigh                      // above the high threshold
	ColdLow                      // cold junction below its low threshold
	ColdHigh                     // cold junction above its high threshold
	HotRange                     // outside what the type can measure
	ColdRange                    // cold junction outside what the chip is rated for
)

var statusWords = [...]string{
	"open", "over- or undervoltage", "below the low threshold", "above the high threshold", "cold junction too low",
	"cold junction too high", "out of range", "cold junction out of range",
}

// String lists what is set, or says "none".
func (s Status) String() string {
	var words []string
	for i, w := range statusWords {
		if s&(1<<i) != 0 {
			words = append(words, w)
		}
	}
	if words == nil {
		return "none"
	}
	return strings.Join(words, ", ")
}

// Frame is the content of registers 0Ah to 0Fh, read in one burst.
type Frame struct {
	HotCode  int32 // 19 bits, 1/128 °C each
	ColdCode int16 // 14 bits, 1/64 °C each
	Status   Status
	Dead     bool // all bits equal: nobody drives the data line
}

// Decode takes a burst apart. The five low bits of the result and the two of the cold junction mean nothing and are dropped.
func Decode(raw [6]byte) Frame {
	ones, zeros := true, true
	for _, b := range raw {
		ones, zeros = ones && b == 0xFF, zeros && b == 0
	}
	return Frame{
		HotCode:  int32(uint32(raw[2])<<24|uint32(raw[3])<<16|uint32(raw[4])<<8) >> 13,
		ColdCode: int16(uint16(raw[0])<<8|uint16(raw[1])) >> 2,
		Status:   Status(raw[5]),
		Dead:     ones || zeros,
	}
}

// Hot returns the temperature of the junction, −2048 to 2047.99 °C. It means nothing unless Quality is Good.
func (f Frame) Hot() unit.Celsius { return unit.Celsius(f.HotCode) / 128 }

// Cold returns the temperature of the cold junction, −128 to 127.98 °C.
func (f Frame) Cold() unit.Celsius { return unit.Celsius(f.ColdCode) / 64 }

// Coldest and hottest a chip beside a running machine can plausibly be, in °C (hazard study, S-10: 0–60 °C; judgement).
// The chip itself is rated for −55 to 125 °C.
const (
	coldestChip unit.Celsius = 0
	hottestChip unit.Celsius = 60
)

// coldSound reports whether neither the chip nor its number says that the cold junction is worthless.
func (f Frame) coldSound() bool {
	cold := f.Cold()
	return f.Status&(ColdRange|ColdHigh|ColdLow) == 0 && cold >= coldestChip && cold <= hottestChip
}

// Quality says whether the frame may be believed. All zeros would be 0 °C at a chip of exactly 0 °C; it is never believed.
// Overvoltage goes before an open couple, since under it nothing else is looked for. It does not know about time.
func (f Frame) Quality() unit.Quality {
	switch {
	case f.Dead:
		return unit.NoAnswer
	case f.Status&Volts != 0:
		return unit.ShortSupply
	case f.Status&Open != 0:
		return unit.Open
	case !f.coldSound():
		return unit.ColdJunction
	case f.Status&(HotRange|HotHigh|HotLow) != 0:
		return unit.OutOfRange
	}
	return unit.Good
}

// typeCode is the type field of CR1 (datasheet, table 6).
func typeCode(t emf.Type) (code byte, ok bool) {
	i := strings.IndexByte("BEJKNRST", byte(t))
	return byte(i), i >= 0
}
