package station

import (
	"context"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"trivet/control/learn"
	"trivet/process"
	"trivet/safety"
)

// Clerk writes down what the station does. It takes snapshots from the tick without making it wait, keeps the present
// run in memory for the page, sends rows to the recorder twice a second, notes what changed, and judges the
// run when it has ended. Nothing is written while the station is idle.
type Clerk struct {
	setup  *Setup
	rec    Recorder
	head   func(*RunOrder) RunHead
	report func(error) // told when the record fails or recovers; may be nil
	taught Taught
	chans  []Channel
	alarms []safety.Alarm // the table, fetched once: every snapshot is compared with it

	free, full chan *Snapshot
	lost       atomic.Uint64    // snapshots that found no room
	wall       func() time.Time // for labels; nothing is computed from it

	mu      sync.RWMutex // shared with readers; never with the tick
	latest  Snapshot
	rows    []Sample
	runID   int64
	run     int // counts runs, so that readers see a new one
	verdict *process.Verdict
	events  []Numbered
	evSeq   uint64
	kept    bool

	order   *RunOrder // run being recorded; nil between runs
	sent    int       // rows already handed to the recorder
	pending []RunEvent
	last    Snapshot
}

// Taught is told what a run has taught before its record is closed, and returns an event about what became of it; an empty code is none.
// It may take as long as a write to the disk.
type Taught func(ctx context.Context, run int64, o *RunOrder, l *learn.Lesson) (code, text string)

// OnLesson says who is told what a run has taught. Call it before Run.
func (c *Clerk) OnLesson(t Taught) { c.taught = t }

// SetWallClock says what labels with a time of day are taken from instead of time.Now, so that a simulation can step it. Nothing that is
// decided, and no order, depends on it (invariant I-18). Call it before Run.
func (c *Clerk) SetWallClock(now func() time.Time) { c.wall = now }

// Lost returns how many snapshots were not written down in this life of the process because the clerk was behind, most likely behind a disk.
// Safe from any goroutine.
func (c *Clerk) Lost() uint64 { return c.lost.Load() }

// Numbered is an event with its place in the station's history of this process life.
type Numbered struct {
	Seq uint64
	Run int64
	RunEvent
}

const (
	ringSize  = 64        // snapshots in flight: 6 s of ticks at real time
	maxRows   = 3 * 36000 // three hours at 10 Hz, the longest run there is
	maxEvents = 512

	// A kill may cost one second of samples (I-31): half of it between two flushes, half for a commit on a busy disk. Against one flush a
	// second this costs a run of 15 minutes 21 MB of writes instead of 13, and 0.1 s of processor more (measured, 30 columns).
	flushEvery = 500 * time.Millisecond
)

// NewClerk returns a clerk for a station. head describes a run for the record when it begins.
func NewClerk(u *Setup, rec Recorder, head func(*RunOrder) RunHead, report func(error)) *Clerk {
	c := &Clerk{setup: u, rec: rec, head: head, report: report, chans: ChannelsOf(u), alarms: safety.Rows(), kept: true, wall: time.Now,
		free: make(chan *Snapshot, ringSize), full: make(chan *Snapshot, ringSize)}
	for range ringSize {
		c.free <- new(Snapshot)
	}
	c.latest.State, c.latest.Coldest, c.latest.Hottest = Idle, -1, -1
	c.last = c.latest
	return c
}

// Publish takes a snapshot from the tick. It returns at once; a clerk that is behind loses snapshots, the loop loses nothing. What is lost is
// counted here, and said in the record by whoever notices the hole in the numbers (missed).
func (c *Clerk) Publish(s *Snapshot) {
	select {
	case p := <-c.free:
		*p = *s
		c.full <- p // has room for every snapshot there is
	default:
		c.lost.Add(1)
	}
}

// Run writes down until ctx ends, then closes the books.
func (c *Clerk) Run(ctx context.Context) {
	flush := time.NewTicker(flushEvery)
	defer flush.Stop()
	for {
		select {
		case s := <-c.full:
			c.Note(ctx, s)
			c.free <- s
		case <-flush.C:
			c.drain(ctx)
			c.flush(ctx)
		case <-ctx.Done():
			last := context.WithoutCancel(ctx)
			c.drain(last)
			c.flush(last)
			return
		}
	}
}

// drain notes every snapshot that waits. A flush that came first by chance would cut the record into other chunks for no reason.
func (c *Clerk) drain(ctx context.Context) {
	for {
		select {
		case s := <-c.full:
			c.Note(ctx, s)
			c.free <- s
		default:
			return
		}
	}
}

// Note writes down one snapshot. It is what Run calls; on virtual time it is called directly.
func (c *Clerk) Note(ctx context.Context, s *Snapshot) {
	c.notice(s)
	if s.State.Live() && s.Run.Order != c.order {
		if c.order != nil { // its end was among the snapshots that were lost
			c.end(ctx, RunEnd{State: Aborted, Code: "end_unseen", Reason: "How this run ended was not seen: the disk kept the record waiting for too long.",
				Elapsed: c.last.Run.Elapsed})
		}
		c.open(ctx, s)
	}
	c.mu.Lock()
	c.latest = *s
	c.latest.Run.ID = c.runID
	if c.order != nil && len(c.rows) < maxRows {
		c.rows = append(c.rows, c.row(s))
	}
	c.mu.Unlock()
	if c.order != nil && !s.State.Live() {
		c.close(ctx, s)
	}
	c.last = *s
}

func (c *Clerk) open(ctx context.Context, s *Snapshot) {
	h := c.head(s.Run.Order)
	h.Channels, h.Period = c.chans, c.setup.Period
	id, err := c.rec.Begin(ctx, h)
	c.keep(err)
	c.mu.Lock()
	c.order, c.runID, c.verdict = s.Run.Order, id, nil
	c.run++
	c.rows, c.sent = make([]Sample, 0, 8192), 0 // a new slice: readers may still hold the old run's rows
	c.mu.Unlock()
}

// flush hands what is new to the recorder: one transaction each time, none when there is nothing.
func (c *Clerk) flush(ctx context.Context) {
	if c.order != nil && len(c.rows) > c.sent {
		err := c.rec.Append(ctx, c.runID, c.rows[c.sent:])
		c.keep(err)
		if err == nil {
			c.sent = len(c.rows)
		}
	}
	for len(c.pending) > 0 {
		err := c.rec.Event(ctx, c.runID, c.pending[0])
		c.keep(err)
		if err != nil {
			return // tried again with the next flush
		}
		c.pending = c.pending[1:]
	}
}

func (c *Clerk) close(ctx context.Context, s *Snapshot) {
	if c.taught != nil && s.Lesson != nil {
		if code, text := c.taught(ctx, c.runID, c.order, s.Lesson); code != "" {
			c.event(s, code, text, "")
		}
	}
	c.end(ctx, RunEnd{State: s.State, Code: s.Ended.Code, Reason: s.Ended.Reason, By: s.Ended.By, Elapsed: s.Run.Elapsed})
}

// end judges the rows there are, brings what is left to the recorder, and closes the run.
func (c *Clerk) end(ctx context.Context, how RunEnd) {
	v, err := Judge(c.setup, c.order, c.rows)
	c.mu.Lock()
	if err == nil {
		c.verdict = &v
	}
	c.mu.Unlock()
	c.flush(ctx)
	how.EndedUTC, how.Verdict = c.wall().UTC(), c.verdict
	c.keep(c.rec.End(ctx, c.runID, how))
	c.mu.Lock()
	c.order = nil
	c.mu.Unlock()
}

// keep remembers whether the record works and tells about a change.
func (c *Clerk) keep(err error) {
	was := c.kept
	c.kept = err == nil
	if c.report != nil && was != c.kept {
		c.report(err)
	}
}

// notice turns changes between two snapshots into events.
func (c *Clerk) notice(s *Snapshot) {
	if n := c.missed(s); n > 0 {
		c.event(s, "snapshots:lost", fmt.Sprintf("Snapshots lost: %d. The disk kept the record waiting; %.1f s of samples are missing before this moment.",
			n, (time.Duration(n)*c.setup.Period).Seconds()), "")
	}
	if s.State != c.last.State {
		text, _ := Sentence(s, c.setup)
		c.event(s, "state:"+string(s.State), text, s.Ended.By)
	} else if s.Phase != c.last.Phase && s.State.Live() {
		text, _ := Sentence(s, c.setup)
		c.event(s, "phase:"+string(s.Phase), text, "")
	}
	if s.Melted && !c.last.Melted {
		c.event(s, "melt:seen", c.setup.Sensors[s.MeltSensor].Label+" climbed slowly around "+s.MeltSeen.String()+" and then went on: its solder melted there.", "")
	}
	if s.NoGo && !c.last.NoGo && s.Why != nil {
		c.event(s, "no_go", s.Why.Text+" "+s.Why.Remedy, "")
	}
	if c.last.NoGo && !s.NoGo && s.State.Heats() {
		c.event(s, "no_go:overridden", "Somebody let the run go on although the forecast speaks against it.", "")
	}
	if s.Lift.Open && !c.last.Lift.Open {
		c.event(s, "lift:open", "The lift window is open.", "")
	}
	if s.Lift.Confirmed && !c.last.Lift.Confirmed {
		c.event(s, "lift:confirmed", "The lift was confirmed.", "")
	}
	if s.Lift.Missed && !c.last.Lift.Missed {
		c.event(s, "lift:missed", "The lift window closed without a confirmation.", "")
	}
	for i := range s.NAlarms {
		a := &s.Alarms[i]
		if a.At == s.At || a.At > c.last.At { // raised in this very tick, or in one whose snapshot was lost
			c.event(s, "alarm:"+c.alarms[a.Row].Code, safety.Title(&c.setup.Limits, a.Row, a.Subject)+".", "")
		}
	}
}

// missed is how many ticks lie between the last snapshot and this one without having been seen. The first one of a process misses nothing.
func (c *Clerk) missed(s *Snapshot) uint64 {
	if c.last.Seq == 0 || s.Seq <= c.last.Seq {
		return 0
	}
	return s.Seq - c.last.Seq - 1
}

func (c *Clerk) event(s *Snapshot, code, text, by string) {
	at := s.At
	if s.Run.Order != nil {
		at = s.At - s.Run.Begun
	}
	e := RunEvent{At: at, UTC: c.wall().UTC(), Code: code, Text: text, By: by}
	c.mu.Lock()
	c.evSeq++
	c.events = append(c.events, Numbered{Seq: c.evSeq, Run: c.runID, RunEvent: e})
	if len(c.events) > maxEvents {
		c.events = append([]Numbered(nil), c.events[len(c.events)-maxEvents:]...)
	}
	c.mu.Unlock()
	if s.State.Live() || c.order != nil {
		c.pending = append(c.pending, e)
	}
}

// Latest copies the newest snapshot.
func (c *Clerk) Latest(dst *Snapshot) {
	c.mu.RLock()
	*dst = c.latest
	c.mu.RUnlock()
}

// Channels lists the recorded columns.
func (c *Clerk) Channels() []Channel { return c.chans }

// Present returns the rows of the present or last run. The slice is never changed, only grown into a new one; it is safe
// to read for as long as the caller likes. runs counts the runs of this process life.
func (c *Clerk) Present() (runID int64, runs int, rows []Sample) {
	c.mu.RLock()
	defer c.mu.RUnlock()
	return c.runID, c.run, c.rows[:len(c.rows):len(c.rows)]
}

// Verdict returns how the last run was judged; nil while there is none.
func (c *Clerk) Verdict() *process.Verdict {
	c.mu.RLock()
	defer c.mu.RUnlock()
	return c.verdict
}

// EventsSince returns the events after seq, oldest first, and whether some in between are gone.
func (c *Clerk) EventsSince(seq uint64) (list []Numbered, gap bool) {
	c.mu.RLock()
	defer c.mu.RUnlock()
	for i, e := range c.events {
		if e.Seq > seq {
			return append([]Numbered(nil), c.events[i:]...), i == 0 && e.Seq > seq+1
		}
	}
	return nil, false
}
