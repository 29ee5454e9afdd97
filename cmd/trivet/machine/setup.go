package machine

import (
	"slices"
	"time"

	"trivet/control"
	"trivet/process/unit"
	"trivet/safety"
	"trivet/station"
)

// How long heat may be wanted, and how long extraction may fail. Both are the simulated machine's, see sim/bench: the longest shipped
// profile takes less than half of it, and hazard I-01 allows 30 s.
const (
	longestRun     = 25 * time.Minute
	extractionHold = 10 * time.Second
	lostAfter      = 700 * time.Millisecond
)

// sensorIndex finds a sensor by name; the file was checked.
func (f *File) sensorIndex(name string) int {
	return slices.IndexFunc(f.Wiring.Sensors, func(s Sensor) bool { return s.Name == name })
}

// ordered returns the wired heaters in the machine's order, with the index that the machine itself gives them.
func (f *File) ordered() (list []Heater, at []int) {
	for i, n := range f.HeaterNames() {
		for _, h := range f.Wiring.Heaters {
			if h.Name == n {
				list, at = append(list, h), append(at, i)
			}
		}
	}
	return list, at
}

// Heaters returns, for each wired heater in the order of Bare, its index among all heaters of the machine's description.
func (f *File) Heaters() []int {
	_, at := f.ordered()
	return at
}

// Bare returns the zones of the machine before their loops are known.
func (f *File) Bare() []control.Zone {
	var zones []control.Zone
	list, at := f.ordered()
	for k, h := range list {
		z := control.Zone{Kind: control.Area, Rated: unit.Watt(f.RatedW(at[k])), Ceiling: unit.Celsius(h.HighestC), Ti: 40}
		switch at[k] {
		case 0:
			z.Kind, z.Ti = control.TopAir, 26
		case 1:
			z.Kind, z.Ti = control.BottomAir, 26
		}
		if !h.sensed() {
			z.MaxDuty = f.Wiring.highestDuty()
		}
		zones = append(zones, z)
	}
	return zones
}

// Setup describes the machine to guard, station and people, in the order of Bare. What only a measurement can tell, heat balances and noise
// at rest, is not in it: commissioning puts it there.
func (f *File) Setup(zones []control.Zone) station.Setup {
	w := &f.Wiring
	u := station.Setup{Name: f.Title, Speed: 1, Budget: unit.Watt(f.MainsBudgetW), Period: station.Period, Ambient: unit.Celsius(w.Room())}
	if u.Name == "" {
		u.Name = f.Name
	}
	l := &u.Limits
	*l = safety.Limits{MaxRun: longestRun, ExtractionHold: extractionHold, Mirror: w.Mirror != "", Room: u.Ambient}
	for _, b := range w.Blowers {
		l.Blowers[l.NBlowers] = safety.Blower{Name: label(b.Label, b.Name), Proof: b.Proof != ""}
		l.NBlowers++
	}
	for _, i := range w.Interlocks {
		l.Interlocks[l.NInterlock] = safety.Interlock{Name: i.Name, Kind: safety.InterlockKind(i.Kind)}
		l.NInterlock++
	}
	list, at := f.ordered()
	for k, h := range list {
		own := f.sensorIndex(h.Sensor)
		sh := safety.Heater{Name: label(h.Label, h.Name), Blower: slices.IndexFunc(w.Blowers, func(b Blower) bool { return b.Name == h.Blower }), Sense: h.sensed()}
		z := &zones[k]
		l.Heaters[l.NHeaters] = sh
		l.NHeaters++
		info := station.HeaterInfo{Name: h.Name, Label: sh.Name, Kind: "area", Rated: z.Rated, Sensor: own, Ceiling: z.Ceiling}
		switch at[k] {
		case 0:
			info.Kind = "hot_air_top"
		case 1:
			info.Kind = "hot_air_bottom"
		}
		u.Heaters = append(u.Heaters, info)
		l.StartTest = l.StartTest || sh.Sense
	}
	l.StartTest = l.StartTest || l.Mirror
	for i := range w.Sensors {
		s := &w.Sensors[i]
		info := station.SensorInfo{Name: s.Name, Label: label(s.Label, s.Name), Chip: s.Chip, Type: s.Type, Role: safety.Role(s.Role), Every: f.every(s)}
		u.Sensors = append(u.Sensors, info)
		// An emitter's or a nozzle's own sensor limits that heater, everything else all of them.
		heaters := safety.All
		for k, h := range list {
			if h.Sensor == s.Name {
				heaters = safety.Mask(1) << k
			}
		}
		l.Sensors[l.NSensors] = safety.Sensor{Name: info.Label, Role: info.Role, Ceiling: unit.Celsius(s.CeilingC), Heaters: heaters, Guard: !s.WatchOnly,
			LostAfter: max(lostAfter, 5*info.Every)} // five periods: invariant I-12
		l.NSensors++
	}
	return u
}

// every is how often a sensor has a new value: a tick, or what its chip takes; inputs of one converter take turns.
func (f *File) every(s *Sensor) time.Duration {
	c := chips[s.Chip]
	n := 1
	if c.inputs > 1 {
		n = 0
		for _, o := range f.Wiring.Sensors {
			if o.Chip == s.Chip && o.Bus == s.Bus && o.Address == s.Address {
				n++
			}
		}
	}
	every := max(c.every, station.Period) * time.Duration(n)
	return (every + station.Period - 1) / station.Period * station.Period
}

// Uncovered says in words what this wiring leaves to the hardware layers and to people.
func (f *File) Uncovered() []string {
	w := &f.Wiring
	var out []string
	add := func(s string) { out = append(out, s) }
	if w.Mirror == "" {
		add("no mirror contact: a welded contactor is not found before a run")
	}
	list, _ := f.ordered()
	for _, h := range list {
		if !h.sensed() {
			add(label(h.Label, h.Name) + ": no load sense, so a relay that sticks is found late; its mean power is held to " + percent(w.highestDuty()))
		}
	}
	for _, b := range w.Blowers {
		if b.Proof == "" {
			add(label(b.Label, b.Name) + ": no proof of air, so a dead blower is found by temperatures alone")
		}
	}
	has := func(k safety.InterlockKind) bool {
		return slices.ContainsFunc(w.Interlocks, func(i Interlock) bool { return i.Kind == string(k) })
	}
	if !has(safety.Limiter) {
		add("no contact of an over-temperature limiter is read; the limiter itself must be there all the same")
	}
	if !has(safety.Extraction) {
		add("no proof of fume extraction")
	}
	if !slices.ContainsFunc(w.Sensors, func(s Sensor) bool { return s.Role == string(safety.RolePackageTop) }) {
		add("no package top: repeats without a joint thermocouple are not possible, and the part's body is not watched")
	}
	for _, s := range w.Sensors {
		if s.Calibration == nil {
			add(label(s.Label, s.Name) + ": not calibrated")
		}
	}
	return out
}
