package max31865_test

import (
	"math"
	"testing"

	"trivet/hal/max31865"
	"trivet/process/unit"
)

// IEC 60751, table of the Pt100 to 0.01 Ω (from memory, as printed in many catalogues).
var iec60751 = map[float64]float64{
	-200: 18.52, -150: 39.72, -100: 60.26, -50: 80.31, -10: 96.09, 0: 100, 10: 103.90, 20: 107.79, 50: 119.40, 100: 138.51, 150: 157.33, 200: 175.86,
	250: 194.10, 300: 212.05, 400: 247.09, 500: 280.98, 600: 313.71, 700: 345.28, 800: 375.70, 850: 390.48,
}

func TestEveryRowOfTheStandardsTableBothWays(t *testing.T) {
	for c, want := range iec60751 {
		got, ok := max31865.Ohms(unit.Celsius(c), 100)
		if !ok || math.Abs(got-want) > 0.00501 {
			t.Errorf("%v °C has %.4f Ω, printed is %.2f", c, got, want)
		}
		if ten, _ := max31865.Ohms(unit.Celsius(c), 1000); math.Abs(ten-10*got) > 1e-9 {
			t.Errorf("a Pt1000 at %v °C has %v Ω", c, ten)
		}
		back, ok := max31865.Temperature(want, 100)
		if inside := c > -200 && c < 850; inside && (!ok || math.Abs(float64(back)-c) > 0.018) { // 0.005 Ω at 0.29 Ω/°C
			t.Errorf("%v Ω is %v, printed is %v", want, float64(back), c)
		}
	}
}

func TestTemperatureUndoesOhmsEverywhere(t *testing.T) {
	before := -1.0
	for c := -200.0; c <= 850; c += 0.01 {
		r, ok := max31865.Ohms(unit.Celsius(c), 1000)
		back, okBack := max31865.Temperature(r, 1000)
		if !ok || !okBack || math.Abs(float64(back)-c) > 1e-7 || r <= before {
			t.Fatalf("%v °C has %v Ω, which is %v °C (%v, %v)", c, r, float64(back), ok, okBack)
		}
		before = r
	}
	for _, c := range []float64{-200.1, 850.1, math.NaN(), math.Inf(1)} {
		if _, ok := max31865.Ohms(unit.Celsius(c), 100); ok {
			t.Errorf("%v °C has a resistance", c)
		}
	}
	for _, r := range []float64{18.5, 390.5, math.NaN(), -1, math.Inf(1)} {
		if c, ok := max31865.Temperature(r, 100); ok {
			t.Errorf("%v Ω is %v", r, c)
		}
	}
}
