package max31865

import (
	"math"

	"trivet/process/unit"
)

// Coefficients of the Callendar–Van Dusen equation for industrial platinum (IEC 60751):
// R = R0·(1 + A·t + B·t² + C·(t − 100)·t³), the last term below 0 °C only.
const (
	cvdA = 3.9083e-3  // 1/°C
	cvdB = -5.775e-7  // 1/°C²
	cvdC = -4.183e-12 // 1/°C⁴
)

// Ends of the equation, in °C (IEC 60751).
const (
	coldest unit.Celsius = -200
	hottest unit.Celsius = 850
)

// Ohms returns the resistance of an element with r0 ohms at 0 °C. It reports false outside −200…850 °C.
func Ohms(c unit.Celsius, r0 float64) (ohms float64, ok bool) {
	if !(c >= coldest && c <= hottest) {
		return 0, false
	}
	return r0 * ratio(float64(c)), true
}

func ratio(t float64) float64 {
	r := 1 + t*(cvdA+t*cvdB)
	if t < 0 {
		r += cvdC * (t - 100) * t * t * t
	}
	return r
}

// Temperature returns what an element with r0 ohms at 0 °C is at when it has so many ohms. It reports false for what no element can
// have between −200 and 850 °C. Above 0 °C it solves the quadratic; below, three steps of Newton's method from there, which
// leave less than 1e-9 °C (the tests go through all of it).
func Temperature(ohms, r0 float64) (unit.Celsius, bool) {
	w := ohms / r0
	if !(w >= ratio(float64(coldest))-1e-12 && w <= ratio(float64(hottest))+1e-12) {
		return 0, false
	}
	t := (-cvdA + math.Sqrt(cvdA*cvdA-4*cvdB*(1-w))) / (2 * cvdB)
	if t < 0 {
		for range 3 {
			slope := cvdA + t*(2*cvdB+cvdC*t*(4*t-300))
			t -= (ratio(t) - w) / slope
		}
	}
	return max(coldest, min(unit.Celsius(t), hottest)), true
}
