package main

import (
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	buslane "trivet/hal/lane"
)

func TestABusThatIsSilentShowsInTheMetrics(t *testing.T) {
	clock := func() time.Duration { return time.Second }
	l, err := buslane.New("SPI0", 100*time.Millisecond, clock, buslane.Options{})
	if err != nil {
		t.Fatal(err)
	}
	reg := prometheus.NewPedanticRegistry()
	if err := reg.Register(laneMetrics{[]*buslane.Lane{l}, clock}); err != nil {
		t.Fatal(err)
	}
	if err := prometheus.NewRegistry().Register(laneMetrics{}); err != nil { // a machine without buses
		t.Error(err)
	}
	families, err := reg.Gather()
	if err != nil || len(families) != 4 {
		t.Fatalf("%d families, %v", len(families), err)
	}
	for _, f := range families {
		m := f.GetMetric()[0]
		if bus := m.GetLabel()[0].GetValue(); bus != "SPI0" {
			t.Errorf("%s is of bus %q", f.GetName(), bus)
		}
		if f.GetName() == "trivet_bus_silent" && m.GetGauge().GetValue() != 1 { // it was never started
			t.Error("a silent bus is not shown as one")
		}
	}
}
