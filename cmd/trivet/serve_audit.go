package main

import (
	"context"
	"fmt"
	"sync"
	"time"

	"go.uber.org/zap"

	"trivet/api"
	"trivet/station"
)

// auditor writes deeds into the record: those in a run with the run, all others with the station (run 0). It has a goroutine of its
// own, because no command waits for a disk; its answer does, for a second at most, and says what it waited for.
type auditor struct {
	rec   station.Recorder
	live  *station.Clerk
	log   *zap.Logger
	deeds chan waiting
	began time.Time

	mu      sync.Mutex
	started time.Time // when the last start was accepted
	before  int       // runs begun until then
}

// waiting is a deed on its way to the record, with the run there was when it was done.
type waiting struct {
	api.Deed
	run  int64 // 0 between runs
	runs int   // begun so far
	next bool  // it belongs to the run that begins now
	at   time.Duration

	receipt *api.Receipt
}

const (
	mostDeeds = 256             // waiting for the disk
	runBegins = 2 * time.Second // from an accepted start to its record; it takes one tick
)

func newAuditor(rec station.Recorder, live *station.Clerk, log *zap.Logger) *auditor {
	return &auditor{rec: rec, live: live, log: log, deeds: make(chan waiting, mostDeeds), began: time.Now()}
}

// note takes a deed and returns at once. With the disk so slow that hundreds wait, the deed is in the log only. The receipt is settled when
// the disk has it, or when it is known that it has not.
func (a *auditor) note(d api.Deed) *api.Receipt {
	w := waiting{Deed: d, at: time.Since(a.began), receipt: api.NewReceipt()}
	var snap station.Snapshot
	a.live.Latest(&snap)
	id, runs, _ := a.live.Present()
	// A start that was accepted a moment ago may have no record yet; it and what comes right behind it belong to the run that begins.
	// With a live run in sight there is nothing to wait for: a start is accepted only when there was none.
	a.mu.Lock()
	if d.Start {
		a.started, a.before = time.Now(), runs
	}
	w.runs = a.before
	w.next = !snap.State.Live() && runs == a.before && !a.started.IsZero() && time.Since(a.started) < runBegins
	a.mu.Unlock()
	if snap.State.Live() {
		w.run, w.at = id, snap.At-snap.Run.Begun
	}
	select {
	case a.deeds <- w:
	default:
		w.receipt.Settle(false)
		a.log.Error("a deed is not in the record, only here", zap.String("code", d.Code), zap.String("who", d.Who), zap.String("source", d.Source))
	}
	return w.receipt
}

// onDisk reports whether what was recorded without an error has reached the disk. Memory behind a disk takes everything and owes it; a
// record of which nothing is known is taken for a disk.
func (r records) onDisk() bool {
	s, ok := r.Recorder.(interface{ Failing() bool })
	return !r.broken && !(ok && s.Failing())
}

// run writes until ctx ends, then whatever is left.
func (a *auditor) run(ctx context.Context) {
	for {
		select {
		case w := <-a.deeds:
			a.write(ctx, w)
		case <-ctx.Done():
			for {
				select {
				case w := <-a.deeds:
					a.write(ctx, w)
				default:
					return
				}
			}
		}
	}
}

func (a *auditor) write(ctx context.Context, w waiting) {
	if w.next {
		if w.run = a.begun(ctx, w.runs); w.run != 0 {
			w.at = 0
		}
	}
	text := w.Text
	if w.Role != "" {
		text += fmt.Sprintf(" (%s, pairing %s, from %s)", w.Role, w.Pairing, w.Source)
	} else if w.Source != "" {
		text += fmt.Sprintf(" (not paired, from %s)", w.Source)
	}
	e := station.RunEvent{At: max(w.at, 0), UTC: w.At, Code: w.Code, Text: text, By: w.Who}
	err := a.rec.Event(context.WithoutCancel(ctx), w.run, e)
	disk, knows := a.rec.(interface{ onDisk() bool })
	w.receipt.Settle(err == nil && (!knows || disk.onDisk()))
	if err != nil {
		a.log.Error("keep a deed", zap.String("code", w.Code), zap.String("who", w.Who), zap.Error(err))
	}
}

// begun waits for a run after the first n of them and returns its number, 0 when none begins.
func (a *auditor) begun(ctx context.Context, n int) int64 {
	end := time.Now().Add(runBegins)
	for time.Now().Before(end) && ctx.Err() == nil {
		if id, runs, _ := a.live.Present(); runs > n {
			return id
		}
		time.Sleep(20 * time.Millisecond)
	}
	return 0
}
