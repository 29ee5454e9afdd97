package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"trivet/cmd/trivet/machine"
	"trivet/control"
	"trivet/hal/display"
	buslane "trivet/hal/lane"
	"trivet/process"
	"trivet/process/unit"
	"trivet/safety"
	"trivet/sim/bench"
	"trivet/sim/catalog"
	"trivet/sim/plant"
	"trivet/station"
)

// equipment is what the station runs on, put together: a simulated machine, the machine of a file, or that machine emulated.
type equipment struct {
	title    string // for the line that is printed at the start
	setup    *station.Setup
	keeper   *station.Keeper
	options  station.Options
	profile  process.Profile // offered first
	speed    float64
	drive    *simDriver // nil on a real machine: nothing but the world moves it
	name     string     // of the machine, and digest of its file: commissioning counts for that one; empty for a simulated machine
	digest   string
	began    time.Time             // of the station's time
	clock    func() time.Duration  // the station's time on a real machine; nil where it is counted
	optional error                 // what could not be connected and matters to no heat
	screen   *display.Screen       // nil when there is none
	missing  error                 // what could not be connected; heat is locked then
	start    func(context.Context) // lets the buses be served
	close    func() error
	lanes    []*buslane.Lane // of its buses, for the metrics
}

// before is what happens ahead of each tick; nil on a real machine.
func (q *equipment) before() func(time.Duration) {
	if q.drive == nil {
		return nil
	}
	return q.drive.before
}

// equip puts together what the settings describe.
func (s *settings) equip() (*equipment, error) {
	if s.Station != nil {
		return s.wired()
	}
	scenario := catalog.Scenario{Name: "serve", Machine: s.Sim.Machine, Board: s.Sim.Board, Profile: s.Sim.Profile,
		Seed: s.Sim.Seed, AmbientC: s.Sim.AmbientC, Law: s.Sim.Law, Faults: s.Sim.Faults}
	parts, err := loadParts(scenario, s.dir)
	if err != nil {
		return nil, err
	}
	b, err := bench.Assemble(parts, s.Sim.Speed)
	if err != nil {
		return nil, err
	}
	assembled(b)
	return &equipment{
		title: fmt.Sprintf("simulated machine %q, %g× real time", parts.Machine.Title, s.Sim.Speed), setup: b.Setup, keeper: b.Keeper, options: b.Options(),
		profile: parts.Profile, speed: s.Sim.Speed, drive: newSimDriver(b.Rig, parts.Scenario.Faults), start: func(context.Context) {}, close: func() error { return nil },
	}, nil
}

// wired puts together the machine of a file: on the computer's own buses and lines, or, with [sim] or --sim, on emulated ones.
func (s *settings) wired() (*equipment, error) {
	f, err := s.machineFile()
	if err != nil {
		return nil, err
	}
	board, err := named(s.Station.Board, s.dir, catalog.Board, catalog.ParseBoard)
	if err != nil {
		return nil, err
	}
	profile, err := named(s.Station.Profile, s.dir, catalog.Profile, catalog.ParseProfile)
	if err != nil {
		return nil, err
	}
	q := &equipment{title: fmt.Sprintf("machine %q", f.Title), profile: profile, speed: 1, began: time.Now()}
	var buses machine.Buses = realBuses{}
	if s.Sim != nil {
		e, err := f.Emulate(board, unit.Celsius(s.Sim.AmbientC), s.Sim.Seed)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", s.Station.Machine, err)
		}
		buses, q.speed = e, s.Sim.Speed
		q.drive = newSimDriver(e.Rig, s.Sim.Faults)
		q.title = fmt.Sprintf("machine %q on emulated chips, %g× real time", f.Title, q.speed)
	} else {
		q.clock = func() time.Duration { return time.Since(q.began) }
	}
	q.name, q.digest = f.Name, f.Digest
	return q, q.assemble(f, buses, board, s)
}

// machineFile reads the machine's description.
func (s *settings) machineFile() (*machine.File, error) {
	path := s.Station.Machine
	if !filepath.IsAbs(path) {
		path = filepath.Join(s.dir, path)
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	return machine.Parse(path, data)
}

// assemble connects the chips and puts guard, keeper and law over them.
func (q *equipment) assemble(f *machine.File, buses machine.Buses, board plant.Board, s *settings) error {
	zones := f.Bare()
	u := f.Setup(zones)
	u.Board, u.Simulated, u.Speed = board.Title, q.drive != nil, q.speed
	u.Limits.Commission = s.Sim == nil || s.Sim.Commission
	known := false
	if u.Limits.Commission {
		// A result that cannot be read is told, and owed again, by who keeps it.
		if k, err := newCommissionFile(s.Data).Load(); err == nil && k != nil && k.Digest == f.Digest {
			known = takeMeasured(k, &u, zones)
		}
	}
	if !known {
		if err := guessLoops(f, board, zones); err != nil {
			return err
		}
	}
	c, missing := f.Connect(buses, q.clock)
	q.missing, u.Limits.Unfit = missing, missing != nil // the page comes up all the same
	g, err := safety.NewGuard(u.Limits)
	if err != nil {
		return err
	}
	k, err := station.NewKeeper(g, c.Lines)
	if err != nil {
		return err
	}
	l, err := bench.LawOn(bench.Parts{Scenario: catalog.Scenario{Law: s.Station.Law}, Machine: f.Machine, Board: board, Profile: q.profile}, zones, u.Ambient)
	if err != nil {
		return err
	}
	q.optional, q.screen = c.Optional, c.Screen
	q.setup, q.keeper, q.start, q.close, q.lanes = &u, k, c.Start, c.Close, c.Lanes
	q.options = station.Options{Setup: u, Hardware: c.Hardware, Keeper: k, Law: l, Proof: station.ProofConfig(&u, zones)}
	return nil
}

// takeMeasured puts what commissioning has measured into the guard's limits and over the estimates of the loops. What the wiring says of a
// zone, the highest duty above all, stays.
func takeMeasured(k *station.Commissioned, u *station.Setup, zones []control.Zone) bool {
	measured, ok := k.Zones(u)
	if !ok {
		return false
	}
	k.Guard(u)
	for i, m := range measured {
		z := &zones[i]
		z.Gain, z.Inertia, z.Kp, z.Ti = m.Gain, m.Inertia, m.Kp, m.Ti
	}
	return true
}

// guessLoops fills in the heaters' loops before anybody has measured them, by a step test on a simulated machine of the same
// description. It is good enough to be careful by; heat on a board waits for the real step test.
func guessLoops(f *machine.File, board plant.Board, zones []control.Zone) error {
	all, err := bench.Commission(f.Machine, board, unit.Celsius(f.Wiring.Room()))
	if err != nil {
		return err
	}
	for i, at := range f.Heaters() {
		z := &zones[i]
		z.Gain, z.Inertia, z.Kp = all[at].Gain, all[at].Inertia, all[at].Kp
	}
	return nil
}
