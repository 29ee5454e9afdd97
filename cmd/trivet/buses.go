package main

import (
	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/spi"

	"trivet/hal/gpiochip"
	"trivet/hal/hostbus"
	"trivet/station"
)

// realBuses are those of the computer that the program runs on.
type realBuses struct{}

// SPI opens a port by the name that probe lists.
func (realBuses) SPI(name string) (spi.PortCloser, error) { return hostbus.OpenSPI(name) }

// I2C opens a bus by the name that probe lists.
func (realBuses) I2C(name string) (i2c.BusCloser, error) { return hostbus.OpenI2C(name) }

// Out requests an output that has its level with the request itself: no pulse, not even a short one.
func (realBuses) Out(line string, high bool) (gpio.PinOut, error) {
	n, err := gpiochip.ParseName(line)
	if err != nil {
		return nil, err
	}
	o, err := gpiochip.OpenOut(n, gpiochip.OutOptions{Initial: high})
	if err != nil {
		return nil, err
	}
	return o, nil
}

// In requests an input, pulled down.
func (realBuses) In(line string) (station.Contact, error) {
	n, err := gpiochip.ParseName(line)
	if err != nil {
		return nil, err
	}
	i, err := gpiochip.OpenIn(n, gpiochip.InOptions{Bias: gpiochip.PullDown})
	if err != nil {
		return nil, err
	}
	return i, nil
}
