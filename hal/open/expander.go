package open

import (
	"fmt"

	"trivet/hal/expander"
	"trivet/hal/hc595"
	"trivet/hal/mcp23017"
	"trivet/hal/pca9685"
	"trivet/hal/pcf8574"
)

// Expander opens a chip that adds lines, with every line released or off. Its lines are handed out by Out and In of the bank, its
// poller is among Pollers afterwards. Two things must be asked of its Traits: whether outputs and contacts must be active
// low, and whether a line can switch by itself, as a fan wants.
//
// After a poll, Err of the bank says whether the chip still is what it must be. What was on is off then, and stays so
// until Configure.
func (c *Chips) Expander(s Spec) (*expander.Bank, error) {
	b, err := c.bank(s)
	if err != nil {
		return nil, fmt.Errorf("chip %q: %w", s.Chip, err)
	}
	// Two banks at one address would each find the other's writes and call the chip lost; the machine file's checker refuses them.
	c.pollers = append(c.pollers, b)
	c.lost = append(c.lost, func() error { return again(b.Err(), b) })
	return b, nil
}

func (c *Chips) bank(s Spec) (*expander.Bank, error) {
	if err := s.check(Expanders); err != nil {
		return nil, err
	}
	switch s.Chip {
	case "mcp23017":
		return mcp23017.New(s.I2C, &mcp23017.Opts{Addr: s.Addr, Gather: s.Gather})
	case "pcf8574":
		return pcf8574.New(s.I2C, &pcf8574.Opts{Addr: s.Addr, Gather: s.Gather})
	case "pca9685":
		return pca9685.New(s.I2C, &pca9685.Opts{Addr: s.Addr, Gather: s.Gather})
	}
	// A chain reads back unless it is said that it cannot: forgotten, it fails when it is opened, and not when it is needed.
	o := hc595.DefaultOpts
	set(&o.Registers, s.Registers)
	o.Enable, o.AlwaysEnabled, o.ReadBack, o.Gather = s.Enable, s.AlwaysEnabled, !s.Blind, s.Gather
	return hc595.New(s.SPI, &o)
}
