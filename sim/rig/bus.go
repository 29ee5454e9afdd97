package rig

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"time"

	"trivet/sim/chip"
	"trivet/sim/fault"
)

// What goes wrong between a chip and its bus. The chip itself is sound in all of it, so that only what arrives can show it.

// answerer is a chip on SPI: its port, and what it would answer if its select line were low as well.
type answerer interface {
	Tap(t chip.Tap)
	Answer(w, r []byte) error
}

// errRefused is what a bus driver reports for a transaction that was not acknowledged.
var errRefused = errors.New("not acknowledged")

// applyBus puts fault f between the amplifier of p and its bus, or takes it out.
func (r *Rig) applyBus(p *Probe, f fault.Fault, on bool) error {
	switch f.Kind {
	case "bus_late":
		return span(&p.late, f, on)
	case "bus_blocks":
		if r.OnHang == nil {
			return fmt.Errorf("%s needs somebody who watches the loop while it waits; nobody does on this machine", f.Kind)
		}
		return span(&p.blocks, f, on)
	case "converter_channel", "converter_meddled":
		return r.applyConverter(p, f, on)
	}
	var t chip.Tap
	if on {
		var err error
		if t, err = r.tapOf(p, f); err != nil {
			return err
		}
	}
	if a, ok := p.port.(answerer); ok {
		a.Tap(t)
		return nil
	}
	ads, _ := p.front.(*chip.AmpInput).At()
	ads.Tap(t) // the other inputs of that converter suffer with it
	return nil
}

// span sets a time that is told in milliseconds.
func span(d *time.Duration, f fault.Fault, on bool) error {
	*d = 0
	if !(f.Value > 0 && f.Value <= 10_000) {
		return fmt.Errorf("value is %g ms; it must be above 0 and at most 10000", f.Value)
	}
	if on {
		*d = time.Duration(f.Value * float64(time.Millisecond))
	}
	return nil
}

func (r *Rig) tapOf(p *Probe, f fault.Fault) (chip.Tap, error) {
	switch f.Kind {
	case "bus_bit_errors":
		return share(f, func(x float64) chip.Tap { return flipping(r.rng, x) })
	case "bus_refuses":
		return share(f, func(x float64) chip.Tap { return refusing(r.rng, x) })
	case "bus_shifted":
		return shifting, nil
	case "bus_swapped":
		return swapping, nil
	case "bus_two_answer":
		q, err := r.sensor(f.With)
		if err != nil {
			return nil, err
		}
		other, ok := q.port.(answerer)
		if _, mine := p.port.(answerer); !ok || !mine {
			return nil, fmt.Errorf("%s and %s are not both on SPI; on I²C every chip has its own address", f.Target, f.With)
		}
		return fighting(other), nil
	}
	return nil, fmt.Errorf("%s cannot be applied to a bus", f.Kind)
}

func share(f fault.Fault, tap func(float64) chip.Tap) (chip.Tap, error) {
	if !(f.Value > 0 && f.Value <= 1) {
		return nil, fmt.Errorf("value is %g; it must be above 0 and at most 1", f.Value)
	}
	return tap(f.Value), nil
}

// flipping turns bits over in both directions, each with probability x.
func flipping(rng *rand.Rand, x float64) chip.Tap {
	flip := func(b []byte) {
		for i := range b {
			for k := range 8 {
				if rng.Float64() < x {
					b[i] ^= 1 << k
				}
			}
		}
	}
	return func(w, r []byte, tx func(w, r []byte) error) error {
		sent := append([]byte(nil), w...)
		flip(sent)
		err := tx(sent, r)
		flip(r)
		return err
	}
}

// refusing lets a share x of the transactions fail.
func refusing(rng *rand.Rand, x float64) chip.Tap {
	return func(w, r []byte, tx func(w, r []byte) error) error {
		if rng.Float64() < x {
			return errRefused
		}
		return tx(w, r)
	}
}

// shifting gives every bit a clock late: the master samples on the wrong edge.
func shifting(w, r []byte, tx func(w, r []byte) error) error {
	err := tx(w, r)
	carry := byte(0)
	for i, b := range r {
		r[i], carry = carry|b>>1, b<<7
	}
	return err
}

// swapping exchanges the bytes of each pair: a bus set to words of 16 bits.
func swapping(w, r []byte, tx func(w, r []byte) error) error {
	err := tx(w, r)
	for i := 0; i+1 < len(r); i += 2 {
		r[i], r[i+1] = r[i+1], r[i]
	}
	return err
}

// fighting lets a second chip drive the data line. Where the two differ the low level wins: the pull-down transistor of an output is
// usually the stronger one (judgement; a real line would be anywhere in between).
func fighting(other answerer) chip.Tap {
	return func(w, r []byte, tx func(w, r []byte) error) error {
		if err := tx(w, r); err != nil {
			return err
		}
		also := make([]byte, len(r))
		if err := other.Answer(w, also); err != nil {
			return nil // it is silent
		}
		for i := range r {
			r[i] &= also[i]
		}
		return nil
	}
}

// applyConverter puts a fault on the converter behind p.
func (r *Rig) applyConverter(p *Probe, f fault.Fault, on bool) error {
	amp, ok := p.front.(*chip.AmpInput)
	if !ok {
		return fmt.Errorf("%s has a chip of its own; only inputs of a shared converter can be confused", f.Target)
	}
	q, err := r.sensor(f.With)
	if err != nil {
		return err
	}
	other, ok := q.front.(*chip.AmpInput)
	ads, _ := amp.At()
	if !ok {
		return fmt.Errorf("%s is not on an analog converter", f.With)
	}
	its, input := other.At()
	if its != ads {
		return fmt.Errorf("%s is not on the converter of %s", f.With, f.Target)
	}
	switch {
	case f.Kind == "converter_channel" && on:
		ads.Jam(input)
	case f.Kind == "converter_channel":
		ads.Jam(-1)
	default:
		p.meddled = nil
		if on {
			p.meddled = func() { ads.Meddle(input) }
		}
	}
	return nil
}

// Late is how much later than asked for the readings of p arrive; 0 when nothing is wrong.
func (p *Probe) Late() time.Duration { return p.late }

// Blocks is how long the bus of p holds up whoever reads it.
func (p *Probe) Blocks() time.Duration { return p.blocks }

// Hang lets the machine run on for d while the program waits for a bus: lines stay as they are. OnHang is called after each step.
func (r *Rig) Hang(d time.Duration) {
	for end := r.now + d; r.now < end; {
		r.step(min(end-r.now, tick/2))
		if r.OnHang != nil {
			r.OnHang()
		}
	}
}
