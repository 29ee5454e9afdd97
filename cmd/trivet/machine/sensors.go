package machine

import (
	"fmt"

	"trivet/hal/open"
	"trivet/station"
)

// thermometer opens one sensor's chip. Chips that several inputs share are opened once, by package open.
func (c *connector) thermometer(s *Sensor) (station.Thermometer, error) {
	spec := open.Spec{Chip: s.Chip, Type: s.Type, MainsHz: c.f.Wiring.MainsHz}
	known, ok := chips[s.Chip]
	if !ok {
		return nil, fmt.Errorf("no driver for %s", s.Chip)
	}
	if !known.mainsFilter {
		spec.MainsHz = 0
	}
	var err error
	if known.i2c {
		spec.Addr, spec.Input = uint16(s.Address), s.Input
		spec.I2C, err = c.i2cBus(s.Bus)
	} else {
		spec.SPI, err = c.spiPort(s.Bus)
	}
	if err != nil {
		return nil, err
	}
	return c.chips.Thermometer(spec)
}
