package open_test

import (
	"testing"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/spi"

	"trivet/hal/emf"
	"trivet/hal/expander"
	"trivet/hal/haltest"
	"trivet/hal/open"
	"trivet/process/unit"
	"trivet/sim/chip"
)

// Every chip of the table, opened by its name, in the suite of its kind, on its emulator. The table at the end of the log says which
// promise which chip has kept (`go test -v -run Conformance ./hal/open`).
func TestConformance(t *testing.T) {
	var thermometers, lines, screens []haltest.Card
	for _, s := range thermometerSpecs() {
		t.Run(s.Chip, func(t *testing.T) { thermometers = append(thermometers, haltest.RunThermometer(t, s)) })
	}
	for _, s := range lineSpecs() {
		t.Run(s.Chip, func(t *testing.T) { lines = append(lines, haltest.RunLines(t, s)) })
	}
	for _, s := range []haltest.ScreenSpec{screenSpec()} {
		t.Run(s.Chip, func(t *testing.T) { screens = append(screens, haltest.RunScreen(t, s)) })
	}
	t.Logf("\n%s", haltest.Table("thermometers", thermometers))
	t.Logf("\n%s", haltest.Table("lines", lines))
	t.Logf("\n%s", haltest.Table("screens", screens))
}

func thermometer(tb testing.TB, world haltest.World, s open.Spec) haltest.Bench {
	tb.Helper()
	c := open.New(tick)
	th, err := c.Thermometer(s)
	if err != nil {
		tb.Fatal(err)
	}
	b := haltest.Bench{Sensor: th, World: world, Mend: c.Configure}
	if len(c.Pollers()) > 0 {
		b.Poll = c.Pollers()[0].Poll
	}
	return b
}

// gone are the faults of a chip or bus that every driver must call by the same name.
func gone(within time.Duration) []haltest.Expect {
	return []haltest.Expect{
		{Fault: chip.Dead, Quality: unit.NoAnswer, Within: within}, {Fault: chip.AllZeros, Quality: unit.NoAnswer, Within: within}, {Fault: chip.AllOnes, Quality: unit.NoAnswer, Within: within},
	}
}

func thermometerSpecs() []haltest.Spec {
	const asking = 3 * tick // of a MAX6675
	return []haltest.Spec{
		{
			Chip: "max31855", Error: 0.2, Settle: 400 * time.Millisecond,
			New: func(tb testing.TB) haltest.Bench {
				c := chip.NewMax31855("spi-sim")
				return thermometer(tb, c, open.Spec{Chip: "max31855", SPI: c})
			},
			Faults: append(gone(0), haltest.Expect{Fault: chip.Open, Quality: unit.Open, Within: tick},
				haltest.Expect{Fault: chip.ShortGround, Quality: unit.ShortGround, Within: tick}, haltest.Expect{Fault: chip.ShortSupply, Quality: unit.ShortSupply, Within: tick},
				haltest.Expect{Fault: chip.FrozenFrame, Quality: unit.Frozen, Within: 31 * time.Second}),
		},
		{
			Chip: "max31856", Error: 0.02, Settle: 600 * time.Millisecond,
			New: func(tb testing.TB) haltest.Bench {
				c := chip.NewMax31856("spi-sim").Couple(emf.Type('N'))
				return thermometer(tb, c, open.Spec{Chip: "max31856", SPI: c, Type: "N"})
			},
			Faults: append(gone(0), haltest.Expect{Fault: chip.Open, Quality: unit.Open, Within: 1800 * time.Millisecond, Lasts: 1600 * time.Millisecond}, // 16 conversions
				haltest.Expect{Fault: chip.ShortGround, Quality: unit.ShortSupply},
				haltest.Expect{Fault: chip.ShortSupply, Quality: unit.ShortSupply}, haltest.Expect{Fault: chip.FrozenFrame, Quality: unit.Frozen, Within: time.Second},
				haltest.Expect{Fault: chip.ResetChip, Quality: unit.NoAnswer}),
		},
		{
			Chip: "max6675", Error: 0.6, Settle: 3*asking + tick, Coldest: 20, Warmest: 300,
			New: func(tb testing.TB) haltest.Bench {
				c := chip.NewMax6675("spi-sim")
				return thermometer(tb, c, open.Spec{Chip: "max6675", SPI: c})
			},
			Faults: append(gone(asking), haltest.Expect{Fault: chip.Open, Quality: unit.Open, Within: 2 * asking},
				haltest.Expect{Fault: chip.ShortSupply, Quality: unit.OutOfRange, Within: 2 * asking},
				haltest.Expect{Fault: chip.FrozenFrame, Quality: unit.Frozen, Within: 2*time.Minute + 2*asking}),
		},
		{
			Chip: "max31865", Error: 0.02, Settle: 400 * time.Millisecond,
			New: func(tb testing.TB) haltest.Bench {
				c := chip.NewMax31865("spi-sim").Wire(1000, 4000, 0)
				return thermometer(tb, c, open.Spec{Chip: "max31865", SPI: c, Type: "Pt1000", RefOhms: 4000, Wires: 3, MainsHz: 60})
			},
			Faults: append(gone(0), haltest.Expect{Fault: chip.Open, Quality: unit.Open, Within: 3 * tick}, haltest.Expect{Fault: chip.ShortGround, Quality: unit.ShortGround, Within: 3 * tick},
				haltest.Expect{Fault: chip.ShortSupply, Quality: unit.ShortSupply, Within: 3 * tick}, haltest.Expect{Fault: chip.FrozenFrame, Quality: unit.Frozen, Within: 31 * time.Second},
				haltest.Expect{Fault: chip.ResetChip, Quality: unit.NoAnswer}),
		},
		{
			Chip: "ad8495", Error: 0.03, Settle: 3 * tick,
			New: func(tb testing.TB) haltest.Bench {
				bus, a := chip.NewI2CBus("i2c-sim"), chip.NewAds1115()
				if err := bus.Add(0x49, a); err != nil {
					tb.Fatal(err)
				}
				return thermometer(tb, a.Input(2).Wire(1.25, 5), open.Spec{Chip: "ad8495", I2C: bus, Addr: 0x49, Input: 2, RefVolts: 1.25, RailVolts: 4.9, SpanVolts: 4.096})
			},
			Faults: append(gone(0), haltest.Expect{Fault: chip.Open, Quality: unit.Open, Within: 2 * tick}, haltest.Expect{Fault: chip.ShortGround, Quality: unit.ShortGround, Within: 2 * tick},
				haltest.Expect{Fault: chip.ShortSupply, Quality: unit.Open, Within: 2 * tick}, haltest.Expect{Fault: chip.FrozenFrame, Quality: unit.Frozen, Within: 31 * time.Second}),
		},
	}
}

// i2cLines is a bench of an expander on I²C.
func i2cLines(tb testing.TB, bus *chip.I2CBus, s open.Spec, wire func(int) *chip.Pin, inject func(chip.Fault)) haltest.LinesBench {
	tb.Helper()
	tap := &haltest.Tap{I2C: bus}
	return haltest.LinesBench{Wire: wire, Inject: inject, Tap: tap, Open: func(gather bool) (*expander.Bank, error) {
		s.I2C, s.Gather = i2c.Bus(tap), gather
		return open.New(tick).Expander(s)
	}}
}

func chain(name string, registers int, blind bool) haltest.LinesSpec {
	return haltest.LinesSpec{
		Chip: name, Lines: 8 * registers, BytesPerPoll: registers, Blind: blind,
		New: func(testing.TB) haltest.LinesBench {
			c := chip.NewHC595("chain", registers)
			if blind {
				c.Blind()
			}
			tap := &haltest.Tap{SPI: c}
			return haltest.LinesBench{Wire: c.Line, Inject: c.Inject, Tap: tap, Open: func(gather bool) (*expander.Bank, error) {
				return open.New(tick).Expander(open.Spec{Chip: "74hc595", SPI: spi.Port(tap), Registers: registers, Enable: c.Enable(), Blind: blind, Gather: gather})
			}}
		},
	}
}

func lineSpecs() []haltest.LinesSpec {
	return []haltest.LinesSpec{
		{
			Chip: "mcp23017", Lines: 16, Inputs: true, BytesPerPoll: 25,
			New: func(tb testing.TB) haltest.LinesBench {
				c, bus := chip.NewMcp23017("exp"), chip.NewI2CBus("i2c-sim")
				if err := bus.Add(0x27, c); err != nil {
					tb.Fatal(err)
				}
				return i2cLines(tb, bus, open.Spec{Chip: "mcp23017", Addr: 0x27}, c.Line, c.Inject)
			},
		},
		{
			Chip: "pcf8574", Lines: 8, ActiveLow: true, Inputs: true, PulledUp: true, BytesPerPoll: 2,
			New: func(tb testing.TB) haltest.LinesBench {
				c, bus := chip.NewPcf8574("exp"), chip.NewI2CBus("i2c-sim")
				if err := bus.Add(0x3f, c); err != nil {
					tb.Fatal(err)
				}
				return i2cLines(tb, bus, open.Spec{Chip: "pcf8574", Addr: 0x3f}, c.Line, c.Inject)
			},
		},
		chain("74hc595", 1, false), chain("two 595", 2, false), chain("blind 595", 1, true),
		{
			Chip: "pca9685", Lines: 16, BytesPerPoll: 24,
			New: func(tb testing.TB) haltest.LinesBench {
				c, bus := chip.NewPca9685("pwm"), chip.NewI2CBus("i2c-sim")
				if err := bus.Add(0x40, c); err != nil {
					tb.Fatal(err)
				}
				return i2cLines(tb, bus, open.Spec{Chip: "pca9685"}, c.Line, c.Inject)
			},
		},
	}
}

func screenSpec() haltest.ScreenSpec {
	return haltest.ScreenSpec{
		Chip: "ssd1306", Width: 128, Height: 64, BytesPerPoll: 34, Full: 65, Retry: 5 * time.Second, Refresh: time.Minute,
		New: func(tb testing.TB) haltest.ScreenBench {
			c, bus := chip.NewSsd1306(), chip.NewI2CBus("i2c-sim")
			if err := bus.Add(0x3d, c); err != nil {
				tb.Fatal(err)
			}
			tap := &haltest.Tap{I2C: bus}
			s, err := open.New(tick).Display(open.Spec{Chip: "ssd1306", I2C: tap, Addr: 0x3d, Height: 64})
			if err != nil {
				tb.Fatal(err)
			}
			return haltest.ScreenBench{Screen: s, Pixel: c.Pixel, Inject: c.Inject, Tap: tap}
		},
	}
}

// BenchmarkTick is what one chip of each kind costs in a tick, emulated chip and bus included.
func BenchmarkTick(b *testing.B) {
	for _, s := range thermometerSpecs() {
		b.Run(s.Chip, func(b *testing.B) { haltest.BenchmarkThermometer(b, s) })
	}
	for _, s := range lineSpecs() {
		b.Run(s.Chip, func(b *testing.B) { haltest.BenchmarkLines(b, s) })
	}
}
