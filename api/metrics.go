package api

import (
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"

	"trivet/safety"
	"trivet/station"
)

// metrics is the registry behind /metrics. What the station knows is read from the newest snapshot when somebody scrapes;
// nothing is counted in the control loop for it.
type metrics struct {
	s        *Server
	registry *prometheus.Registry

	stops   prometheus.Counter
	dropped prometheus.Counter
	refused *prometheus.CounterVec

	ticks, late, temp, quality, duty, power, mains, alarm, state, enabled, recording, viewers, lost *prometheus.Desc
}

// newMetrics makes the registry. Names follow the naming rules of Prometheus: base units, the unit at the end, _total for
// counters. They are relied on by dashboards: add, do not rename.
func newMetrics(s *Server) (*metrics, error) {
	desc := func(name, help string, labels ...string) *prometheus.Desc {
		return prometheus.NewDesc("trivet_"+name, help, labels, nil)
	}
	m := &metrics{s: s, registry: prometheus.NewRegistry(),
		stops:   prometheus.NewCounter(prometheus.CounterOpts{Name: "trivet_stop_requests_total", Help: "Stop requests passed on to the station."}),
		dropped: prometheus.NewCounter(prometheus.CounterOpts{Name: "trivet_viewers_dropped_total", Help: "Stream connections ended because they were too slow."}),
		refused: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "trivet_refused_requests_total", Help: "Requests refused, by problem code."}, []string{"code"}),

		ticks:     desc("ticks_total", "Control ticks since the process began."),
		late:      desc("tick_lateness_seconds", "How late the last control tick began."),
		temp:      desc("temperature_celsius", "A sensor's reading; absent while it has none.", "sensor", "role", "quality"),
		quality:   desc("sensor_quality", "1 for the present quality of a sensor.", "sensor", "quality"),
		duty:      desc("heater_duty_ratio", "Duty asked of a heater, 0 to 1.", "heater"),
		power:     desc("heater_power_watts", "Power of a heater in this tick.", "heater"),
		mains:     desc("mains_power_watts", "Power of all heaters together."),
		alarm:     desc("alarm_active", "1 for each raised alarm.", "code", "subject", "state"),
		state:     desc("station_state", "1 for the present state.", "state"),
		enabled:   desc("heat_enabled", "1 while heat-enable is given."),
		recording: desc("recording", "1 while the record keeps up; 0 while it is in memory only."),
		viewers:   desc("viewers", "Stream connections."),
		lost:      desc("snapshots_lost_total", "Control ticks missing from the record because the disk kept it waiting."),
	}
	// The usual way to show a version next to the numbers of that version.
	build := prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: "trivet_build_info", Help: "1, with the version as a label.",
		ConstLabels: prometheus.Labels{"version": s.o.Version}}, func() float64 { return 1 })
	// Two of a name are refused at the start, so a collector of the owner cannot hide one of ours.
	all := append([]prometheus.Collector{m, m.stops, m.dropped, m.refused, build,
		collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{})}, s.o.Collectors...)
	for _, c := range all {
		if err := m.registry.Register(c); err != nil {
			return nil, err
		}
	}
	return m, nil
}

// Lossy is a live record that counts the ticks that it could not take. Where Live is one, the count is a metric.
type Lossy interface {
	Lost() uint64
}

// Describe lists what Collect sends.
func (m *metrics) Describe(out chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{m.ticks, m.late, m.temp, m.quality, m.duty, m.power, m.mains, m.alarm, m.state, m.enabled, m.recording, m.viewers, m.lost} {
		out <- d
	}
}

// Collect reads the newest snapshot.
func (m *metrics) Collect(out chan<- prometheus.Metric) {
	var s station.Snapshot
	m.s.o.Station.Latest(&s)
	u := m.s.o.Station.Setup()
	// MustNew panics only when the number of labels is not that of the description, which a test would find.
	gauge := func(d *prometheus.Desc, v float64, labels ...string) {
		out <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
	}
	out <- prometheus.MustNewConstMetric(m.ticks, prometheus.CounterValue, float64(s.Seq))
	gauge(m.late, s.Late.Seconds())
	gauge(m.mains, float64(s.Mains))
	gauge(m.state, 1, string(s.State))
	gauge(m.enabled, oneIf(s.HeatEnabled))
	gauge(m.recording, oneIf(s.Recording))
	gauge(m.viewers, float64(m.s.hub.count()))
	if l, ok := m.s.o.Live.(Lossy); ok {
		out <- prometheus.MustNewConstMetric(m.lost, prometheus.CounterValue, float64(l.Lost()))
	}
	for i := range min(len(u.Sensors), safety.MaxSensors) {
		// Absent and not NaN or 0: an alarm rule for "no data" then works by itself.
		q := s.Sensors[i].Quality.String()
		gauge(m.quality, 1, u.Sensors[i].Name, q)
		if c, ok := s.Sensors[i].Temp(); ok {
			gauge(m.temp, float64(c), u.Sensors[i].Name, string(u.Sensors[i].Role), q)
		}
	}
	for i := range min(len(u.Heaters), safety.MaxHeaters) {
		gauge(m.duty, s.Heaters[i].Duty, u.Heaters[i].Name)
		gauge(m.power, float64(s.Heaters[i].Power), u.Heaters[i].Name)
	}
	for i := range min(s.NAlarms, station.MaxAlarms) {
		a := &s.Alarms[i]
		if a.Row >= 0 && a.Row < len(m.s.alarms) {
			gauge(m.alarm, 1, m.s.alarms[a.Row].Code, safety.SubjectName(&u.Limits, a.Row, a.Subject), string(a.State))
		}
	}
}

// oneIf is how a yes is written as a number.
func oneIf(b bool) float64 {
	if b {
		return 1
	}
	return 0
}
