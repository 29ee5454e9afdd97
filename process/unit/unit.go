// Package unit holds the physical quantities Trivet computes with, and the Reading: a temperature that carries its quality.
//
// A temperature and a temperature difference are different things, and so are their rates. Giving each a type
// lets the compiler check a formula. Everything inside the program and on the wire is in these units; degrees
// Fahrenheit exist only in the view.
package unit

import (
	"fmt"
	"math"
)

type (
	// Celsius is a temperature in degrees Celsius.
	Celsius float64
	// Kelvin is a difference between two temperatures, in kelvins.
	Kelvin float64
	// KelvinPerSecond is a rate of change of temperature.
	KelvinPerSecond float64
	// Watt is a power.
	Watt float64
)

// ZeroCelsiusInKelvin is the absolute temperature of 0 °C (definition of the degree Celsius, BIPM SI brochure).
const ZeroCelsiusInKelvin = 273.15

// Sub returns how far c is above other.
func (c Celsius) Sub(other Celsius) Kelvin { return Kelvin(c - other) }

// Plus returns the temperature d above c.
func (c Celsius) Plus(d Kelvin) Celsius { return c + Celsius(d) }

// Absolute returns c in kelvins above absolute zero, for radiation formulas.
func (c Celsius) Absolute() float64 { return float64(c) + ZeroCelsiusInKelvin }

// Finite reports whether c is an ordinary number: neither infinite nor NaN.
func (c Celsius) Finite() bool { return !math.IsNaN(float64(c)) && !math.IsInf(float64(c), 0) }

func (c Celsius) String() string         { return fmt.Sprintf("%.1f °C", float64(c)) }
func (k Kelvin) String() string          { return fmt.Sprintf("%.1f °C", float64(k)) }
func (r KelvinPerSecond) String() string { return fmt.Sprintf("%.2f °C/s", float64(r)) }
func (w Watt) String() string            { return fmt.Sprintf("%.0f W", float64(w)) }
