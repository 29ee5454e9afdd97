package ad8495

import (
	"errors"
	"fmt"
	"time"

	"trivet/hal/ads1115"
	"trivet/process/unit"
)

// InputOpts is one amplifier on a converter that others may use too. What is left at 0 takes the value of DefaultOpts.
type InputOpts struct {
	ChannelOpts
	RailVolts   float64       // as in Opts
	FrozenAfter time.Duration // as in Opts
}

// Input is one amplifier.
type Input struct {
	conv    *ads1115.Dev
	opts    InputOpts
	perCode float64 // V

	last  unit.Reading
	code  int16
	since time.Duration // of the first conversion that gave code
	same  int           // conversions in a row that gave code
	err   error
}

// On puts an amplifier on an input of a converter. It sends nothing.
func On(conv *ads1115.Dev, opts InputOpts) (*Input, error) {
	all := Opts{RailVolts: opts.RailVolts, FrozenAfter: opts.FrozenAfter}.complete()
	opts.RailVolts, opts.FrozenAfter = all.RailVolts, all.FrozenAfter
	if err := opts.check(); err != nil {
		return nil, fmt.Errorf("ad8495: %w", err)
	}
	in := &Input{conv: conv, opts: opts}
	span := opts.SpanVolts
	if span == 0 {
		span = opts.RailVolts
	}
	perCode, err := conv.Add(ads1115.Channel{Number: opts.Channel, SpanVolts: span}, in)
	if err != nil {
		return nil, fmt.Errorf("ad8495: %w", err)
	}
	in.perCode = perCode
	return in, nil
}

func (o InputOpts) check() error {
	switch {
	case !(o.RailVolts >= 2.5 && o.RailVolts <= 6.1):
		return fmt.Errorf("rail is at %g V; 2.5 to 6.1 is allowed", o.RailVolts)
	case !(o.FrozenAfter >= time.Second && o.FrozenAfter <= 10*time.Minute):
		return fmt.Errorf("frozen after is %v; 1s to 10m is allowed", o.FrozenAfter)
	case !(o.RefVolts >= 0 && o.RefVolts <= 3 && o.RefVolts <= o.RailVolts-1):
		return fmt.Errorf("reference is %g V; 0 to 3 and at least 1 V below the rail is allowed", o.RefVolts)
	case o.SpanVolts != 0 && !(o.SpanVolts > o.RefVolts && o.SpanVolts <= 6.144):
		return fmt.Errorf("span is %g V; above the reference up to 6.144 is allowed", o.SpanVolts)
	}
	return nil
}

// Fail puts a reason in place of a reading. It is for the converter.
func (in *Input) Fail(now time.Duration, err error) {
	in.last, in.err, in.same = unit.Unusable(now, unit.NoAnswer), err, 0
}

// Take judges the code of a conversion that was started at the given time, the earliest that it can stand for. It is for the
// converter.
func (in *Input) Take(at time.Duration, code int16) {
	if code != in.code || in.same == 0 {
		in.code, in.since, in.same = code, at, 0
	}
	in.same++
	in.err = nil
	v := float64(code) * in.perCode
	const clipped = 1<<15 - 8 // within 8 steps of the end of the scale, more than the noise
	switch {
	case code >= clipped || v >= in.opts.RailVolts-belowRail:
		in.last = unit.Unusable(at, unit.Open)
		return
	case v <= aboveGround:
		in.last = unit.Unusable(at, unit.ShortGround)
		return
	case in.same >= frozenReads && at-in.since >= in.opts.FrozenAfter:
		in.last = unit.Unusable(at, unit.Frozen)
		return
	}
	c, ok := Temperature(v - in.opts.RefVolts)
	if !ok {
		in.last = unit.Unusable(at, unit.OutOfRange)
		return
	}
	in.last = unit.Measured(at, c)
}

// Read returns the last conversion of this input, or why there is none. It never touches the bus and allocates nothing.
// A reading older than 2.5 of the input's periods, the number of inputs times how often it is polled, is stale.
func (in *Input) Read(now time.Duration) unit.Reading {
	if in.last.Usable() && float64(now-in.last.At) > staleAfter*float64(in.Period()) {
		return unit.Unusable(in.last.At, unit.Stale)
	}
	return in.last
}

// Period returns how often the input is converted.
func (in *Input) Period() time.Duration { return in.conv.Period() }

// String returns the converter and the number of the input.
func (in *Input) String() string {
	return fmt.Sprintf("AD8495 on %v, input %d", in.conv, in.opts.Channel)
}

// LastError explains the last conversion, nil if it was good.
func (in *Input) LastError() error {
	switch {
	case in.err != nil:
		return fmt.Errorf("%v: %w", in, in.err)
	case in.last.Usable():
		return nil
	case in.last.Quality == unit.Open || in.last.Quality == unit.ShortGround || in.last.Quality == unit.OutOfRange:
		return fmt.Errorf("%v: output at %.3f V; above %.3f and below %.3f V is a measurement", in,
			float64(in.code)*in.perCode, aboveGround, min(in.opts.RailVolts-belowRail, in.perCode*(1<<15)))
	}
	return errors.New(in.String() + ": " + in.last.Quality.Reason())
}
