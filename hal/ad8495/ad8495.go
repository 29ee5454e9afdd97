package ad8495

import (
	"errors"
	"fmt"
	"time"

	"periph.io/x/conn/v3"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"

	"trivet/hal/ads1115"
)

// ChannelOpts is one amplifier.
type ChannelOpts struct {
	Channel  int     // input of the converter, 0 to 3
	RefVolts float64 // at the reference pin, 0 to 3 V and at least 1 V below the rail
	// SpanVolts is the greatest output that must be told apart, up to 6.144 V; 0 means up to the rail. A smaller span, for a
	// joint that never passes 300 °C say, has finer steps; an output beyond it counts as open.
	SpanVolts float64
}

// Opts is one converter with its amplifiers. What is left at 0 takes the value of DefaultOpts.
type Opts struct {
	Addr     uint16           // 0x48 to 0x4b
	Channels []ChannelOpts    // 1 to 4, each input once; polled in turn
	Rate     physic.Frequency // conversions per second while one runs: 16 to 860 Hz
	Every    time.Duration    // how often Poll is called, 20 ms to 1 s; a conversion at Rate must fit in
	// RailVolts is where an amplifier's output ends when its couple is open, 2.5 to 6.1 V: 0.1 V below its supply.
	RailVolts float64
	// FrozenAfter is how long an input may give the same code, 1 s to 10 min. The steps are about as big as the noise, so that
	// equal codes in a row prove little; half a minute of them does (judgement, no source).
	FrozenAfter time.Duration
}

// DefaultOpts are one amplifier on a 3.3 V supply, on a converter as ads1115.DefaultOpts has it.
var DefaultOpts = Opts{
	Addr: 0x48, Channels: []ChannelOpts{{Channel: 0}}, Rate: 16 * physic.Hertz, Every: 100 * time.Millisecond, RailVolts: 3.2,
	FrozenAfter: 30 * time.Second,
}

const (
	// belowRail and aboveGround are how close to its ends, in volts, an output is no longer a measurement. The amplifier
	// gets within 25 mV of ground (datasheet, from memory).
	belowRail   = 0.05
	aboveGround = 0.026
	// staleAfter is the age in periods beyond which a reading is no longer served (hazard study, S-13).
	staleAfter = 2.5
	// frozenReads is how many conversions in a row must have agreed, so that two far apart prove nothing.
	frozenReads = 32
)

// Dev is one converter with nothing but amplifiers on it. One goroutine uses it and its inputs: the one that owns the bus.
type Dev struct {
	*ads1115.Dev
	inputs []*Input
}

// New prepares a converter for its amplifiers. It sends nothing: the first Poll does.
func New(bus i2c.Bus, opts *Opts) (*Dev, error) {
	o := opts.complete()
	if len(o.Channels) < 1 || len(o.Channels) > 4 {
		return nil, fmt.Errorf("ad8495: %d channels; 1 to 4 are allowed", len(o.Channels))
	}
	conv, err := ads1115.New(bus, &ads1115.Opts{Addr: o.Addr, Rate: o.Rate, Every: o.Every})
	if err != nil {
		return nil, fmt.Errorf("ad8495: %w", err)
	}
	d := &Dev{Dev: conv}
	for i, c := range o.Channels {
		in, err := On(conv, InputOpts{ChannelOpts: c, RailVolts: o.RailVolts, FrozenAfter: o.FrozenAfter})
		if err != nil {
			return nil, fmt.Errorf("ad8495: channels[%d]: %w", i, errors.Unwrap(err))
		}
		d.inputs = append(d.inputs, in)
	}
	return d, nil
}

// complete fills in what was left at 0; the converter does so for what is its own.
func (o Opts) complete() Opts {
	if o.RailVolts == 0 {
		o.RailVolts = DefaultOpts.RailVolts
	}
	if o.FrozenAfter == 0 {
		o.FrozenAfter = DefaultOpts.FrozenAfter
	}
	return o
}

// Input returns amplifier i in the order of Opts.Channels, or nil if there is none.
func (d *Dev) Input(i int) *Input {
	if i < 0 || i >= len(d.inputs) {
		return nil
	}
	return d.inputs[i]
}

var _ conn.Resource = (*Dev)(nil)
