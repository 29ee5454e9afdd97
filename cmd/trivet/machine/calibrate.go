package machine

import (
	"fmt"
	"time"

	"trivet/process/unit"
	"trivet/station"
)

func percent(share float64) string { return fmt.Sprintf("%.0f %%", share*100) }

// straight is the correction of a calibration: value = reading·slope + shift.
type straight struct{ slope, shift float64 }

// correction returns the line through the points: with one point the slope is 1.
func (k *Calibration) correction() straight {
	a := k.Points[0]
	if len(k.Points) == 1 {
		return straight{1, a.IsC - a.ReadsC}
	}
	b := k.Points[1]
	slope := (b.IsC - a.IsC) / (b.ReadsC - a.ReadsC)
	return straight{slope, a.IsC - slope*a.ReadsC}
}

// corrected is a sensor with its calibration. What has no number keeps its reason.
type corrected struct {
	station.Thermometer
	by straight
}

// Read corrects what the sensor reads.
func (c corrected) Read(now time.Duration) unit.Reading {
	r := c.Thermometer.Read(now)
	v, ok := r.Temp()
	if !ok {
		return r
	}
	return unit.Measured(r.At, unit.Celsius(float64(v)*c.by.slope+c.by.shift))
}

// withJunction is a corrected sensor whose chip tells its cold junction, which stays as it was read.
type withJunction struct {
	corrected
	station.Junction
}

// calibrated puts the calibration of a sensor over its driver.
func calibrated(t station.Thermometer, k *Calibration) station.Thermometer {
	if k == nil {
		return t
	}
	c := corrected{t, k.correction()}
	if j, ok := t.(station.Junction); ok {
		return withJunction{c, j}
	}
	return c
}
