package station

import (
	"errors"
	"sync"
	"testing"
	"time"

	"trivet/control"
	"trivet/process"
	"trivet/process/unit"
	"trivet/safety"
)

// fake is a machine of a few numbers: what its sensors read, what its contacts say, and a tape of what was switched.
type fake struct {
	good    [4]unit.Celsius
	bad     [4]unit.Quality
	closed  [3]bool // emergency stop, door, extraction
	airOK   bool
	sense   [2]bool
	relays  [2]*pin
	blower  *pin
	enable  *pin
	beat    *pin
	fan     float64
	warming float64 // K per tick that a driven heater adds to everything
}

// pin is an output that remembers and can be told to fail.
type pin struct {
	mu    sync.Mutex // for the test that looks on while another goroutine may switch
	on    bool
	edges int
	fails bool
}

func (p *pin) Set(on bool) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.fails {
		return errors.New("no such line")
	}
	if on != p.on {
		p.edges++
	}
	p.on = on
	return nil
}

// is returns the level, safely beside another goroutine.
func (p *pin) is() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.on
}

type contact func() bool

func (c contact) Read() bool { return c() }

type sensor struct {
	f *fake
	i int
}

func (s sensor) Read(now time.Duration) unit.Reading {
	if q := s.f.bad[s.i]; q != unit.NotRead {
		return unit.Unusable(now, q)
	}
	return unit.Measured(now, s.f.good[s.i])
}

type fanPin struct{ f *fake }

func (p fanPin) SetDuty(d float64) error { p.f.fan = d; return nil }

// testStation is the real station, keeper, guard and law on a fake machine, ticked by hand.
type testStation struct {
	*Station
	t    *testing.T
	f    *fake
	k    *Keeper
	now  time.Duration
	last Snapshot
}

func newTestStation(t *testing.T) *testStation {
	t.Helper()
	f := &fake{closed: [3]bool{true, true, true}, airOK: true, good: [4]unit.Celsius{25, 25, 25, 25}}
	f.relays[0], f.relays[1], f.blower, f.enable, f.beat = &pin{}, &pin{}, &pin{}, &pin{}, &pin{}
	l := safety.Limits{MaxRun: time.Hour, ExtractionHold: 10 * time.Second}
	roles := []safety.Role{safety.RoleJoint, safety.RolePackageTop, safety.RoleBoard, safety.RoleNozzle}
	u := Setup{Budget: 2000, Period: Period, Speed: 1}
	hw := Hardware{Fan: fanPin{f}}
	for i, r := range roles {
		l.Sensors[i] = safety.Sensor{Name: string(r), Role: r, Ceiling: 260, Heaters: safety.All, Guard: true, LostAfter: 700 * time.Millisecond}
		u.Sensors = append(u.Sensors, SensorInfo{Name: string(r), Label: string(r), Role: r, Every: Period})
		hw.Sensors = append(hw.Sensors, sensor{f, i})
	}
	l.Sensors[3].Ceiling = 450
	l.NSensors = 4
	zones := []control.Zone{
		{Kind: control.TopAir, Rated: 1200, Ceiling: 400, Gain: 400, Inertia: 0.15, Kp: 0.02, Ti: 26},
		{Kind: control.Area, Rated: 1000, Ceiling: 500, Gain: 4e11, Inertia: 0.3, Kp: 0.03, Ti: 40},
	}
	for i, n := range []string{"top", "area"} {
		b := -1
		if i == 0 {
			b = 0
		}
		l.Heaters[i] = safety.Heater{Name: n, Blower: b, Sense: true}
		u.Heaters = append(u.Heaters, HeaterInfo{Name: n, Label: n, Rated: zones[i].Rated, Sensor: 3, Ceiling: 400})
		hw.Relays = append(hw.Relays, f.relays[i])
		hw.Sense = append(hw.Sense, contact(func() bool { return f.sense[i] || f.relays[i].is() && f.enable.is() }))
	}
	l.NHeaters = 2
	l.Blowers[0], l.NBlowers = safety.Blower{Name: "blower", Proof: true}, 1
	hw.Blowers = []Switch{f.blower}
	hw.Air = []Contact{contact(func() bool { return f.airOK && f.blower.on })}
	for i, k := range []safety.InterlockKind{safety.EmergencyStop, safety.Door, safety.Extraction} {
		l.Interlocks[i] = safety.Interlock{Name: string(k), Kind: k}
		hw.Interlocks = append(hw.Interlocks, contact(func() bool { return f.closed[i] }))
	}
	l.NInterlock = 3
	u.Limits = l
	g, err := safety.NewGuard(l)
	if err != nil {
		t.Fatal(err)
	}
	k, err := NewKeeper(g, Lines{Enable: f.enable, Heartbeat: f.beat})
	if err != nil {
		t.Fatal(err)
	}
	ts := &testStation{t: t, f: f, k: k}
	law := control.New(control.Config{Zones: zones, Budget: 2000, Tuning: control.DefaultTuning(), Ambient: 25,
		Reach: control.Reach{TopH: 100, BottomH: 70, AreaView: 0.4}, Load: control.Load{Board: 5000, Part: 8000}})
	ts.Station, err = New(Options{Setup: u, Hardware: hw, Keeper: k, Law: law, Publish: func(s *Snapshot) { ts.last = *s }})
	if err != nil {
		t.Fatal(err)
	}
	ts.run(time.Second)
	return ts
}

func (s *testStation) run(d time.Duration) {
	for end := s.now + d; s.now < end; {
		s.step()
	}
}

// step is one tick; a driven heater warms everything a little, so that a run gets somewhere.
func (s *testStation) step() {
	s.now += Period
	for i, r := range s.f.relays {
		if r.on && s.f.enable.on {
			for k := range s.f.good {
				s.f.good[k] += unit.Celsius(s.f.warming) / unit.Celsius(i+1)
			}
		}
	}
	s.Tick(s.now, 0)
}

func (s *testStation) heaters() (on int) {
	for _, r := range s.f.relays {
		if r.on {
			on++
		}
	}
	return on
}

// say gives a command and returns its answer after the tick that carries it out.
func (s *testStation) say(c Command) error {
	var answer error
	if err := s.Post(c, func(err error) { answer = err }); err != nil {
		return err
	}
	s.step()
	return answer
}

func (s *testStation) order() *RunOrder {
	sac, _ := process.AlloyByName("SAC305")
	p, err := process.NewProfile(process.Profile{Name: "test", Title: "Test", Kind: process.Removal, Alloy: sac, Segments: []process.Segment{
		{Name: "preheat", Target: 150, Ramp: 1, WaitWithin: 10},
		{Name: "soak", Target: 180, Ramp: 0.5, Hold: 20 * time.Second},
		{Name: "peak", Target: 238, Ramp: 0.7, Hold: 20 * time.Second, Lift: true},
		{Name: "cool", Target: 60, Ramp: 1.5, Cool: true},
	}})
	if err != nil {
		s.t.Fatal(err)
	}
	return &RunOrder{Kind: process.Removal, Profile: p, By: "test"}
}

// heating starts a run and brings it to where a relay has been on.
func (s *testStation) heating() {
	s.t.Helper()
	if err := s.say(Command{Event: Start, Order: s.order()}); err != nil {
		s.t.Fatalf("start was refused: %v", err)
	}
	for range 200 {
		s.step()
		if s.heaters() > 0 && s.f.enable.is() {
			return
		}
	}
	s.t.Fatalf("no heat 20 s after the start; state %s/%s", s.last.State, s.last.Phase)
}
