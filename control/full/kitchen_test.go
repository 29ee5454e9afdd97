package full_test

import (
	"testing"
	"time"

	"trivet/control"
	"trivet/sim/catalog"
	"trivet/sim/plant"
)

// A board that is too heavy for the machine must be found out in the run, while its solder is solid.
func TestAnImpossibleRunIsStoppedBeforeItMelts(t *testing.T) {
	m, err := catalog.Machine("kitchen-1k4")
	if err != nil {
		t.Fatal(err)
	}
	b, err := catalog.Board("server-24-layer")
	if err != nil {
		t.Fatal(err)
	}
	tr := trial{machine: m, board: b, spread: plant.Spread{Disturbance: plant.Undisturbed(), Mains: 1, Ambient: 25}, seed: 5, rate: 0.5}
	l := fullLaw(tr, commission(m, b))
	var stopped time.Duration
	hot, end := 0.0, false
	tr.stop = &end
	run(tr, l, l.SeeBoard, walking(l), func(now time.Duration, tru *plant.Truth, fo *control.Followed, in *control.Inputs, out *control.Outputs) {
		if r := l.Latest(); r != nil && !r.Forecast.Go && now > 20*time.Second && stopped == 0 {
			stopped, hot, end = now, float64(tru.CornerJoint), true
		}
	})
	if stopped == 0 || hot > 200 {
		t.Errorf("stopped at %v with the joint at %.0f °C; want before 200 °C", stopped, hot)
	} else {
		t.Logf("stopped at %v with the joint at %.0f °C", stopped, hot)
	}
}
