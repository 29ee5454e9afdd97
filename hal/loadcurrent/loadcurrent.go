// Package loadcurrent tells whether current flows behind a relay, from a sensing circuit on an input of an ADS1115. It judges no
// relay: what current means beside a relay that was told to be off is the guard's business.
//
// # What can be measured honestly
//
// The converter's 860 samples per second, shared by several inputs and fetched ten times a second, are not enough for a true
// effective value of the mains, and are not taken for one. So the circuit must give a level: the current rectified and averaged,
// by a transducer with such an output or behind a current transformer, with a time constant of 10 to 30 ms, at least a period of
// the mains and well below a tick. What is read then is its size within some 10 %, the rest of the ripple; good for "does
// it flow", and to be shown as about so many amperes.
//
// The level is fetched at the beginning of a tick, before anything is switched: it stands for what was commanded in the tick
// before, for all of which that had time to settle.
//
// # Unknown is not off
//
// A contact has no way to say that it does not know. Where nothing is known Read says that current flows: the guard then takes a
// relay for stuck, which ends the heat. It would be worse if a dead sensing circuit hid one that is.
//
// # Wiring
//
// The circuit belongs to the mains side and must isolate from it. That is work for people licensed to do it, under the local
// electrical code; this package only sees a voltage of at most 6 V.
package loadcurrent

import (
	"errors"
	"fmt"
	"time"

	"trivet/hal/ads1115"
	"trivet/process/unit"
)

// Opts is one sensing circuit.
type Opts struct {
	Channel     int     // input of the converter, 0 to 3
	VoltsPerAmp float64 // above 0 up to 10
	// ZeroVolts is the level at no current, 0 to 3. From 0.2 on a level below half of it is a broken wire or a dead circuit; with less
	// neither can be told from no current.
	ZeroVolts float64
	SpanVolts float64 // the greatest level that must be told apart, up to 6.144; what comes close to it is out of range
	// OnAmps and OffAmps are where current begins and where it ends: half and a third of what the heater draws, say. OffAmps is
	// above 0 and at most OnAmps; what lies between stays what it was.
	OnAmps, OffAmps float64
}

// liveZero is from which ZeroVolts on a circuit can be told to be dead.
const liveZero = 0.2

// Input is one sensing circuit. One goroutine uses it: the one that owns the bus.
type Input struct {
	opts    Opts
	name    string
	perCode float64 // V

	at      time.Duration
	volts   float64
	quality unit.Quality
	flows   bool
	err     error
}

// On puts a circuit on an input of a converter. It sends nothing.
func On(conv *ads1115.Burst, opts Opts) (*Input, error) {
	if err := opts.check(); err != nil {
		return nil, fmt.Errorf("loadcurrent: %w", err)
	}
	in := &Input{opts: opts, name: fmt.Sprintf("load current on %v, input %d", conv, opts.Channel)}
	perCode, err := conv.Add(ads1115.Channel{Number: opts.Channel, SpanVolts: opts.SpanVolts}, in)
	if err != nil {
		return nil, fmt.Errorf("loadcurrent: %w", err)
	}
	in.perCode = perCode
	return in, nil
}

func (o Opts) check() error {
	switch {
	case !(o.VoltsPerAmp > 0 && o.VoltsPerAmp <= 10):
		return fmt.Errorf("%g V per ampere; above 0 up to 10 is allowed", o.VoltsPerAmp)
	case !(o.ZeroVolts >= 0 && o.ZeroVolts <= 3):
		return fmt.Errorf("level at no current is %g V; 0 to 3 is allowed", o.ZeroVolts)
	case !(o.OnAmps > 0 && o.OffAmps > 0 && o.OffAmps <= o.OnAmps):
		return fmt.Errorf("current begins at %g A and ends at %g; both must be above 0, and the end not above the beginning", o.OnAmps, o.OffAmps)
	case !(o.SpanVolts > 0 && o.SpanVolts <= 6.144):
		return fmt.Errorf("span is %g V; above 0 up to 6.144 is allowed", o.SpanVolts)
	case !(o.ZeroVolts+o.OnAmps*o.VoltsPerAmp < 0.95*o.SpanVolts):
		return fmt.Errorf("%g A is a level of %g V, which a span of %g V does not reach", o.OnAmps, o.ZeroVolts+o.OnAmps*o.VoltsPerAmp, o.SpanVolts)
	}
	return nil
}

// Take judges the code of a conversion. It is for the converter.
func (in *Input) Take(at time.Duration, code int16) {
	o := &in.opts
	in.at, in.err, in.volts = at, nil, float64(code)*in.perCode
	switch {
	case in.volts >= 0.98*o.SpanVolts: // more than the circuit can give, or its output touches the supply
		in.quality = unit.OutOfRange
		return
	case o.ZeroVolts >= liveZero && in.volts < o.ZeroVolts/2:
		in.quality = unit.Open
		return
	}
	in.quality = unit.Good
	switch amps := in.amps(); {
	case amps >= o.OnAmps:
		in.flows = true
	case amps <= o.OffAmps:
		in.flows = false
	}
}

// Fail puts a reason in place of a level. It is for the converter.
func (in *Input) Fail(now time.Duration, err error) {
	in.at, in.err, in.quality = now, err, unit.NoAnswer
}

func (in *Input) amps() float64 { return max(0, (in.volts-in.opts.ZeroVolts)/in.opts.VoltsPerAmp) }

// Amps returns the size of the current as of the last poll, within some 10 %, and whether it may be used. Without Good there is
// no number.
func (in *Input) Amps() (amps float64, q unit.Quality) {
	if in.quality != unit.Good {
		return 0, in.quality
	}
	return in.amps(), unit.Good
}

// At returns when the level was fetched.
func (in *Input) At() time.Duration { return in.at }

// Read reports whether current flows, or may: it does where nothing is known, see the package comment.
func (in *Input) Read() bool { return in.flows || in.quality != unit.Good }

// String returns the converter and the number of the input.
func (in *Input) String() string { return in.name }

// LastError explains why there is no level, nil if there is.
func (in *Input) LastError() error {
	switch {
	case in.err != nil:
		return fmt.Errorf("%s: %w", in.name, in.err)
	case in.quality == unit.Good:
		return nil
	case in.quality == unit.OutOfRange:
		return fmt.Errorf("%s: level of %.3f V; below %.3f is a current", in.name, in.volts, 0.98*in.opts.SpanVolts)
	case in.quality == unit.Open:
		return fmt.Errorf("%s: level of %.3f V; at no current it has %.3f", in.name, in.volts, in.opts.ZeroVolts)
	}
	return errors.New(in.name + ": nothing has been read yet")
}

var _ ads1115.Sink = (*Input)(nil)
