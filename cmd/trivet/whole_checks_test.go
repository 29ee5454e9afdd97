package main

import (
	"context"
	"fmt"
	"sync"
	"sync/atomic"

	"trivet/safety"
	"trivet/station"
)

// watch holds what must be true in every tick.
type watch struct {
	seq     atomic.Uint64
	mu      sync.Mutex
	starts  map[*station.RunOrder]int // starts on their way
	restart int                       // restarts on their way
	over    map[*station.RunOrder]bool
	last    station.Snapshot
	hash    *valueHash
}

func (w *watch) asks(c *station.Command, n int) {
	w.mu.Lock()
	defer w.mu.Unlock()
	switch c.Event {
	case station.Start:
		if w.starts == nil {
			w.starts = map[*station.RunOrder]int{}
		}
		w.starts[c.Order] += n
	case station.Restart:
		w.restart += n
	}
}

// ticked looks at the machine's lines and the snapshot at the end of each tick.
func (l *life) ticked(s *station.Snapshot) {
	w := &l.watch
	w.seq.Store(s.Seq)
	if w.hash == nil {
		w.hash, w.over = newValueHash(true), map[*station.RunOrder]bool{}
	}
	l.trace.stream("snapshots").addf("%d %v %s %s %s", s.Seq, s.At, s.State, s.Phase, w.hash.sum(s))
	l.trace.count("ticks")
	bad := func(format string, args ...any) {
		l.trace.violated("life %d, tick %d (%s %s): "+format, append([]any{l.n, s.Seq, s.State, s.Phase}, args...)...)
	}
	r := l.bench.Rig
	lit := bool(r.Enable.Level())
	for i, p := range r.Relays {
		if p.Level() {
			lit = true
			if !s.Heaters[i].On {
				bad("relay %s is on, and the snapshot says that it is off", p.Name())
			}
		}
	}
	if lit {
		l.trace.count("ticks with heat")
	}
	if lit && !s.State.Heats() {
		bad("heat in a state without heat")
	}
	if lit && (s.Verdict.Tripped || w.last.Verdict.Tripped && w.last.Seq+1 == s.Seq && s.Run.Order == w.last.Run.Order) {
		bad("heat although the guard has tripped")
	}
	if s.Verdict.Tripped && !w.last.Verdict.Tripped {
		l.trace.count("trips")
		l.trace.count("first out: " + safety.Rows()[s.Alarms[0].Row].Code)
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	o := s.Run.Order
	if s.State.Live() && (!w.last.State.Live() || o != w.last.Run.Order) {
		l.trace.count("runs")
		if w.starts[o] <= 0 || w.over[o] {
			bad("a run began that nobody has just started")
		}
	}
	held := w.last.State == station.Holding || w.last.State == station.Held
	if held && (s.State == station.Restarting || s.State == station.Running) && w.restart <= 0 { // restarting may be over within the tick
		bad("heat came back that nobody has asked for")
	}
	if w.last.State.Live() && !s.State.Live() {
		w.over[w.last.Run.Order] = true
		l.trace.count("ended: " + s.Ended.Code)
	}
	if s.State != w.last.State {
		l.trace.count("state " + string(s.State))
	}
	w.last = *s
}

// readBack puts into the trace what is on the disk at the end, and checks it: rows dense, chains whole, and every deed there of which an
// answer said that it was on record.
func (l *life) readBack() {
	ctx := context.Background()
	tape := l.trace.stream("records")
	runs, err := l.db.Runs(ctx, 1000)
	if err != nil {
		l.trace.violated("list the runs: %v", err)
		return
	}
	deeds := map[string]int{}
	events := func(id int64) {
		list, err := l.db.Events(ctx, id)
		if err != nil {
			l.trace.violated("events of run %d: %v", id, err)
		}
		for _, e := range list {
			if deedOnRecord(e) {
				deeds[e.By]++
			}
			tape.addf(`run %d %v %s %q %s {"at_utc":"%s"}`, id, e.At, e.Code, e.Text, e.By, e.UTC)
		}
	}
	events(0)
	for i := range runs {
		l.readRun(ctx, &runs[i], tape)
		events(runs[i].Head.ID)
	}
	for name, n := range l.onDisk {
		if deeds[name] < n {
			l.trace.violated("%d deeds of %s were answered to be on record, and %d are there", n, name, deeds[name])
		}
	}
}

func (l *life) readRun(ctx context.Context, r *station.RunRecord, tape *stream) {
	id := r.Head.ID
	p, err := l.db.Verify(ctx, id)
	if err != nil || !p.OK() {
		l.trace.violated("the chain of run %d: %v %v", id, err, p.Faults)
	}
	tape.addf(`run %d: %d chunks, %d events, open %v {"seal_utc":"%s","labels_utc":"%s"} %s`, id, p.Chunks, p.Events, p.Open, p.Seal, newValueHash(true).sum(r), newValueHash(false).sum(r))
	_, rows, err := l.db.Samples(ctx, id)
	if err != nil {
		l.trace.violated("samples of run %d: %v", id, err)
	}
	h := newValueHash(true)
	for i := range rows {
		if rows[i].Seq != uint64(i) {
			l.trace.violated("run %d: row %d has the number %d", id, i, rows[i].Seq)
			break
		}
		tape.add([]byte(fmt.Sprint(rows[i].At, h.sum(&rows[i]))))
	}
	l.trace.count("runs read back")
	if r.End.State == "" && l.n == len(l.lives)-1 {
		l.trace.count("runs still open at the end")
	}
}
