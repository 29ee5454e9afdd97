package station

import (
	"context"
	"errors"
	"sync/atomic"
	"time"

	"trivet/safety"
)

// remote is a Keeper running in a goroutine of its own, as the control goroutine sees it. The two share nothing but
// one call at a time. A keeper that does not answer costs the tick at most patience, and then everything is forbidden.
type remote struct {
	keeper  *Keeper
	ask     chan *call
	present *call
	timer   *time.Timer
	silence time.Duration // without a completed tick for this long, heat-enable goes
	paced   *paced        // how the two sides wake each other; nil for channels
}

type op uint8

const (
	opJudge op = iota
	opDone
	opReset
	opAcknowledge
	opAlarms
	opFirstOut
)

// call is one question and its answer. A call that timed out is abandoned, never reused.
type call struct {
	op       op
	now      time.Duration
	facts    safety.Facts // a copy: after a time-out the two sides must not share memory
	seq      uint64
	armed    bool
	on       safety.Mask
	code     string
	subject  int
	row      int
	id       uint32
	alarms   [MaxAlarms]safety.Active
	done     chan struct{}
	answered atomic.Bool // in place of done where both sides are paced

	verdict safety.Verdict
	yes     bool
	n       int
	err     error
}

// patience is how long the tick waits for the keeper: half a tick, far longer than the microseconds it needs.
const patience = Period / 2

func newRemote(k *Keeper) *remote {
	t := time.NewTimer(time.Hour)
	t.Stop()
	return &remote{keeper: k, ask: make(chan *call), timer: t, present: newCall(), silence: safety.MaxLate}
}

func newCall() *call { return &call{done: make(chan struct{}, 1)} }

// run is the safety goroutine. It ends with ctx and leaves heat-enable inactive.
func (r *remote) run(ctx context.Context) {
	defer r.keeper.drop()
	if r.paced != nil {
		r.paced.run(ctx, r)
		return
	}
	silence := time.NewTimer(r.silence)
	defer silence.Stop()
	for {
		select {
		case c := <-r.ask:
			r.serve(c)
			if c.op == opDone { // only a completed tick counts as a sign of life
				silence.Reset(r.silence)
			}
			c.done <- struct{}{}
		case <-silence.C:
			r.keeper.Silence()
			silence.Reset(r.silence)
		case <-ctx.Done():
			return
		}
	}
}

func (r *remote) serve(c *call) {
	switch c.op {
	case opJudge:
		c.verdict = r.keeper.Judge(c.now, &c.facts)
	case opDone:
		c.yes = r.keeper.Done(c.seq, c.armed, c.on)
	case opReset:
		c.err = r.keeper.Reset(c.id)
	case opAcknowledge:
		c.err = r.keeper.Acknowledge(c.code, c.subject)
	case opAlarms:
		c.n = r.keeper.Alarms(c.alarms[:])
	case opFirstOut:
		c.row, c.subject, c.id, c.yes = r.keeper.FirstOut()
	}
}

// do sends the present call and waits for its answer, for patience at most.
func (r *remote) do() (*call, bool) {
	if r.paced != nil {
		return r.paced.do(r)
	}
	c := r.present
	r.timer.Reset(patience)
	defer r.timer.Stop()
	select {
	case r.ask <- c:
	case <-r.timer.C:
		return c, false // never sent: it can be used again
	}
	select {
	case <-c.done:
		return c, true
	case <-r.timer.C:
		r.present = newCall() // the keeper still holds the old one
		return c, false
	}
}

var errKeeper = errors.New("the safety goroutine does not answer")

// Judge implements Guarding. Without an answer nothing is allowed.
func (r *remote) Judge(now time.Duration, f *safety.Facts) safety.Verdict {
	r.present.op, r.present.now, r.present.facts = opJudge, now, *f
	c, ok := r.do()
	if !ok {
		return safety.Verdict{}
	}
	return c.verdict
}

// Done implements Guarding.
func (r *remote) Done(seq uint64, armed bool, on safety.Mask) bool {
	c := r.present
	c.op, c.seq, c.armed, c.on = opDone, seq, armed, on
	c, ok := r.do()
	return ok && c.yes
}

// Reset implements Guarding.
func (r *remote) Reset(id uint32) error {
	r.present.op, r.present.id = opReset, id
	c, ok := r.do()
	if !ok {
		return errKeeper
	}
	return c.err
}

// Acknowledge implements Guarding.
func (r *remote) Acknowledge(code string, subject int) error {
	r.present.op, r.present.code, r.present.subject = opAcknowledge, code, subject
	c, ok := r.do()
	if !ok {
		return errKeeper
	}
	return c.err
}

// Alarms implements Guarding.
func (r *remote) Alarms(dst []safety.Active) int {
	r.present.op = opAlarms
	c, ok := r.do()
	if !ok {
		return 0
	}
	return copy(dst, c.alarms[:c.n])
}

// FirstOut implements Guarding.
func (r *remote) FirstOut() (row, subject int, id uint32, tripped bool) {
	r.present.op = opFirstOut
	c, ok := r.do()
	if !ok { // the keeper may still be writing into the call
		return 0, 0, 0, false
	}
	return c.row, c.subject, c.id, c.yes
}
