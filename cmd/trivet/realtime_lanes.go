package main

import (
	"time"

	"github.com/prometheus/client_golang/prometheus"

	buslane "trivet/hal/lane"
)

// laneMetrics shows how the machine's buses do. There are none on counted time.
type laneMetrics struct {
	lanes []*buslane.Lane
	clock func() time.Duration
}

var (
	silentDesc  = prometheus.NewDesc("trivet_bus_silent", "1 while a bus has not finished a round for too long.", []string{"bus"}, nil)
	roundsDesc  = prometheus.NewDesc("trivet_bus_rounds_total", "Rounds in which everything on a bus was served.", []string{"bus"}, nil)
	slowDesc    = prometheus.NewDesc("trivet_bus_slow_transactions_total", "Transactions on a bus that took more than 20 ms.", []string{"bus"}, nil)
	longestDesc = prometheus.NewDesc("trivet_bus_transaction_max_seconds", "The longest finished transaction on a bus since the process began.", []string{"bus"}, nil)
)

// Describe implements prometheus.Collector.
func (m laneMetrics) Describe(out chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{silentDesc, roundsDesc, slowDesc, longestDesc} {
		out <- d
	}
}

// Collect implements prometheus.Collector.
func (m laneMetrics) Collect(out chan<- prometheus.Metric) {
	for _, l := range m.lanes {
		s := l.Status(m.clock())
		silent := 0.0
		if s.Silent {
			silent = 1
		}
		out <- prometheus.MustNewConstMetric(silentDesc, prometheus.GaugeValue, silent, s.Name)
		out <- prometheus.MustNewConstMetric(roundsDesc, prometheus.CounterValue, float64(s.Rounds), s.Name)
		out <- prometheus.MustNewConstMetric(slowDesc, prometheus.CounterValue, float64(s.Slow), s.Name)
		out <- prometheus.MustNewConstMetric(longestDesc, prometheus.GaugeValue, s.Longest.Seconds(), s.Name)
	}
}
