// Package lane gives each bus a goroutine of its own, so that a chip or bus that hangs blocks its own lane and never the control tick. The
// tick talks to proxies, which answer at once: inputs with the newest finished reading and its own time, outputs by taking a command that
// the lane will write. A lane that has fallen silent says so through all of them.
//
// A lane decides nothing about heat. The one thing it does by itself is to let go: an output with a lease is switched off when nobody
// has renewed its command for that long, and when the lane ends.
//
// Between tick and lane there are only atomic values. A lock would do for correctness, but a lane that the system takes off the processor
// while it holds one would stop the tick, whatever the tick's priority.
package lane

import (
	"context"
	"errors"
	"fmt"
	"sync/atomic"
	"time"

	"trivet/process/unit"
)

// What a lane can serve. The names are those of the station's own interfaces, which the proxies implement in turn.
type (
	// Thermometer is read once per round.
	Thermometer interface {
		Read(now time.Duration) unit.Reading
	}
	// Poller is served once per round, before the thermometers.
	Poller interface {
		Poll(now time.Duration)
	}
	// Switch is an output behind the bus.
	Switch interface {
		Set(on bool) error
	}
	// Contact is an input behind the bus.
	Contact interface {
		Read() bool
	}
	// Fan is an output with a duty.
	Fan interface {
		SetDuty(share float64) error
	}
)

// Options is how patient a lane is. The zero value of each field stands for its default.
type Options struct {
	// Slow is how long one transaction may take before it is counted as slow: 20 ms, a judgement. The slowest that we know of, 16 bytes at
	// 10 kHz on I²C, takes about 15 ms.
	Slow time.Duration
	// Silence is how old the last finished round may be before the lane counts as silent: 250 ms, or two and a half periods if that is more.
	// It is the age at which the loop's own rule calls a sample stale (hazard S-13) at 10 Hz.
	Silence time.Duration
}

const (
	defaultSlow    = 20 * time.Millisecond
	defaultSilence = 250 * time.Millisecond
	shortest       = time.Millisecond
	longest        = 10 * time.Second
)

// Lane serves the chips of one bus. Everything is added before Start; from then on only the proxies, Silent and Status are used.
type Lane struct {
	name    string
	period  time.Duration
	clock   func() time.Duration
	slow    time.Duration
	silence time.Duration

	pollers []named[Poller]
	sensors []*Sensor
	inputs  []*Input
	outputs []*Output
	fans    []*FanOutput

	wake    chan struct{}
	ended   chan struct{}
	started atomic.Bool

	finished atomic.Int64 // when the last round ended, ns on the clock
	rounds   atomic.Uint64
	slows    atomic.Uint64
	worst    atomic.Int64           // longest finished transaction, ns
	at       atomic.Pointer[string] // what is being served; nil between transactions
}

type named[T any] struct {
	what  T
	title *string
}

// New makes a lane that begins a round every period, 1 ms to 10 s; half the control period is a good choice. clock counts from the same
// moment as the times that the tick gives to Read, never jumps, and may be called from any goroutine.
func New(name string, period time.Duration, clock func() time.Duration, o Options) (*Lane, error) {
	switch {
	case !(period >= shortest && period <= longest):
		return nil, fmt.Errorf("lane %s: period is %v; %v to %v is allowed", name, period, shortest, longest)
	case clock == nil:
		return nil, fmt.Errorf("lane %s: it needs a clock", name)
	case o.Slow < 0 || o.Silence < 0:
		return nil, fmt.Errorf("lane %s: slow is %v and silence %v; neither can be negative", name, o.Slow, o.Silence)
	}
	l := &Lane{name: name, period: period, clock: clock, slow: o.Slow, silence: o.Silence, wake: make(chan struct{}, 1), ended: make(chan struct{})}
	if l.slow == 0 {
		l.slow = defaultSlow
	}
	if l.silence == 0 {
		l.silence = max(defaultSilence, period*5/2)
	}
	return l, nil
}

// title is what a device is called where the lane hangs in it.
func title(of any, kind string, n int) *string {
	s := fmt.Sprintf("%s %d", kind, n+1)
	if named, ok := of.(fmt.Stringer); ok {
		s = named.String()
	}
	return &s
}

// AddPoller adds a chip that is served once per round, before everything that is read.
func (l *Lane) AddPoller(p Poller) {
	l.pollers = append(l.pollers, named[Poller]{p, title(p, "poller", len(l.pollers))})
}

// Start begins to serve, in a goroutine of its own, until ctx ends. It is called once, before anybody uses the proxies: until then the lane
// counts as silent, and a station does not begin with outputs that report an error.
func (l *Lane) Start(ctx context.Context) {
	l.finished.Store(int64(l.clock())) // the first round has as much time as any other
	l.started.Store(true)
	go l.run(ctx)
}

// Wait waits until the lane has ended after its context, for at most patience. Its error names the device that the lane hangs in: a
// goroutine that a driver does not give back cannot be ended.
func (l *Lane) Wait(patience time.Duration) error {
	if !l.started.Load() {
		return nil
	}
	t := time.NewTimer(patience)
	defer t.Stop()
	select {
	case <-l.ended:
		return nil
	case <-t.C:
		return fmt.Errorf("lane %s: it hangs in %s", l.name, l.Status(l.clock()).In)
	}
}

func (l *Lane) run(ctx context.Context) {
	defer close(l.ended)
	timer := time.NewTimer(0)
	defer timer.Stop()
	due := time.Now()
	for {
		select {
		case <-ctx.Done():
			l.letGo()
			return
		case <-l.wake:
			l.write(true)
			continue
		case <-timer.C:
		}
		l.round()
		l.finished.Store(int64(l.clock()))
		l.rounds.Add(1)
		due = due.Add(l.period)
		if time.Since(due) > 0 { // late: go on from now, without a burst
			due = time.Now()
		}
		timer.Reset(time.Until(due))
	}
}

// round serves everything once. Outputs come first, and new commands for them between any two transactions: a relay must not wait until
// all sensors are read.
func (l *Lane) round() {
	l.write(false)
	for i := range l.pollers {
		begun := l.begin(l.pollers[i].title)
		l.pollers[i].what.Poll(begun)
		l.end(begun)
		l.write(true)
	}
	for _, s := range l.inputs {
		begun := l.begin(s.title)
		active := s.contact.Read()
		l.end(begun)
		s.active.Store(active)
		l.write(true)
	}
	for _, s := range l.sensors {
		s.serve(l)
		l.write(true)
	}
}

// write writes outputs: all of them, or only those whose command is not yet in force. Writing again what is in force already mends a
// chip that has lost its state.
func (l *Lane) write(onlyNew bool) {
	for _, o := range l.outputs {
		o.serve(l, onlyNew)
	}
	for _, f := range l.fans {
		f.serve(l, onlyNew)
	}
}

// letGo switches off what has a lease.
func (l *Lane) letGo() {
	for _, o := range l.outputs {
		if o.lease > 0 {
			o.want.Store(0)
			o.serve(l, false)
		}
	}
}

func (l *Lane) begin(what *string) time.Duration {
	l.at.Store(what)
	return l.clock()
}

func (l *Lane) end(begun time.Duration) {
	took := l.clock() - begun
	l.at.Store(nil)
	if took > l.slow {
		l.slows.Add(1)
	}
	if int64(took) > l.worst.Load() { // only the lane writes it
		l.worst.Store(int64(took))
	}
}

// Silent reports whether no round has ended for too long, as of now on the lane's clock. A lane that was not started is silent.
func (l *Lane) Silent(now time.Duration) bool {
	return !l.started.Load() || now-time.Duration(l.finished.Load()) > l.silence
}

// Status is how a lane does, for logs and metrics.
type Status struct {
	Name    string
	Silent  bool
	Age     time.Duration // since the last round ended
	In      string        // the device that is being served; empty between transactions
	Rounds  uint64
	Slow    uint64        // transactions that took longer than Options.Slow
	Longest time.Duration // finished transaction
}

// Status returns how the lane does as of now. Safe from any goroutine.
func (l *Lane) Status(now time.Duration) Status {
	s := Status{Name: l.name, Silent: l.Silent(now), Age: now - time.Duration(l.finished.Load()), Rounds: l.rounds.Load(), Slow: l.slows.Load(), Longest: time.Duration(l.worst.Load())}
	if in := l.at.Load(); in != nil {
		s.In = *in
	}
	return s
}

// Name returns what the lane is called.
func (l *Lane) Name() string { return l.name }

// errSilent is what outputs say of a silent lane. Nobody knows whether the last command has reached the chip.
var errSilent = errors.New("the bus is silent")
