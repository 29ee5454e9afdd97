package process

import (
	"fmt"
	"math"
)

// Rectangle is a part of a plane, in metres, by its centre and size.
type Rectangle struct{ X, Y, Width, Height float64 }

// overlap is the area that two rectangles share, m².
func (r Rectangle) overlap(o Rectangle) float64 {
	w := math.Min(r.X+r.Width/2, o.X+o.Width/2) - math.Max(r.X-r.Width/2, o.X-o.Width/2)
	h := math.Min(r.Y+r.Height/2, o.Y+o.Height/2) - math.Max(r.Y-r.Height/2, o.Y-o.Height/2)
	return math.Max(0, w) * math.Max(0, h)
}

// HeaterBank is a bank of area heaters that is switched as one: its name and where its emitters lie under the board.
type HeaterBank struct {
	Name     string
	Emitters []Rectangle
}

// BankAdvice says whether a bank should be used for a board, and why.
type BankAdvice struct {
	Name  string
	Use   bool
	Under float64 // share of the bank's emitting area that lies under the board, 0…1
	Why   string
}

// leastUnder is the share of a bank that must lie under the board for it to be worth its power. An emitter a few
// centimetres beside the board still lights its edge; one that is mostly beside it heats the machine (judgement, no source).
const leastUnder = 0.25

// BanksFor says which area heaters to use for a board that lies at board, in the same coordinates as the emitters. At least
// one bank is always advised: the one with most of itself under the board.
func BanksFor(board Rectangle, banks []HeaterBank) []BankAdvice {
	out := make([]BankAdvice, len(banks))
	best := -1
	for i, b := range banks {
		area, under := 0.0, 0.0
		for _, e := range b.Emitters {
			area += e.Width * e.Height
			under += e.overlap(board)
		}
		a := BankAdvice{Name: b.Name}
		if area > 0 {
			a.Under = under / area
		}
		a.Use = a.Under >= leastUnder
		a.Why = fmt.Sprintf("%.0f %% of it lies under the board", 100*a.Under)
		out[i] = a
		if best < 0 || a.Under > out[best].Under {
			best = i
		}
	}
	for _, a := range out {
		if a.Use {
			return out
		}
	}
	if best >= 0 {
		out[best].Use = true
		out[best].Why += ", more than of any other"
	}
	return out
}

// NozzleAdvice is the nozzle a part wants, in metres.
type NozzleAdvice struct {
	Width, Height float64 // inner size
	Gap           float64 // what that leaves on each side of the part
}

// usualGap is what a nozzle leaves on each side of the part: a nozzle about 10 mm larger than the part, for example 60 mm
// for a part of 50 mm (common practice, no source).
const usualGap = 5e-3

// NozzleFor returns the nozzle for a part of the given size.
func NozzleFor(partWidth, partHeight float64) NozzleAdvice {
	return NozzleAdvice{Width: partWidth + 2*usualGap, Height: partHeight + 2*usualGap, Gap: usualGap}
}

// Bounds of a workable gap: below, a nozzle a little off centre touches the part; above, it heats the neighbours as much as
// the part (judgement around common practice, no source).
const (
	tightGap = 2e-3
	wideGap  = 10e-3
)

// CheckNozzle judges a nozzle of inner size width × height over a part. ok is false when it would touch the part or miss its
// purpose; text says what is wrong and what to do, or what the gap is.
func CheckNozzle(width, height, partWidth, partHeight float64) (ok bool, text string) {
	gap := math.Min(width-partWidth, height-partHeight) / 2
	most := math.Max(width-partWidth, height-partHeight) / 2
	want := NozzleFor(partWidth, partHeight)
	advice := fmt.Sprintf("Use one of about %.0f × %.0f mm.", want.Width*1e3, want.Height*1e3)
	switch {
	case !(gap >= 0):
		return false, fmt.Sprintf("The nozzle is smaller than the part by %.0f mm. %s", -2*gap*1e3, advice)
	case gap < tightGap:
		return false, fmt.Sprintf("The nozzle leaves only %.1f mm on a side and will touch the part if it is not centred. %s", gap*1e3, advice)
	case most > wideGap:
		return false, fmt.Sprintf("The nozzle leaves %.0f mm on a side and heats the neighbours as much as the part. %s", most*1e3, advice)
	}
	return true, fmt.Sprintf("The nozzle leaves %.1f mm on each side; the same all round keeps the part even.", gap*1e3)
}
