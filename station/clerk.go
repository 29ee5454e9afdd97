package station

import (
	"context"
	"sync"
	"time"

	"trivet/control/learn"
	"trivet/process"
	"trivet/process/unit"
	"trivet/safety"
)

// Clerk writes down what the station does. It takes snapshots from the tick without making it wait, keeps the present
// run in memory for the page, sends rows to the recorder at most once a second, notes what changed, and judges the
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
)

// NewClerk returns a clerk for a station. head describes a run for the record when it begins.
func NewClerk(u *Setup, rec Recorder, head func(*RunOrder) RunHead, report func(error)) *Clerk {
	c := &Clerk{setup: u, rec: rec, head: head, report: report, chans: ChannelsOf(u), alarms: safety.Rows(), kept: true,
		free: make(chan *Snapshot, ringSize), full: make(chan *Snapshot, ringSize)}
	for range ringSize {
		c.free <- new(Snapshot)
	}
	c.latest.State, c.latest.Coldest, c.latest.Hottest = Idle, -1, -1
	c.last = c.latest
	return c
}

// Publish takes a snapshot from the tick. It returns at once; a clerk that is behind loses snapshots, the loop loses nothing.
func (c *Clerk) Publish(s *Snapshot) {
	select {
	case p := <-c.free:
		*p = *s
		c.full <- p // has room for every snapshot there is
	default:
	}
}

// Run writes down until ctx ends, then closes the books.
func (c *Clerk) Run(ctx context.Context) {
	flush := time.NewTicker(time.Second)
	defer flush.Stop()
	for {
		select {
		case s := <-c.full:
			c.Note(ctx, s)
			c.free <- s
		case <-flush.C:
			c.flush(ctx)
		case <-ctx.Done():
			last := context.WithoutCancel(ctx)
			for {
				select {
				case s := <-c.full:
					c.Note(last, s)
				default:
					c.flush(last)
					return
				}
			}
		}
	}
}

// Note writes down one snapshot. It is what Run calls; on virtual time it is called directly.
func (c *Clerk) Note(ctx context.Context, s *Snapshot) {
	c.notice(s)
	if s.State.Live() && s.Run.Order != c.order {
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

// flush hands what is new to the recorder: at most one transaction a second, none when there is nothing.
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
			return // tried again in a second
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
	v, err := Judge(c.setup, c.order, c.rows)
	c.mu.Lock()
	if err == nil {
		c.verdict = &v
	}
	c.mu.Unlock()
	c.flush(ctx)
	end := RunEnd{State: s.State, Code: s.Ended.Code, Reason: s.Ended.Reason, By: s.Ended.By,
		EndedUTC: time.Now().UTC(), Elapsed: s.Run.Elapsed, Verdict: c.verdict}
	c.keep(c.rec.End(ctx, c.runID, end))
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
		if a.At == s.At { // raised in this very tick
			c.event(s, "alarm:"+c.alarms[a.Row].Code, safety.Title(&c.setup.Limits, a.Row, a.Subject)+".", "")
		}
	}
}

func (c *Clerk) event(s *Snapshot, code, text, by string) {
	at := s.At
	if s.Run.Order != nil {
		at = s.At - s.Run.Begun
	}
	e := RunEvent{At: at, UTC: time.Now().UTC(), Code: code, Text: text, By: by}
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

// row makes one record row of a snapshot.
func (c *Clerk) row(s *Snapshot) Sample {
	r := Sample{Seq: uint64(len(c.rows)), At: s.At - s.Run.Begun, N: len(c.chans)}
	put := func(i int, v float64) { r.Values[i], r.Quality[i] = float32(v), unit.Good }
	i := 0
	for k := range c.setup.Sensors {
		if t, ok := s.Sensors[k].Temp(); ok {
			put(i, float64(t))
		} else {
			r.Quality[i] = s.Sensors[k].Quality
		}
		i++
	}
	if s.Run.HasPlan {
		put(i, float64(s.Run.Point.Target))
	}
	if e := &s.Estimate; e.Has {
		put(len(c.chans)-2, float64(e.Joint))
		put(len(c.chans)-1, float64(e.Doubt))
	}
	put(i+1, s.Run.Profile.Seconds())
	i += 2
	for k := range c.setup.Heaters {
		h := &s.Heaters[k]
		if h.HasSet {
			put(i, float64(h.Set))
		}
		put(i+1, h.Duty)
		i += 2
	}
	put(i, s.Fan)
	put(i+1, float64(s.Mains))
	return r
}

// ChannelsOf lists the columns that a record of this machine has, in the order of Sample.Values.
func ChannelsOf(u *Setup) []Channel {
	var out []Channel
	for _, s := range u.Sensors {
		out = append(out, Channel{Name: s.Name, Unit: "°C", Kind: "sensor"})
	}
	out = append(out, Channel{Name: "target", Unit: "°C", Kind: "target"}, Channel{Name: "profile_time", Unit: "s", Kind: "profile_time"})
	for _, h := range u.Heaters {
		out = append(out, Channel{Name: "set:" + h.Name, Unit: "°C", Kind: "set"}, Channel{Name: "duty:" + h.Name, Unit: "1", Kind: "duty"})
	}
	return append(out, Channel{Name: "fan", Unit: "1", Kind: "fan"}, Channel{Name: "power", Unit: "W", Kind: "power"},
		Channel{Name: EstimateColumn, Unit: "°C", Kind: "estimate"}, Channel{Name: "joint_doubt", Unit: "°C", Kind: "doubt"})
}

// EstimateColumn is the column with what the law took the coldest joint for; half the width of its 95 % band follows it.
const EstimateColumn = "joint_estimate"

// Judge compares the recorded rows of a run with its process window.
func Judge(u *Setup, o *RunOrder, rows []Sample) (process.Verdict, error) {
	tr := process.Trace{}
	var from []int // columns of the record, in the order of the trace's
	for i, s := range u.Sensors {
		switch {
		case s.Role == safety.RoleJoint && !o.NoJoint:
			tr.Columns, from = append(tr.Columns, process.Column{Name: s.Name, Role: "joint"}), append(from, i)
		case s.Role == safety.RolePackageTop:
			tr.Columns, from = append(tr.Columns, process.Column{Name: s.Name, Role: "body"}), append(from, i)
		}
		// Ceilings of the other sensors are the guard's business.
	}
	if o.NoJoint { // nothing measured the joint: what it was taken for is judged, and the column's name says so
		tr.Columns, from = append(tr.Columns, process.Column{Name: EstimateColumn, Role: "joint"}), append(from, len(ChannelsOf(u))-2)
	}
	for _, r := range rows {
		tr.Time = append(tr.Time, r.At)
		for k, i := range from {
			v := unit.Unusable(r.At, r.Quality[i])
			if r.Quality[i] == unit.Good {
				v = unit.Measured(r.At, unit.Celsius(r.Values[i]))
			}
			tr.Columns[k].Readings = append(tr.Columns[k].Readings, v)
		}
	}
	var body *unit.Celsius
	if o.Profile.BodyLimit > 0 {
		body = &o.Profile.BodyLimit
	}
	return process.Judge(tr, process.WindowFor(o.Kind, o.Profile.Alloy, body))
}
