package main

import (
	"time"

	"trivet/sim/bench"
	"trivet/sim/fault"
	"trivet/station"
)

// simDriver lets a simulated machine run beside the station on real time, and breaks on it what the configuration asks for.
type simDriver struct {
	b      *bench.Bench
	faults *fault.Timeline
	latest func(*station.Snapshot)
	snap   station.Snapshot
}

func newSimDriver(b *bench.Bench, fs []fault.Fault) *simDriver {
	return &simDriver{b: b, faults: fault.NewTimeline(fs)}
}

// before is called by the control goroutine before each tick.
func (d *simDriver) before(now time.Duration) {
	d.b.Rig.Advance(now)
	if d.latest == nil {
		return
	}
	d.latest(&d.snap) // simulation only: a real machine's tick shares no lock with anybody
	m := fault.Moment{SinceStart: -1, Joint: float64(d.b.Rig.Plant.Truth().ColdestJoint), Phase: string(d.snap.Phase)}
	if d.snap.State.Live() {
		m.SinceStart = now - d.snap.Run.Begun
	}
	d.faults.Step(now, m, func(_ int, f *fault.Fault, on bool) {
		_ = d.b.Rig.Apply(*f, on) // its target was checked before the station was built
	})
}
