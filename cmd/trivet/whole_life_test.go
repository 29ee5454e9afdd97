package main

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"strings"
	"sync"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"

	"trivet/api"
	"trivet/control/learn"
	"trivet/sim/bench"
	"trivet/sim/catalog"
	"trivet/sim/fault"
	"trivet/station"
	"trivet/store"
)

// life is one life of the process, from the opening of the records to their closing. It is wired as serve wires it, apart from the machine's
// phase lanes, the network in memory and the fake clock.
type life struct {
	*world
	n       int
	until   time.Duration
	net     *fakeNet
	bench   *bench.Bench
	station *station.Station
	clerk   *station.Clerk
	spare   *store.Spare
	db      *store.DB
	server  *api.Server
	turn    chan struct{} // held by whoever asks the disk: behind it is a mutex, and nobody may wait for one while time stands still
	watch   watch
	faults  *fault.Timeline
	latest  station.Snapshot
	hang    *rand.Rand
	hangAt  time.Duration
	began   time.Duration // when the last tick did, at the latest
}

func (w *world) life(n int, lasts time.Duration, last bool) {
	w.wait(laneWorld)
	l := &life{world: w, n: n, until: w.now() + lasts, net: newFakeNet(w.virtualTime), turn: make(chan struct{}, 1), hang: w.draws(drawHang + uint64(n)<<32)}
	log := zap.New(&alarmCore{w.trace})
	run, mind, owed, deeds := l.assemble(log)

	ctx, end := context.WithCancel(context.Background())
	var side sync.WaitGroup
	w.wait(laneWatch)
	side.Go(func() { l.spare.Watch(ctx) })
	side.Go(func() { deeds.run(ctx) })
	side.Go(func() { owed.Run(ctx) })
	side.Go(func() { mind.run(ctx) })
	mainCtx, endMain := context.WithCancel(ctx)
	ended := make(chan error, 1)
	w.wait(laneFlush)
	clerkCtx, endClerk := context.WithCancel(ctx)
	clerkDone := make(chan struct{})
	go func() { l.clerk.Run(clerkCtx); close(clerkDone) }()
	w.wait(laneLoop)
	go func() { ended <- run(mainCtx) }()
	served := make(chan error, 1)
	go func() { served <- l.server.Serve(mainCtx, l.net) }()

	var people, viewers sync.WaitGroup
	l.populate(mainCtx, &people, &viewers)
	people.Wait() // they go home a few seconds before the end
	w.wait(laneWorld)
	time.Sleep(l.until - w.now())
	w.wait(laneWorld)
	endMain()
	if err := errors.Join(<-served, <-ended); err != nil {
		w.trace.violated("life %d: %v", n, err)
	}
	viewers.Wait()
	endClerk()
	<-clerkDone
	w.wait(laneWatch)
	end()
	side.Wait()
	if last {
		l.disk.Disarm()
	}
	if err := l.spare.Close(context.Background()); err != nil {
		w.trace.count("life ended with a disk that owes")
	}
	if last {
		l.readBack()
	}
	if err := l.db.Close(); err != nil && last {
		w.trace.violated("close the records: %v", err)
	}
	l.disk.Disarm()
	time.Sleep(3 * time.Second) // whatever is late has come
}

// assemble wires one life together.
func (l *life) assemble(log *zap.Logger) (run func(context.Context) error, mind *thinker, owed *station.Trips, deeds *auditor) {
	fatal := func(err error) {
		if err != nil {
			l.t.Fatal(err)
		}
	}
	parts, err := loadParts(catalog.Scenario{Name: "whole", Machine: l.machine, Board: l.board, Profile: "removal-heavy-lead-free", Seed: int64(l.seed)<<1 | int64(l.n),
		AmbientC: 25, Law: l.law}, ".")
	fatal(err)
	l.bench, err = bench.Assemble(parts, 1)
	fatal(err)
	l.db, err = store.Open(context.Background(), l.dir)
	fatal(err)
	for _, r := range l.db.Recovered() {
		l.trace.count("runs found open after a restart")
		if r.End.State != station.Aborted || r.End.Code != "power_lost" {
			l.trace.violated("life %d: run %d, found open, was closed as %s %s", l.n, r.Head.ID, r.End.State, r.End.Code)
		}
	}
	kept := func(err error) {
		l.trace.stream("disk").addf("%v kept %v", l.now(), err == nil)
		l.trace.count(fmt.Sprintf("record kept: %v", err == nil))
		if l.station != nil {
			l.station.SetRecording(err == nil)
		}
	}
	l.spare, err = store.NewSpare(context.Background(), l.db, kept)
	fatal(err)
	u := l.bench.Setup
	boot := fmt.Sprintf("life%d", l.n)
	clerkSide, auditSide := shelf{l, laneClerk}, shelf{l, laneAuditor}
	l.clerk = station.NewClerk(u, clerkSide, func(o *station.RunOrder) station.RunHead {
		h := headOf(o, u, boot)
		h.BegunUTC = l.label().UTC()
		return h
	}, kept)
	l.clerk.SetWallClock(l.label)
	school := &lessons{kept: clerkSide, log: log}
	l.clerk.OnLesson(func(ctx context.Context, run int64, _ *station.RunOrder, got *learn.Lesson) (string, string) {
		return school.taught(ctx, u, run, got)
	})
	o := l.bench.Options()
	owed = rememberTrips(l.dir, u, l.bench.Keeper, log)
	o.Publish = func(s *station.Snapshot) { owed.Note(s); l.clerk.Publish(s); l.ticked(s) }
	mind = newThinker(o.Law)
	l.faults = fault.NewTimeline(l.draw())
	l.traceLines()
	runner := station.Runner{Before: l.before, After: mind.after, Speed: 1}
	l.station, run, err = runner.Build(o, l.bench.Keeper)
	fatal(err)
	mind.tell = l.station.SetAhead
	deeds = newAuditor(auditSide, l.clerk, log)
	l.server, err = api.New(api.Options{
		Station: &slowDesk{desk{l.station, l.clerk, school}, l}, Live: l.clerk, Archive: l.spare, Profiles: profiles{standard: parts.Profile.Name},
		Version: "test", BootID: boot, Log: log, Now: l.label, Pairings: newPairingsFile(l.dir, log), Audit: deeds.note,
		Lessons: func(ctx context.Context) int { return len(school.book(ctx, pairingOf(u)).Lessons) },
	})
	fatal(err)
	return run, mind, owed, deeds
}

// alarmCore is a log in which only what must not happen is heard.
type alarmCore struct{ *trace }

func (c *alarmCore) Enabled(l zapcore.Level) bool      { return l >= zapcore.ErrorLevel }
func (c *alarmCore) With([]zapcore.Field) zapcore.Core { return c }
func (c *alarmCore) Sync() error                       { return nil }
func (c *alarmCore) Check(e zapcore.Entry, to *zapcore.CheckedEntry) *zapcore.CheckedEntry {
	if c.Enabled(e.Level) {
		return to.AddCore(e, c)
	}
	return to
}

func (c *alarmCore) Write(e zapcore.Entry, fields []zapcore.Field) error {
	c.count("log: " + e.Message)
	if strings.Contains(e.Message, "handler failed") || strings.Contains(e.Message, "panic") {
		c.violated("log: %s %v", e.Message, fields)
	}
	return nil
}

// shelf is the record as one of the two who write sees it, in that one's lane.
type shelf struct {
	l    *life
	lane lane
}

// take waits for the turn and the lane; the caller gives the turn back.
func (s shelf) take() func() {
	s.l.turn <- struct{}{}
	s.l.wait(s.lane)
	return func() { <-s.l.turn }
}

func (s shelf) Begin(ctx context.Context, h station.RunHead) (int64, error) {
	defer s.take()()
	return s.l.spare.Begin(ctx, h)
}

func (s shelf) Append(ctx context.Context, id int64, rows []station.Sample) error {
	defer s.take()()
	return s.l.spare.Append(ctx, id, rows)
}

func (s shelf) Event(ctx context.Context, id int64, e station.RunEvent) error {
	defer s.take()()
	return s.l.spare.Event(ctx, id, e)
}

func (s shelf) End(ctx context.Context, id int64, e station.RunEnd) error {
	defer s.take()()
	return s.l.spare.End(ctx, id, e)
}

func (s shelf) Lessons(ctx context.Context, pairing string) ([]station.Lesson, error) {
	return s.l.spare.Lessons(ctx, pairing)
}

func (s shelf) SetLessons(ctx context.Context, pairing string, list []station.Lesson) error {
	defer s.take()()
	return s.l.spare.SetLessons(ctx, pairing, list)
}

func (s shelf) onDisk() bool { return !s.l.spare.Failing() }

// slowDesk carries a command and brings the answer back in a lane of its own: what the loop and the person do next is not at one moment.
type slowDesk struct {
	desk
	l *life
}

func (d *slowDesk) Do(ctx context.Context, c station.Command) error {
	d.l.watch.asks(&c, +1)
	defer d.l.watch.asks(&c, -1)
	err := d.desk.Do(ctx, c)
	d.l.wait(laneDesk)
	return err
}
