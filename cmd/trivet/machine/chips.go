package machine

import (
	"maps"
	"slices"
	"time"

	"trivet/hal/open"
)

// kindOfChip is what a machine file may say of one.
type kindOfChip struct {
	i2c         bool
	inputs      int
	types       []string
	resistance  bool
	mainsFilter bool          // it can be told the mains frequency
	every       time.Duration // between two values of one input; 0: faster than a tick
}

// chips are those that read temperatures. The MAX31855 is made for one type of couple each; its letter is part of the order number
// and cannot be read back, so that a wrong one is found by the warm-up proof only.
var chips = map[string]kindOfChip{
	"max31855": {inputs: 1, types: []string{"K", "J", "N", "T", "E", "R", "S"}},
	"max31856": {inputs: 1, mainsFilter: true, types: []string{"K", "J", "N", "T", "E", "R", "S", "B"}},
	"max6675":  {inputs: 1, types: []string{"K"}, every: 250 * time.Millisecond},
	"max31865": {inputs: 1, mainsFilter: true, types: []string{"Pt100", "Pt1000"}, resistance: true},
	"ad8495":   {i2c: true, inputs: 4, types: []string{"K"}},
}

// shiftRegister is the one expander on SPI. It keeps no level of its own through a reset of the computer, so its outputs go through a
// line that is off at power-on.
const shiftRegister = "74hc595"

// named lists the chips of a kind, as the drivers know them.
func named(k open.Kind) (out []string) {
	for _, c := range open.Names() {
		if slices.Contains(c.Kinds, k) {
			out = append(out, c.Name)
		}
	}
	return out
}

func chipNames() []string { return slices.Sorted(maps.Keys(chips)) }
