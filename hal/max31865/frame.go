package max31865

import (
	"strings"

	"trivet/process/unit"
)

// Status is the content of the fault status register.
type Status uint8

// Bits of the fault status register (datasheet, table 7, from memory). Bits 0 and 1 mean nothing.
const (
	Volts     Status = 1 << (iota + 2) // over- or undervoltage at an input: conversions are suspended
	SenseLow                           // RTDIN− below 0.85 of the bias with FORCE− open
	ForceLow                           // REFIN− below 0.85 of the bias with FORCE− open
	ForceHigh                          // REFIN− above 0.85 of the bias
	Below                              // result below the low threshold
	Above                              // result above the high threshold
	meant     = Volts | SenseLow | ForceLow | ForceHigh | Below | Above
)

var statusWords = [...]string{
	"", "", "over- or undervoltage", "sense wire low with the source open", "reference low with the source open", "reference high: open element or wire",
	"below the low threshold", "above the high threshold",
}

// String lists what is set, or says "none".
func (s Status) String() string {
	var words []string
	for i, w := range statusWords {
		if w != "" && s&(1<<i) != 0 {
			words = append(words, w)
		}
	}
	if words == nil {
		return "none"
	}
	return strings.Join(words, ", ")
}

// Quality is the reason that a status is, Good for none. Overvoltage goes first, since under it nothing else is looked for.
func (s Status) Quality() unit.Quality {
	switch {
	case s&Volts != 0:
		return unit.ShortSupply
	case s&(SenseLow|ForceLow|ForceHigh|Above) != 0:
		return unit.Open
	case s&Below != 0: // less than any element has: its wires touch
		return unit.ShortGround
	}
	return unit.Good
}

// Frame is the content of registers 00h to 07h, read in one burst.
type Frame struct {
	Config    byte
	Code      uint16 // 15 bits: the element's resistance in 1/32768 of the reference
	Flagged   bool   // bit 0 of the result: some bit of the status is set
	High, Low uint16 // thresholds, as they stand in their registers
	Status    Status
	Dead      bool // all bits equal: nobody drives the data line
}

// Decode takes a burst apart.
func Decode(raw [8]byte) Frame {
	ones, zeros := true, true
	for _, b := range raw {
		ones, zeros = ones && b == 0xFF, zeros && b == 0
	}
	word := func(at int) uint16 { return uint16(raw[at])<<8 | uint16(raw[at+1]) }
	return Frame{
		Config: raw[0], Code: word(1) >> 1, Flagged: raw[2]&1 != 0, High: word(3), Low: word(5), Status: Status(raw[7]) & meant,
		Dead: ones || zeros,
	}
}

// Ratio returns the element's resistance in units of the reference, 0 to 0.99997.
func (f Frame) Ratio() float64 { return float64(f.Code) / 32768 }
