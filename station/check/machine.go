package check

import (
	"errors"
	"time"

	"trivet/control"
	"trivet/process"
	"trivet/process/unit"
	"trivet/safety"
	"trivet/station"
)

// Tick is the time between two ticks of a search. See the package comment.
const Tick = 500 * time.Millisecond

// The small machine: a hot-air head with its nozzle sensor and blower, an area heater without air, a joint, a package top.
const (
	nSensors    = 3 // joint, package top, nozzle
	nHeaters    = 2 // air, with load sense; area, without
	nBlowers    = 1
	nInterlocks = 4 // in the order of the constants below

	joint, top, nozzle            = 0, 1, 2
	estop, door, extract, limiter = 0, 1, 2, 3
)

// Numbers of the small machine. Everything happens within 5 K of room temperature, so that a sensor can go from sound to its ceiling in
// a tick without looking implausible, and a whole profile is over in half a minute.
const (
	roomC    = unit.Celsius(25)
	ceilingC = unit.Celsius(30)
	farC     = unit.Celsius(90) // no spot gets there in a tick

	lostAfter      = time.Second
	extractionHold = 3 * Tick
	maxRun         = 200 * time.Second
)

// level is what a sensor does.
type level uint8

const (
	good level = iota
	atCeiling
	open
	stuck // sends the same old sample, time stamp and all
	jump  // to a value that heat cannot have brought about
)

// Modes of contacts and of what they report.
const (
	normal uint8 = iota
	dead         // says no whatever happens
	closed       // says yes whatever happens
)

// What the control law asks for.
const (
	wantAll  uint8 = iota
	wantNone       // no heat
	wantBad        // a duty that is no number, and says so
	wantNaN        // a duty that is no number, and does not say so
)

// world is everything around the program that an adversary sets: the zero value is a healthy machine.
type world struct {
	sensor [nSensors]level
	opened [nInterlocks]bool
	air    uint8 // proof contact
	sense  uint8 // load sense of the air heater
	mirror uint8 // mirror contact of the contactor; closed: it is welded
	want   uint8
	broken bool // the first relay does not take its commands
	dumb   bool // the record cannot be kept
}

// abnormal is how many things are not as they should be.
func (w *world) abnormal() (n int) {
	for _, s := range w.sensor {
		n += int(min(s, 1))
	}
	for _, o := range w.opened {
		n += one(o)
	}
	return n + int(min(w.air, 1)+min(w.sense, 1)+min(w.mirror, 1)+min(w.want, 1)) + one(w.broken) + one(w.dumb)
}

func one(b bool) int {
	if b {
		return 1
	}
	return 0
}

// lines is what the program has done to its outputs, and the clock they live by.
type lines struct {
	now     time.Duration
	stuckAt [nSensors]time.Duration // time stamp of the sample that a stuck sensor repeats
	relay   [nHeaters]bool
	blower  bool
	enable  bool
	beat    bool
	beatAt  time.Duration // of the last edge
	edges   int           // of the heartbeat in this tick
	early   int           // edges or rises of heat-enable before the guard was asked in this tick
	judged  int           // times the guard was asked in this tick
	kept    bool          // the law was told to keep
	heatIn  bool          // the law was told that heat is wanted
	verdict safety.Verdict
	asked   control.Set // relays the law wants
	armed   bool        // what the guard was told
	testing bool
	test    safety.Mask
	on      safety.Mask // what the keeper was told is on
}

// contactor reports whether the series contactor is closed: heat-enable is given, and the one-shot has had an edge lately.
func (l *lines) contactor() bool { return l.enable && l.now-l.beatAt <= Tick }

// machine ties world and lines to the station's interfaces.
type machine struct {
	w *world
	l *lines
}

func (m machine) Read(i int, now time.Duration) unit.Reading {
	switch m.w.sensor[i] {
	case atCeiling:
		return unit.Measured(now, ceilingC)
	case open:
		return unit.Unusable(now, unit.Open)
	case stuck:
		return unit.Measured(m.l.stuckAt[i], roomC)
	case jump:
		return unit.Measured(now, farC)
	}
	return unit.Measured(now, roomC)
}

type probe struct {
	m machine
	i int
}

func (p probe) Read(now time.Duration) unit.Reading { return p.m.Read(p.i, now) }

type contact func() bool

func (c contact) Read() bool { return c() }

type output func(on bool) error

func (o output) Set(on bool) error { return o(on) }

var errLine = errors.New("the line does not answer")

// by says what a contact in a mode reports when the truth is so.
func by(mode uint8, truth bool) bool { return mode == closed || mode == normal && truth }

// hardware is the machine as the control goroutine sees it.
func (m machine) hardware() station.Hardware {
	var h station.Hardware
	for i := range nSensors {
		h.Sensors = append(h.Sensors, probe{m, i})
	}
	for i := range nInterlocks {
		h.Interlocks = append(h.Interlocks, contact(func() bool { return !m.w.opened[i] }))
	}
	for i := range nHeaters {
		h.Relays = append(h.Relays, output(func(on bool) error {
			if i == 0 && m.w.broken {
				return errLine
			}
			m.l.relay[i] = on
			return nil
		}))
	}
	h.Sense = []station.Contact{contact(func() bool { return by(m.w.sense, m.l.relay[0] && m.l.contactor()) }), nil}
	h.Blowers = []station.Switch{output(func(on bool) error { m.l.blower = on; return nil })}
	h.Air = []station.Contact{contact(func() bool { return by(m.w.air, m.l.blower) })}
	h.Mirror = contact(func() bool { return by(m.w.mirror, m.l.contactor()) })
	return h
}

// safetyLines are the two outputs of the keeper.
func (m machine) safetyLines() station.Lines {
	return station.Lines{
		Enable: output(func(on bool) error {
			if on && !m.l.enable && m.l.judged == 0 {
				m.l.early++
			}
			m.l.enable = on
			return nil
		}),
		Heartbeat: output(func(on bool) error {
			if on != m.l.beat {
				m.l.edges++
				m.l.beatAt = m.l.now
				if m.l.judged == 0 {
					m.l.early++
				}
			}
			m.l.beat = on
			return nil
		}),
	}
}

// Begin, Step and Transfer make the machine a control law without a memory, which asks for whatever the adversary wants.
func (m machine) Begin() {}

// Transfer implements station.Law.
func (m machine) Transfer(*control.Inputs) {}

// Step implements station.Law.
func (m machine) Step(_ time.Duration, in *control.Inputs, out *control.Outputs) {
	*out = control.Outputs{On: 1<<nHeaters - 1}
	for h := range nHeaters {
		out.Duty[h] = 1
	}
	switch m.w.want {
	case wantNone:
		*out = control.Outputs{}
	case wantBad, wantNaN:
		out.Duty[0], out.Bad = nan(), m.w.want == wantBad
	}
	m.l.kept, m.l.heatIn, m.l.asked = in.Keep, in.Heat, out.On
}

// smallLimits is the small machine as the guard knows it.
func smallLimits() *safety.Limits {
	l := &safety.Limits{MaxRun: maxRun, ExtractionHold: extractionHold, Mirror: true, NSensors: nSensors, NHeaters: nHeaters, NBlowers: nBlowers, NInterlock: nInterlocks}
	sensors := [nSensors]safety.Sensor{{Name: "joint", Role: safety.RoleJoint, Heaters: safety.All}, {Name: "top", Role: safety.RolePackageTop, Heaters: safety.All}, {Name: "nozzle", Role: safety.RoleNozzle, Heaters: 1}}
	for i, s := range sensors {
		s.Ceiling, s.Guard, s.LostAfter = ceilingC, true, lostAfter
		l.Sensors[i] = s
	}
	l.Heaters[0] = safety.Heater{Name: "air", Blower: 0, Sense: true}
	l.Heaters[1] = safety.Heater{Name: "area", Blower: -1}
	l.Blowers[0] = safety.Blower{Name: "blower", Proof: true}
	for i, k := range []safety.InterlockKind{safety.EmergencyStop, safety.Door, safety.Extraction, safety.Limiter} {
		l.Interlocks[i] = safety.Interlock{Name: string(k), Kind: k}
	}
	return l
}

// smallSetup is the small machine as the station knows it.
func smallSetup(l *safety.Limits) station.Setup {
	u := station.Setup{Name: "small", Speed: 1, Limits: *l, Budget: 2000, Period: Tick, Ambient: roomC}
	for i := range nSensors {
		s := &l.Sensors[i]
		u.Sensors = append(u.Sensors, station.SensorInfo{Name: s.Name, Label: s.Name, Role: s.Role, Every: Tick})
	}
	for i := range nHeaters {
		u.Heaters = append(u.Heaters, station.HeaterInfo{Name: l.Heaters[i].Name, Label: l.Heaters[i].Name, Rated: 1000, Sensor: nozzle, Ceiling: 400})
	}
	return u
}

// smallOrder is a removal whose solder is liquid at room temperature: every phase of a run comes in half a minute.
func smallOrder() (*station.RunOrder, error) {
	p, err := process.NewProfile(process.Profile{
		Name: "small", Title: "Small", Kind: process.Removal, Alloy: process.Alloy{Name: "none", Solidus: 7, Liquidus: 8},
		Segments: []process.Segment{
			{Name: "preheat", Target: 31, Ramp: 3, Hold: 2 * time.Second, WaitWithin: 10},
			{Name: "peak", Target: 33, Ramp: 1, Hold: 2 * time.Second, Lift: true},
			{Name: "cool", Target: 21, Ramp: 1, Cool: true},
		},
	})
	return &station.RunOrder{Kind: process.Removal, Profile: p, By: "checker"}, err
}
