// Package ad8495 reads AD8495 thermocouple amplifiers through an ADS1115 converter, on top of periph's ads1x15 driver.
//
// # Two ticks for one reading
//
// periph's driver starts a conversion, sleeps for as long as it should take, and fetches whatever is in the result register. A
// control tick may not sleep, and a converter whose clock runs slow would hand back the previous conversion, perhaps of another input. So
// the work is split. In one tick periph composes and sends the request, over a bus of ours that passes the request on and then returns
// a sentinel error: periph gives control back before its sleep. In a later tick this package asks whether the conversion is complete
// and whether the multiplexer and gain are still those of the request, and only then fetches the result.
//
// # Datasheet
//
// https://www.analog.com/media/en/technical-documentation/data-sheets/ad8494_8495_8496_8497.pdf
//
// https://www.ti.com/lit/ds/symlink/ads1115.pdf
package ad8495

import (
	"errors"
	"fmt"
	"time"

	"periph.io/x/conn/v3"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/devices/v3/ads1x15"

	"trivet/hal/emf"
	"trivet/process/unit"
)

// ChannelOpts is one amplifier.
type ChannelOpts struct {
	Channel  int     // input of the converter, 0 to 3
	RefVolts float64 // voltage at the amplifier's REF pin, V
}

// Opts is how one converter and its amplifiers are used.
type Opts struct {
	Addr     uint16 // 0x48 to 0x4B
	Channels []ChannelOpts
	// Every is how often Poll is called. A conversion takes one of these, so an input is read every Every × number of inputs.
	Every time.Duration
	// RailVolts is where the amplifier's output ends when its couple is open, V; a little below the supply.
	RailVolts float64
}

// DefaultOpts is an amplifier per input, on a 3.3 V supply, polled ten times a second.
var DefaultOpts = Opts{Addr: 0x48, Channels: []ChannelOpts{{Channel: 0}, {Channel: 1}, {Channel: 2}, {Channel: 3}}, Every: 100 * time.Millisecond, RailVolts: 3.2}

// Model of the amplifier: trimmed to 0.125 V at 25 °C with a gain of 122.4 on the couple's voltage (AD8494/5/6/7 data sheet and AN-1087, from memory;
// agrees to the millivolt with the printed table of ideal outputs). Reading it as 5 mV/°C is up to 0.94 °C off between 25 and 360 °C.
const (
	ampGain   = 122.4
	ampOffset = 2.6 // mV
)

// Temperature returns what the hot junction is at when the amplifier puts out volts above its reference.
func Temperature(volts float64) (unit.Celsius, bool) {
	return emf.Type('K').Temperature((volts*1000 - ampOffset) / ampGain)
}

// Volts is the inverse of Temperature.
func Volts(c unit.Celsius) (float64, bool) {
	e, ok := emf.Type('K').Voltage(c)
	return (ampGain*e + ampOffset) / 1000, ok
}

// sentinel makes periph's driver return before it sleeps.
var sentinel = errors.New("ad8495: conversion started")

// starter is the bus periph's driver sees: a request to start a conversion goes through to the real bus and then "fails" with the sentinel.
type starter struct {
	i2c.Bus
	sent uint16 // the configuration that was written
}

// Tx passes everything on.
func (s *starter) Tx(addr uint16, w, r []byte) error {
	if err := s.Bus.Tx(addr, w, r); err != nil {
		return err
	}
	if len(w) == 3 && w[0] == regConfig {
		s.sent = uint16(w[1])<<8 | uint16(w[2])
		return sentinel
	}
	return nil
}

const (
	regResult = 0
	regConfig = 1
	ready     = 0x8000
	// tag is what must come back unchanged: multiplexer, gain, mode and rate (data sheet). The ready bit has its own meaning on reading.
	tag = 0x7FE0
)

// Dev is one converter. Poll and Read belong to one goroutine.
type Dev struct {
	bus    *starter
	addr   uint16
	name   string
	inputs []Input
	turn   int
	busy   bool
	began  time.Duration
	w1     [1]byte
	r2     [2]byte
	err    error
}

var _ conn.Resource = (*Dev)(nil)

// Input is one amplifier at its converter input.
type Input struct {
	pin   ads1x15.PinADC
	ref   float64
	rail  float64
	every time.Duration
	last  unit.Reading
	scale float64 // V per code
}

// patienceTicks is how many polls a conversion may take: at 250 conversions a second it is done long before the next poll.
const patienceTicks = 3

// New prepares a converter. It does not touch the bus: a chip that does not answer is a reading with a reason.
func New(bus i2c.Bus, opts *Opts) (*Dev, error) {
	if opts.Addr < 0x48 || opts.Addr > 0x4B {
		return nil, fmt.Errorf("ad8495: converter address is %#x; it must be 0x48 to 0x4b", opts.Addr)
	}
	if len(opts.Channels) == 0 || len(opts.Channels) > 4 {
		return nil, fmt.Errorf("ad8495: %d channels; there must be 1 to 4", len(opts.Channels))
	}
	if !(opts.Every >= 10*time.Millisecond) || !(opts.RailVolts > 1) {
		return nil, fmt.Errorf("ad8495: polled every %v with a rail at %g V; at least 10 ms and more than 1 V", opts.Every, opts.RailVolts)
	}
	d := &Dev{bus: &starter{Bus: bus}, addr: opts.Addr, name: fmt.Sprintf("AD8495{ADS1115 at %#x on %s}", opts.Addr, bus)}
	adc, err := ads1x15.NewADS1115(d.bus, &ads1x15.Opts{I2cAddress: opts.Addr})
	if err != nil {
		return nil, fmt.Errorf("ad8495: %w", err)
	}
	for _, c := range opts.Channels {
		if c.Channel < 0 || c.Channel > 3 || !(c.RefVolts >= 0 && c.RefVolts < opts.RailVolts) {
			return nil, fmt.Errorf("ad8495: channel %d with a reference of %g V; channels are 0 to 3, the reference 0 V to below the rail", c.Channel, c.RefVolts)
		}
		channel := [4]ads1x15.Channel{ads1x15.Channel0, ads1x15.Channel1, ads1x15.Channel2, ads1x15.Channel3}[c.Channel]
		// ±4.096 V holds the whole output of the amplifier on a 3.3 V supply; one step is 0.025 °C. 250 conversions a second are done in 4 ms.
		pin, err := adc.PinForChannel(channel, 4*physic.Volt, 250*physic.Hertz, ads1x15.BestQuality)
		if err != nil {
			return nil, fmt.Errorf("ad8495: channel %d: %w", c.Channel, err)
		}
		_, top := pin.Range()
		d.inputs = append(d.inputs, Input{pin: pin, ref: c.RefVolts, rail: opts.RailVolts,
			every: opts.Every * time.Duration(len(opts.Channels)), scale: float64(top.V) / float64(physic.Volt) / 32768})
	}
	return d, nil
}

// String returns the converter and its bus.
func (d *Dev) String() string { return d.name }

// Halt does nothing: a single-shot converter rests by itself.
func (d *Dev) Halt() error { return nil }

// Input returns input i in the order of Opts.Channels.
func (d *Dev) Input(i int) *Input { return &d.inputs[i] }

// Period returns how often each input is read.
func (d *Dev) Period() time.Duration { return d.inputs[0].every }

// LastError returns why the bus failed in the last Poll, nil if it did not.
func (d *Dev) LastError() error { return d.err }

// Poll collects the conversion that was started, if it is complete, and starts the next input's. It is called once per tick, never
// waits and never allocates.
func (d *Dev) Poll(now time.Duration) {
	d.err = nil
	if d.busy {
		in := &d.inputs[d.turn]
		v, done, q := d.collect()
		switch {
		case q != unit.Good:
			in.last = unit.Unusable(now, q)
		case !done && now-d.began < patienceTicks*in.every/time.Duration(len(d.inputs)):
			return // give it another tick
		case !done:
			in.last = unit.Unusable(now, unit.NoAnswer)
		default:
			in.last = in.judge(now, v)
		}
		d.turn = (d.turn + 1) % len(d.inputs)
	}
	// periph's Read sends the request and comes back with the sentinel.
	_, err := d.inputs[d.turn].pin.Read()
	d.busy, d.began = errors.Is(err, sentinel), now
	if !d.busy {
		d.err = err
		d.inputs[d.turn].last = unit.Unusable(now, unit.NoAnswer)
		d.turn = (d.turn + 1) % len(d.inputs)
	}
}

// collect asks whether the conversion is complete and whether it is the one that was asked for, and fetches it.
func (d *Dev) collect() (code int16, done bool, q unit.Quality) {
	d.w1[0] = regConfig
	if d.err = d.bus.Bus.Tx(d.addr, d.w1[:], d.r2[:]); d.err != nil {
		return 0, false, unit.NoAnswer
	}
	c := uint16(d.r2[0])<<8 | uint16(d.r2[1])
	switch {
	case c == 0xFFFF || c&tag != d.bus.sent&tag:
		return 0, false, unit.NoAnswer // a stuck line, another request, or a chip that was reset
	case c&ready == 0:
		return 0, false, unit.Good
	}
	d.w1[0] = regResult
	if d.err = d.bus.Bus.Tx(d.addr, d.w1[:], d.r2[:]); d.err != nil {
		return 0, false, unit.NoAnswer
	}
	return int16(uint16(d.r2[0])<<8 | uint16(d.r2[1])), true, unit.Good
}

// judge turns a code into a reading. An open couple drives the amplifier to its upper rail, which would be about 640 °C; an output at or
// below 0 V with the reference at ground is a couple below 0 °C, a reversed one, or a short, and none of these can be told apart.
func (in *Input) judge(now time.Duration, code int16) unit.Reading {
	v := float64(code) * in.scale
	switch {
	case v >= in.rail:
		return unit.Unusable(now, unit.Open)
	case v <= 0.0005 && in.ref < 0.01:
		return unit.Unusable(now, unit.ShortGround)
	}
	t, ok := Temperature(v - in.ref)
	if !ok {
		return unit.Unusable(now, unit.OutOfRange)
	}
	return unit.Measured(now, t)
}

// Read returns the newest reading of this input, or why there is none. It never touches the bus.
func (in *Input) Read(now time.Duration) unit.Reading {
	if in.last.Usable() && now-in.last.At > in.every*5/2 {
		return unit.Unusable(in.last.At, unit.Stale)
	}
	return in.last
}
