package ad8495

import (
	"errors"
	"fmt"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"

	"trivet/process/unit"
)

// busy is bit OS of the configuration register. Read, it is 0 while a conversion runs; written, 1 starts one.
const busy = 0x8000

// errStarted ends periph's transaction after it has started a conversion. It never leaves this package.
var errStarted = errors.New("conversion started")

// starter is the bus that periph's driver sees.
type starter struct {
	bus    i2c.Bus
	config uint16 // as last written
}

// String returns the name of the real bus.
func (s *starter) String() string { return s.bus.String() }

// SetSpeed is the real bus's business.
func (s *starter) SetSpeed(f physic.Frequency) error { return s.bus.SetSpeed(f) }

// Tx passes a transaction on. If it was a write to the configuration register that worked, it says so by errStarted.
func (s *starter) Tx(addr uint16, w, r []byte) error {
	if err := s.bus.Tx(addr, w, r); err != nil {
		return err
	}
	if len(w) == 3 && w[0] == 1 {
		s.config = uint16(w[1])<<8 | uint16(w[2])
		return errStarted
	}
	return nil
}

// set puts a reason in place of a reading.
func (in *Input) set(now time.Duration, q unit.Quality, err error) {
	in.last, in.err, in.same = unit.Unusable(now, q), err, 0
}

// take judges the code of a conversion that was started at the given time, the earliest that it can stand for.
func (in *Input) take(at time.Duration, code int16) {
	if code != in.code || in.same == 0 {
		in.code, in.since, in.same = code, at, 0
	}
	in.same++
	in.err = nil
	v := float64(code) * in.perCode
	const clipped = 1<<15 - 8 // within 8 steps of the end of the scale, more than the noise
	switch {
	case code >= clipped || v >= in.dev.opts.RailVolts-belowRail:
		in.last = unit.Unusable(at, unit.Open)
		return
	case v <= aboveGround:
		in.last = unit.Unusable(at, unit.ShortGround)
		return
	case in.same >= frozenReads && at-in.since >= in.dev.opts.FrozenAfter:
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
// A reading older than 2.5 of the input's periods, the number of inputs times Opts.Every, is stale.
func (in *Input) Read(now time.Duration) unit.Reading {
	if in.last.Usable() && float64(now-in.last.At) > staleAfter*float64(in.period) {
		return unit.Unusable(in.last.At, unit.Stale)
	}
	return in.last
}

// Period returns how often the input is converted.
func (in *Input) Period() time.Duration { return in.period }

// String returns the converter and the number of the input.
func (in *Input) String() string { return fmt.Sprintf("%s input %d", in.dev.name, in.opts.Channel) }

// LastError explains the last conversion, nil if it was good.
func (in *Input) LastError() error {
	switch {
	case in.err != nil:
		return fmt.Errorf("%v: %w", in, in.err)
	case in.last.Usable():
		return nil
	case in.last.Quality == unit.Open || in.last.Quality == unit.ShortGround || in.last.Quality == unit.OutOfRange:
		return fmt.Errorf("%v: output at %.3f V; above %.3f and below %.3f V is a measurement", in,
			float64(in.code)*in.perCode, aboveGround, min(in.dev.opts.RailVolts-belowRail, in.perCode*(1<<15)))
	}
	return errors.New(in.String() + ": " + in.last.Quality.Reason())
}
