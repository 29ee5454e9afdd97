package ad8495

import (
	"trivet/hal/emf"
	"trivet/process/unit"
)

// Gain and trim of the amplifier (datasheet, from memory; they reproduce its printed table of outputs to the millivolt).
const (
	gain     = 122.4
	offsetMV = 2.6
)

// Volts returns the output in volts for a junction at c, with the reference pin at ground and rails far away.
// It reports false outside −270…1372 °C.
func Volts(c unit.Celsius) (v float64, ok bool) {
	mV, ok := emf.Type('K').Voltage(c)
	return (gain*mV + offsetMV) / 1000, ok
}

// Temperature returns the temperature of the junction for an output of v volts above the reference pin.
// It reports false outside what Volts can give.
func Temperature(v float64) (unit.Celsius, bool) {
	return emf.Type('K').Temperature((v*1000 - offsetMV) / gain)
}
