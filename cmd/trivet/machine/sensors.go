package machine

import (
	"fmt"

	"trivet/hal/ad8495"
	"trivet/hal/emf"
	"trivet/hal/max31855"
	"trivet/hal/max31856"
	"trivet/station"
)

// converter is a chip whose inputs take turns.
type converter interface {
	station.Poller
	Input(i int) *ad8495.Input
}

func (c *connector) thermometer(s *Sensor) (station.Thermometer, error) {
	switch s.Chip {
	case "max31855":
		p, err := c.spiPort(s.Bus)
		if err != nil {
			return nil, err
		}
		o := max31855.DefaultOpts
		o.Type = emf.Type(s.Type[0])
		return max31855.New(p, &o)
	case "max31856":
		p, err := c.spiPort(s.Bus)
		if err != nil {
			return nil, err
		}
		o := max31856.DefaultOpts
		o.Type, o.MainsHz = emf.Type(s.Type[0]), c.f.Wiring.MainsHz
		return max31856.New(p, &o)
	case "ad8495":
		return c.converterInput(s)
	}
	return nil, fmt.Errorf("no driver for %s", s.Chip)
}

// converterInput opens a converter with all the inputs that the file uses of it, once.
func (c *connector) converterInput(s *Sensor) (station.Thermometer, error) {
	key := fmt.Sprintf("%s %#x", s.Bus, s.Address)
	if d, ok := c.converters[key]; ok {
		return d.Input(s.Input), nil
	}
	bus, err := c.i2cBus(s.Bus)
	if err != nil {
		return nil, err
	}
	o := ad8495.Opts{Addr: uint16(s.Address), Every: station.Period, RailVolts: ad8495.DefaultOpts.RailVolts}
	for _, other := range c.f.Wiring.Sensors {
		if other.Chip == s.Chip && other.Bus == s.Bus && other.Address == s.Address {
			o.Channels = append(o.Channels, ad8495.ChannelOpts{Channel: other.Input})
		}
	}
	d, err := ad8495.New(bus, &o)
	if err != nil {
		return nil, err
	}
	c.converters[key] = d
	c.out.Hardware.Pollers = append(c.out.Hardware.Pollers, d)
	return d.Input(s.Input), nil
}
