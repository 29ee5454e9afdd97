package main

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"net"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"

	"trivet/api"
	"trivet/control/learn"
	"trivet/process"
	"trivet/sim/bench"
	"trivet/sim/catalog"
	"trivet/station"
	"trivet/store"
)

type serveCmd struct {
	Config string  `help:"Configuration file (TOML)." type:"path"`
	Sim    bool    `help:"A complete simulated machine with a board on it; needs no configuration."`
	Speed  float64 `help:"With a simulated machine: how many times real time, 1 to 100." default:"0"`
	Data   string  `help:"Directory for the records." type:"path"`
	Listen string  `help:"Address to listen on."`

	Look     string `help:"Who may look without being paired: nearby (this computer and private networks, the default), paired (nobody) or everybody."`
	Realtime bool   `help:"Ask the system for real-time priority and locked memory. Without them, lateness under load is larger." default:"true" negatable:""`

	TLSCert string `name:"tls-cert" help:"Certificate chain for HTTPS (PEM), with --tls-key." type:"path"`
	TLSKey  string `name:"tls-key" help:"Its private key (PEM)." type:"path"`
}

// Run serves until it is told to end. Heat is off on every way out.
func (c *serveCmd) Run(e *env) error {
	conf, err := c.settings()
	if err != nil {
		return err
	}
	log, err := newLog(e.errOut)
	if err != nil {
		return err
	}
	defer log.Sync() //nolint:errcheck // standard error cannot be synced everywhere

	ln, err := net.Listen("tcp", conf.Listen)
	if err != nil {
		return fmt.Errorf("cannot listen on %s: %w", conf.Listen, err)
	}
	defer ln.Close()
	addr := ln.Addr()
	ln, scheme, err := conf.Access.secured(ln)
	if err != nil {
		return err
	}
	if exposed(addr, scheme) {
		log.Warn("the page is reached over a network without encryption: whoever is on that network can read along, and pairings can be stolen; give a certificate with --tls-cert and --tls-key, or keep the network to yourself")
	}

	if few := tooFewFiles(conf.Limits.wanted()); few != "" {
		log.Warn(few)
	}

	q, err := conf.equip()
	if err != nil {
		return err
	}
	tuneRuntime()
	rt := newRealtime(!c.Realtime || q.speed > 2, log) // a simulated machine that hurries would take the computer for itself
	life, endLife, clean := newLifeline(log), func(bool) {}, false
	defer func() { endLife(clean) }() // behind the lines: a watchdog is disarmed when heat is off
	busCtx, endBuses := context.WithCancel(context.WithoutCancel(e.ctx))
	defer func() {
		endBuses() // behind the loop: the last command, off, has been written
		if err := q.close(); err != nil {
			clean = false
			log.Error("give lines and buses back", zap.Error(err))
		}
	}()
	if q.missing != nil {
		log.Error("part of the machine could not be connected; the page is up and heat is locked", zap.Error(q.missing))
	}
	if q.optional != nil {
		log.Warn("something at the machine could not be connected; heat does not depend on it", zap.Error(q.optional))
	}
	q.start(busCtx)
	var built atomic.Pointer[station.Station]
	kept := func(err error) {
		if err != nil {
			log.Error("the disk does not take the record; it goes on in memory, and no new run may start", zap.Error(err))
		} else {
			log.Info("the record is kept again, with what was owed to the disk")
		}
		if st := built.Load(); st != nil {
			st.SetRecording(err == nil)
		}
	}
	rec, closeRec := openRecords(e.ctx, conf.Data, log, kept)
	defer closeRec()

	bootID := newBootID()
	clerk := station.NewClerk(q.setup, rec, func(o *station.RunOrder) station.RunHead {
		return headOf(o, q.setup, bootID)
	}, kept)
	school := &lessons{kept: rec, log: log}
	clerk.OnLesson(func(ctx context.Context, run int64, _ *station.RunOrder, l *learn.Lesson) (string, string) {
		return school.taught(ctx, q.setup, run, l)
	})
	o := q.options
	owed := rememberTrips(conf.Data, q.setup, q.keeper, log)
	proven := keepCommissioning(conf.Data, q.setup, q.name, q.digest, &built, log)
	o.Publish = func(s *station.Snapshot) { owed.Note(s); proven.Note(s); clerk.Publish(s); ticked(s); life.note(s) }
	mind := newThinker(o.Law)
	if q.speed <= 2 { // where time is counted fast, a child of low priority would come too late
		mind.elsewhere(newBrain(log))
	}
	runner := station.Runner{Before: q.before(), After: mind.after, Speed: q.speed, Start: q.began, NewPace: rt.pace(), Threads: rt.thread,
		Measure: func(late, took time.Duration) { rt.measure(late, took); life.ticked(late, took) }}
	st, run, err := runner.Build(o, q.keeper)
	if err != nil {
		return err
	}
	built.Store(st)
	st.SetCommissioned(proven.Standing())
	mind.tell = st.SetAhead
	if q.drive != nil {
		q.drive.latest = clerk.Latest
	}
	if rec.broken {
		st.SetRecording(false)
	}
	deeds := newAuditor(rec, clerk, log)
	shown := false // the first code is printed below, behind the address
	srv, err := api.New(api.Options{
		Station: desk{st, clerk, school}, Live: clerk, Archive: rec, Profiles: profiles{standard: q.profile.Name},
		Hosts: conf.Hosts, Limits: conf.Limits.wanted(), Version: version, BootID: bootID, Log: log,
		Collectors: []prometheus.Collector{rt, laneMetrics{q.lanes, q.clock}}, Advice: rt.advice,
		Looking: api.Looking(conf.Access.Look), Pairings: newPairingsFile(conf.Data, log), Audit: deeds.note, Commissioning: proven, Jobs: rec.jobs, Report: rec.report,
		Lessons: func(ctx context.Context) int { return len(school.book(ctx, pairingOf(q.setup)).Lessons) },
		ShowCode: func(code string) {
			if shown {
				fmt.Fprintf(e.out, "Pairing code: %s\n", code)
			}
		},
	})
	if err != nil {
		return err
	}
	fmt.Fprintf(e.out, "Trivet is at %s://%s/ — %s. Stop with Ctrl-C.\nPairing code: %s\n", scheme, addr, q.title, srv.PairingCode())
	shown = true
	defer beside(e.ctx, deeds.run)() // ends before the records are closed
	defer beside(e.ctx, owed.Run)()
	defer beside(e.ctx, proven.Run)()
	if q.screen != nil {
		go show(busCtx, q.screen, clerk, q.setup)
	}
	thinkCtx, endThinking := context.WithCancel(context.WithoutCancel(e.ctx))
	defer endThinking()
	go mind.run(thinkCtx)
	pen := jobKeeper{jobs: rec.jobs, latest: clerk.Latest, judged: clerk.Verdict, log: log}
	defer beside(e.ctx, pen.run)()
	if endLife, err = life.start(e.ctx, conf.Watchdog); err != nil {
		return err
	}
	err = together(e.ctx, run, clerk, func(ctx context.Context) error { return srv.Serve(ctx, ln) })
	clean = err == nil
	return err
}

// assembled is told about the simulated machine before anything runs on it, ticked about each tick at its end and in its goroutine.
// Both do nothing in the program; tests and the build with the tag deadlock_hook (serve_hook.go) put something else there.
var (
	assembled = func(*bench.Bench) {}
	ticked    = func(*station.Snapshot) {}
)

// beside runs a part in a goroutine of its own that outlives ctx, and returns how to end it and wait for it.
func beside(ctx context.Context, run func(context.Context)) (end func()) {
	own, cancel := context.WithCancel(context.WithoutCancel(ctx))
	done := make(chan struct{})
	go func() { run(own); close(done) }()
	return func() { cancel(); <-done }
}

// together runs the parts until one fails or ctx ends, and always in this order of ending: requests, heat, record.
func together(ctx context.Context, run func(context.Context) error, clerk *station.Clerk, serve func(context.Context) error) error {
	ctx, end := context.WithCancel(ctx)
	defer end()
	clerkCtx, endClerk := context.WithCancel(context.WithoutCancel(ctx))
	clerkDone, loopDone, served := make(chan struct{}), make(chan error, 1), make(chan error, 1)
	go func() { clerk.Run(clerkCtx); close(clerkDone) }()
	go func() { loopDone <- run(ctx); end() }()
	go func() { served <- serve(ctx); end() }()
	<-ctx.Done()
	err := errors.Join(<-served, <-loopDone)
	endClerk()
	<-clerkDone
	return err
}

// desk is the station as the API sees it: commands go to the tick, looking goes to the clerk.
type desk struct {
	*station.Station
	clerk  *station.Clerk
	school *lessons
}

// Do hands over a command; a start takes along what earlier boards of the type have taught.
func (d desk) Do(ctx context.Context, c station.Command) error {
	if c.Event == station.Start && c.Order != nil {
		d.school.prepare(ctx, d.Setup(), c.Order)
	}
	return d.Station.Do(ctx, c)
}

// Latest copies the newest snapshot.
func (d desk) Latest(dst *station.Snapshot) { d.clerk.Latest(dst) }

// records is where runs are kept: on disk, or in memory when the disk fails.
type records struct {
	station.Recorder
	station.Archive
	lessonKeeper
	jobs   station.Jobs // nil when there is no disk
	broken bool
}

// openRecords opens the database. When that fails the page still comes up, with the reason, and no run may start.
// A disk that fails later is told to report; what it lacks is kept in memory until it works again.
func openRecords(ctx context.Context, dir string, log *zap.Logger, report func(error)) (records, func()) {
	db, err := store.Open(ctx, dir)
	if err != nil {
		log.Error("records cannot be kept, so no run may start; the page is up", zap.Error(err))
		m := store.NewMemory()
		return records{m, m, m, nil, true}, func() {}
	}
	for _, n := range db.Notices() {
		log.Warn(n)
	}
	for _, r := range db.Recovered() {
		log.Warn("a run was interrupted and is now aborted; nothing resumes by itself",
			zap.Int64("run", r.Head.ID), zap.Float64("last_sample_s", r.LastAt.Seconds()))
	}
	spare, err := store.NewSpare(ctx, db, report)
	if err != nil {
		log.Error("no memory could be put behind the disk; a run whose record fails is lost", zap.Error(err))
		return records{db, db, db, db, false}, func() { closeRecords(log, db.Close) }
	}
	watching, endWatch := context.WithCancel(context.WithoutCancel(ctx))
	go spare.Watch(watching)
	return records{spare, spare, spare, db, false}, func() {
		endWatch()
		last, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second) // a stalled disk must not keep the process
		defer cancel()
		closeRecords(log, func() error { return errors.Join(spare.Close(last), db.Close()) })
	}
}

func closeRecords(log *zap.Logger, end func() error) {
	if err := end(); err != nil {
		log.Error("close records", zap.Error(err))
	}
}

func headOf(o *station.RunOrder, u *station.Setup, bootID string) station.RunHead {
	return station.RunHead{
		BootID: bootID, BegunUTC: time.Now().UTC(), Kind: o.Kind, Profile: o.Profile.Title, ProfileTOML: catalog.ProfileTOML(o.Profile),
		Board: o.Board, Part: o.Part, Serial: o.Serial, By: o.By, Station: u.Name, Simulated: u.Simulated, Software: version,
	}
}

func newBootID() string {
	var b [6]byte
	if _, err := rand.Read(b[:]); err != nil {
		return fmt.Sprintf("t%x", time.Now().UnixNano())
	}
	return hex.EncodeToString(b[:])
}

func newLog(w interface{ Write([]byte) (int, error) }) (*zap.Logger, error) {
	enc := zap.NewProductionEncoderConfig()
	enc.EncodeTime = zapcore.ISO8601TimeEncoder
	return zap.New(zapcore.NewCore(zapcore.NewJSONEncoder(enc), zapcore.AddSync(w), zap.InfoLevel)), nil
}

// profiles is the catalogue as the API sees it.
type profiles struct{ standard string }

// List describes every profile that can be run.
func (p profiles) List() []api.ProfileInfo {
	var out []api.ProfileInfo
	for _, n := range catalog.Profiles() {
		if f, err := catalog.Profile(n); err == nil {
			out = append(out, api.ProfileInfo{Name: n, Profile: f, Default: n == p.standard})
		}
	}
	return out
}

// ByName returns one profile.
func (p profiles) ByName(name string) (process.Profile, error) { return catalog.Profile(name) }
