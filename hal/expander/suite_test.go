package expander_test

import (
	"testing"

	"trivet/hal/expander"
	"trivet/hal/haltest"
	"trivet/hal/mcp23017"
	"trivet/hal/pcf8574"
	"trivet/sim/chip"
)

// The suite on real drivers: what a bank promises is promised of whatever is behind it. All chips are in package open's tests.
func TestABankKeepsThePromisesOfLines(t *testing.T) {
	haltest.RunLines(t, haltest.LinesSpec{
		Chip: "mcp23017", Lines: 16, Inputs: true, BytesPerPoll: 25,
		New: func(tb testing.TB) haltest.LinesBench {
			c, bus := chip.NewMcp23017("exp"), chip.NewI2CBus("i2c-sim")
			if err := bus.Add(mcp23017.DefaultOpts.Addr, c); err != nil {
				tb.Fatal(err)
			}
			tap := &haltest.Tap{I2C: bus}
			return haltest.LinesBench{Wire: c.Line, Inject: c.Inject, Tap: tap, Open: func(gather bool) (*expander.Bank, error) {
				return mcp23017.New(tap, &mcp23017.Opts{Gather: gather})
			}}
		},
	})
	haltest.RunLines(t, haltest.LinesSpec{
		Chip: "pcf8574", Lines: 8, ActiveLow: true, Inputs: true, PulledUp: true, BytesPerPoll: 2,
		New: func(tb testing.TB) haltest.LinesBench {
			c, bus := chip.NewPcf8574("exp"), chip.NewI2CBus("i2c-sim")
			if err := bus.Add(pcf8574.DefaultOpts.Addr, c); err != nil {
				tb.Fatal(err)
			}
			tap := &haltest.Tap{I2C: bus}
			return haltest.LinesBench{Wire: c.Line, Inject: c.Inject, Tap: tap, Open: func(gather bool) (*expander.Bank, error) {
				return pcf8574.New(tap, &pcf8574.Opts{Gather: gather})
			}}
		},
	})
}
