package main

import (
	"context"
	"syscall"
	"time"

	"periph.io/x/conn/v3/gpio"

	"trivet/sim/chip"
	"trivet/sim/fault"
	"trivet/station"
	"trivet/store/iofault"
)

// before is what happens to the machine before a tick: time, faults, and now and then a computer that is late.
func (l *life) before(now time.Duration) {
	if at := l.now(); at == l.began { // a tick that was late is followed at once, and others must have had time to see it
		time.Sleep(laneCycle)
	}
	defer func() { l.began = l.now() }()
	if l.hangAt == 0 {
		l.hangAt = time.Duration(5+l.hang.IntN(60)) * time.Second
	}
	if now >= l.hangAt && !l.calm {
		l.hangAt = now + time.Duration(2+l.hang.IntN(90))*time.Second
		// None of them makes the silence of the keeper, 300 ms, end at the moment of a tick.
		late := []time.Duration{40, 130, 170, 260}[l.hang.IntN(4)] * time.Millisecond
		if l.hang.IntN(8) == 0 {
			late = []time.Duration{350, 430, 620}[l.hang.IntN(3)] * time.Millisecond
		}
		l.trace.count("loop late")
		time.Sleep(late)
	}
	l.bench.Rig.Advance(now)
	l.clerk.Latest(&l.latest)
	m := fault.Moment{SinceStart: -1, Joint: float64(l.bench.Rig.Plant.Truth().ColdestJoint), Phase: string(l.latest.Phase)}
	switch {
	case l.latest.State.Live():
		m.SinceStart = now - l.latest.Run.Begun
	case l.latest.State == station.Idle:
		m.Phase = "idle"
	}
	l.faults.Step(now, m, func(i int, f *fault.Fault, on bool) {
		if l.bench.Rig.Apply(*f, on) == nil {
			l.trace.count("machine faults")
			l.trace.stream("control").addf("%v fault %d %s %s %v", now, i, f.Kind, f.Target, on)
		}
	})
}

// draw picks what goes wrong with the machine in this life: rows of the fault table, at their own moments or at any.
func (l *life) draw() (list []fault.Fault) {
	r := l.draws(drawFaults + uint64(l.n)<<32)
	cases := fault.Cases()
	if l.calm {
		return nil
	}
	for range []int{0, 1, 1, 2, 3}[r.IntN(5)] {
		c := cases[r.IntN(len(cases))]
		if c.Shown != "" {
			continue
		}
		f := c.Fault
		if phases := fault.Phases(); r.IntN(2) == 0 {
			if at, err := c.At(phases[r.IntN(len(phases))], r.Float64(), 217); err == nil {
				f = at
			}
		} else {
			at := r.Float64() * 90
			f.AtS = &at
		}
		if r.IntN(2) == 0 {
			lasts := 0.1 + r.Float64()*20
			f.ForS = &lasts
		}
		list = append(list, f)
	}
	return list
}

// traceLines puts every change of every output into the trace, beside whoever listens already.
func (l *life) traceLines() {
	r := l.bench.Rig
	tape := l.trace.stream("control")
	for _, pins := range [][]*chip.Pin{r.Relays, r.Blowers, {r.Enable, r.Heartbeat}} {
		for _, p := range pins {
			name, first := p.Name(), p.OnChange
			p.OnChange = func(level gpio.Level) {
				if first != nil {
					first(level)
				}
				tape.addf("%v after tick %d: %s %v", l.now(), l.watch.seq.Load(), name, level)
			}
		}
	}
}

// breakDisk lets the disk fail, fill up or come late, and mends it again.
func (l *life) breakDisk(ctx context.Context) {
	r := l.draws(drawDisk + uint64(l.n)<<32)
	if r.IntN(3) == 0 {
		return
	}
	for {
		l.wait(laneDisk)
		if !asleep(ctx, time.Duration(1+r.IntN(60))*time.Second) || l.now() > l.until-8*time.Second {
			return
		}
		rule := iofault.Rule{N: 1 + r.IntN(12), Ever: r.IntN(2) == 0, Torn: r.IntN(4) == 0, Errno: []syscall.Errno{syscall.EIO, syscall.ENOSPC, syscall.EROFS, 0}[r.IntN(4)]}
		switch r.IntN(3) {
		case 0:
			rule.Files = []string{"state.db-wal", "samples.db-wal", ".db"}[r.IntN(3)]
		case 1:
			rule.Only = []iofault.Op{iofault.Sync}
		}
		if rule.Errno == 0 {
			rule.Ever, rule.Only, rule.Delay = false, []iofault.Op{iofault.Write, iofault.Sync}, []time.Duration{200, 1500, 2500}[r.IntN(3)]*time.Millisecond
		}
		lasts := time.Duration(1+r.IntN(15)) * time.Second
		l.disk.Arm(rule)
		if !asleep(ctx, lasts) {
			return
		}
		if n, _ := l.disk.Hits(); n > 0 {
			l.trace.count("disk faults")
		}
		l.trace.stream("disk").addf("%v %+v", l.now(), rule)
		l.disk.Disarm()
	}
}

// putWallClock puts the clock on the wall, by a second or by half a century. Where that is not wanted it draws all the same, so that nothing
// else differs.
func (l *life) putWallClock(ctx context.Context) {
	r := l.draws(drawWall + uint64(l.n)<<32)
	steps := []time.Duration{time.Second, time.Minute, time.Hour, 24 * time.Hour, 365 * 24 * time.Hour, 50 * 365 * 24 * time.Hour}
	for {
		l.wait(laneWall)
		if !asleep(ctx, time.Duration(200+r.IntN(30_000)/10*10)*time.Millisecond) {
			return
		}
		by := steps[r.IntN(len(steps))]
		if r.IntN(2) == 0 {
			by = -by
		}
		if l.steps {
			l.step.Store(int64(by))
			l.trace.count("clock put")
		}
	}
}

// asleep waits and reports whether ctx still goes on.
func asleep(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return true
	case <-ctx.Done():
		return false
	}
}
