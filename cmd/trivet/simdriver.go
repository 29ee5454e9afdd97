package main

import (
	"time"

	"trivet/sim/fault"
	"trivet/sim/rig"
	"trivet/station"
)

// simDriver lets a simulated machine run beside the station on real time, and breaks on it what the configuration asks for.
type simDriver struct {
	r      *rig.Rig
	faults *fault.Timeline
	latest func(*station.Snapshot)
	snap   station.Snapshot
}

func newSimDriver(r *rig.Rig, fs []fault.Fault) *simDriver {
	return &simDriver{r: r, faults: fault.NewTimeline(fs)}
}

// before is called by the control goroutine before each tick.
func (d *simDriver) before(now time.Duration) {
	d.r.Advance(now)
	if d.latest == nil {
		return
	}
	d.latest(&d.snap) // simulation only: a real machine's tick shares no lock with anybody
	m := fault.Moment{SinceStart: -1, Joint: float64(d.r.Plant.Truth().ColdestJoint), Phase: string(d.snap.Phase)}
	if d.snap.State.Live() {
		m.SinceStart = now - d.snap.Run.Begun
	}
	d.faults.Step(now, m, func(_ int, f *fault.Fault, on bool) {
		_ = d.r.Apply(*f, on) // its target was checked before the station was built
	})
}
