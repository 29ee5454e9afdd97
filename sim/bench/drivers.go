package bench

import (
	"fmt"

	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"trivet/hal/ad8495"
	"trivet/hal/line"
	"trivet/hal/max31855"
	"trivet/hal/max31856"
	"trivet/sim/chip"
	"trivet/sim/rig"
	"trivet/station"
)

// drivers opens the real drivers on the rig's buses and pins, as they would be opened on a real machine's.
func drivers(r *rig.Rig) (station.Hardware, station.Lines, error) {
	var hw station.Hardware
	var lines station.Lines
	converters := map[uint16]*ad8495.Dev{}
	for _, a := range r.Converters() {
		o := ad8495.Opts{Addr: a.Addr, Every: station.Period, RailVolts: ad8495.DefaultOpts.RailVolts}
		for c := range a.Inputs {
			o.Channels = append(o.Channels, ad8495.ChannelOpts{Channel: c})
		}
		d, err := ad8495.New(r.Bus, &o)
		if err != nil {
			return hw, lines, err
		}
		converters[a.Addr] = d
		hw.Pollers = append(hw.Pollers, d)
	}
	for i := range r.Probes {
		p := &r.Probes[i]
		t, err := thermometer(r, p, converters)
		if err != nil {
			return hw, lines, fmt.Errorf("%s: %w", p.Name, err)
		}
		hw.Sensors = append(hw.Sensors, behindBus(t, r, p))
	}
	return hw, lines, connect(r, &hw, &lines)
}

func thermometer(r *rig.Rig, p *rig.Probe, converters map[uint16]*ad8495.Dev) (station.Thermometer, error) {
	switch p.Chip {
	case "max31855":
		return max31855.New(p.Port().(spi.Port), &max31855.DefaultOpts)
	case "max31856":
		return max31856.New(p.Port().(spi.Port), &max31856.DefaultOpts)
	}
	addr, input := p.Input()
	return converters[addr].Input(input), nil
}

// connect claims every line of the rig.
func connect(r *rig.Rig, hw *station.Hardware, lines *station.Lines) error {
	var first error
	out := func(p *chip.Pin) station.Switch {
		o, err := line.NewOut(p)
		if err != nil && first == nil {
			first = err
		}
		return o
	}
	in := func(p *chip.Pin) station.Contact {
		i, err := line.NewIn(p, true)
		if err != nil && first == nil {
			first = err
		}
		return i
	}
	for i := range r.Relays {
		hw.Relays = append(hw.Relays, out(r.Relays[i]))
		lines.Relays = append(lines.Relays, out(r.Relays[i]))
		hw.Sense = append(hw.Sense, in(r.Sense[i]))
	}
	for i := range r.Blowers {
		hw.Blowers = append(hw.Blowers, out(r.Blowers[i]))
		hw.Air = append(hw.Air, in(r.Air[i]))
	}
	for _, p := range r.Interlocks {
		hw.Interlocks = append(hw.Interlocks, in(p))
	}
	hw.Mirror = in(r.Mirror)
	hw.Supply = r
	lines.Enable, lines.Heartbeat = out(r.Enable), out(r.Heartbeat)
	fan, err := line.NewFan(r.Fan, 25*physic.KiloHertz)
	if err != nil && first == nil {
		first = err
	}
	hw.Fan = fan
	return first
}
