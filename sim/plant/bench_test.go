package plant

import "testing"

func BenchmarkStep(b *testing.B) {
	m := machineNamed(b, "bench-5kw")
	for _, name := range boards(b) {
		b.Run(name, func(b *testing.B) {
			p := newPlant(b, m, boardNamed(b, name))
			d := full()
			for i := range d.Heater {
				d.Heater[i] = 0.3
			}
			b.ReportAllocs()
			for b.Loop() {
				p.Step(tick, d)
			}
			b.ReportMetric(float64(2*p.columns+3*len(p.stack.col)), "cells")
			b.ReportMetric(tick.Seconds()/p.sub, "substeps")
		})
	}
}

func BenchmarkNew(b *testing.B) {
	m, board := machineNamed(b, "bench-5kw"), boardNamed(b, "switch-16-layer")
	for b.Loop() {
		newPlant(b, m, board)
	}
}
