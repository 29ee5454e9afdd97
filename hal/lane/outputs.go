package lane

import (
	"errors"
	"fmt"
	"math"
	"sync/atomic"
	"time"
)

// Output is a switch behind a lane. The newest command wins. It may be used by several goroutines.
//
// Heat-enable and the heartbeat do not belong behind a lane: an edge would count as given before it was made.
type Output struct {
	lane  *Lane
	to    Switch
	title *string
	lease time.Duration
	// want is the command and when it was given, in one value so that the two belong together: nanoseconds, and on in the lowest bit.
	want    atomic.Uint64
	failed  atomic.Pointer[error] // of the last finished write
	written bool                  // the last command that was written, with or without success; the lane's own
}

// AddSwitch switches an output off, before the lane runs, and returns its proxy. A lease above 0 is how long a command to switch on lasts
// without being renewed: what heats has one of 0.5 s (invariant I-6), a blower has none, because it must not stop when the loop does.
func (l *Lane) AddSwitch(s Switch, lease time.Duration) (*Output, error) {
	if lease < 0 {
		return nil, fmt.Errorf("lane %s: lease is %v; 0 for none, or a time", l.name, lease)
	}
	o := &Output{lane: l, to: s, title: title(s, "output", len(l.outputs)), lease: lease}
	if err := s.Set(false); err != nil {
		return nil, fmt.Errorf("lane %s: switch %s off: %w", l.name, *o.title, err)
	}
	l.outputs = append(l.outputs, o)
	return o, nil
}

// Set takes a command and returns at once. Its error is that of the last write which has finished, or that the lane is silent: what is
// on is then not known. It does not allocate.
func (o *Output) Set(on bool) error {
	now := o.lane.clock()
	w := uint64(max(now, 0)) << 1
	if on {
		w |= 1
	}
	if o.want.Swap(w)&1 != w&1 {
		o.lane.rouse()
	}
	if o.lane.Silent(now) {
		return errSilent
	}
	if err := o.failed.Load(); err != nil {
		return *err
	}
	return nil
}

// rouse lets the lane write new commands before its next round.
func (l *Lane) rouse() {
	select {
	case l.wake <- struct{}{}:
	default: // it has been told
	}
}

func (o *Output) serve(l *Lane, onlyNew bool) {
	w := o.want.Load()
	on := w&1 != 0
	if on && o.lease > 0 && l.clock()-time.Duration(w>>1) > o.lease {
		on = false
	}
	if onlyNew && on == o.written { // also when that failed: a bus that refuses is asked again in the next round, not at once
		return
	}
	begun := l.begin(o.title)
	err := o.to.Set(on)
	l.end(begun)
	o.written = on
	note(&o.failed, err)
}

// note keeps the error of a write. It allocates only when there is one.
func note(p *atomic.Pointer[error], err error) {
	if err == nil {
		p.Store(nil)
		return
	}
	kept := err // its own variable: the parameter would be on the heap in every call
	p.Store(&kept)
}

// String returns what the output is called.
func (o *Output) String() string { return *o.title }

// FanOutput is a fan behind a lane.
type FanOutput struct {
	lane    *Lane
	to      Fan
	title   *string
	want    atomic.Uint64 // bits of the share
	failed  atomic.Pointer[error]
	written float64
}

// AddFan stops a fan, before the lane runs, and returns its proxy.
func (l *Lane) AddFan(f Fan) (*FanOutput, error) {
	p := &FanOutput{lane: l, to: f, title: title(f, "fan", len(l.fans))}
	if err := f.SetDuty(0); err != nil {
		return nil, fmt.Errorf("lane %s: stop %s: %w", l.name, *p.title, err)
	}
	l.fans = append(l.fans, p)
	return p, nil
}

var errNoDuty = errors.New("duty is not a number")

// SetDuty takes a share of full speed, 0 to 1, and returns at once, like Set. NaN is refused.
func (f *FanOutput) SetDuty(share float64) error {
	if math.IsNaN(share) {
		return errNoDuty
	}
	if bits := math.Float64bits(share); f.want.Swap(bits) != bits {
		f.lane.rouse()
	}
	if f.lane.Silent(f.lane.clock()) {
		return errSilent
	}
	if err := f.failed.Load(); err != nil {
		return *err
	}
	return nil
}

func (f *FanOutput) serve(l *Lane, onlyNew bool) {
	share := math.Float64frombits(f.want.Load())
	if onlyNew && share == f.written {
		return
	}
	begun := l.begin(f.title)
	err := f.to.SetDuty(share)
	l.end(begun)
	f.written = share
	note(&f.failed, err)
}

// String returns what the fan is called.
func (f *FanOutput) String() string { return *f.title }
