package machine_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"trivet/cmd/trivet/machine"
	"trivet/hal/line"
	"trivet/sim/chip"
	"trivet/station"
)

// desk is a table with chips on it: buses and lines that answer, without a machine behind them.
type desk struct {
	mu   sync.Mutex
	bus  *chip.I2CBus
	spis map[string]spi.Port
	pins map[string]*chip.Pin
}

// openBus takes turns: the emulated chips know nothing of lanes that look at them beside a test.
type openBus struct {
	i2c.Bus
	mu *sync.Mutex
}

func (b openBus) Tx(addr uint16, w, r []byte) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.Bus.Tx(addr, w, r)
}

func (openBus) Close() error { return nil }

type openPort struct{ spi.Port }

func (openPort) Close() error                      { return nil }
func (openPort) LimitSpeed(physic.Frequency) error { return nil }

func (d *desk) SPI(name string) (spi.PortCloser, error) {
	if p, ok := d.spis[name]; ok {
		return openPort{p}, nil
	}
	return nil, fmt.Errorf("no port %s", name)
}
func (d *desk) I2C(string) (i2c.BusCloser, error) { return openBus{d.bus, &d.mu}, nil }

func (d *desk) pin(name string) *chip.Pin {
	if d.pins[name] == nil {
		d.pins[name] = chip.NewPin(name)
	}
	return d.pins[name]
}
func (d *desk) Out(name string, _ bool) (gpio.PinOut, error) { return d.pin(name), nil }
func (d *desk) In(name string) (station.Contact, error)      { return line.NewIn(d.pin(name), true) }

// relaysOnAnExpander is the smallest machine with its relays behind an expander, a current measured behind one of them, and a screen.
func relaysOnAnExpander(t *testing.T, chipName string) (*machine.File, *desk) {
	t.Helper()
	_, data := example(t, "no-mains.toml")
	text := strings.NewReplacer(
		`output = "pinctrl-bcm2711/GPIO22"`, `output = "more/0"`,
		`output = "pinctrl-bcm2711/GPIO24"`, `output = "more/1"`+"\n"+`current = { bus = "I2C1", address = 0x49, input = 2, volts_per_amp = 0.5, on_a = 1.0, off_a = 0.7 }`,
		`input = "pinctrl-bcm2711/GPIO2"`, `input = "more/7"`,
		"[[wiring.sensor]]\nname = \"joint-corner\"", "[wiring.display]\nchip = \"ssd1306\"\nbus = \"I2C1\"\naddress = 0x3c\nheight = 64\n\n[[wiring.expander]]\nname = \"more\"\nchip = \""+chipName+"\"\nbus = \"I2C1\"\naddress = 0x20\n\n[[wiring.sensor]]\nname = \"joint-corner\"",
	).Replace(string(data))
	f, err := machine.Parse("mine.toml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	d := &desk{bus: chip.NewI2CBus("i2c-desk"), pins: map[string]*chip.Pin{}, spis: map[string]spi.Port{"SPI0.0": chip.NewMax31855("a"), "SPI0.1": chip.NewMax31855("b")}}
	return f, d
}

// eventually waits for a lane, which works beside the test.
func eventually(t *testing.T, what string, holds func() bool) {
	t.Helper()
	for range 300 {
		if holds() {
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	t.Error(what)
}

func TestRelaysBehindAnExpanderFollowAndEndWithTheirLease(t *testing.T) {
	f, d := relaysOnAnExpander(t, "mcp23017")
	relays, amps, adc, screen := chip.NewMcp23017("x"), chip.NewAds1115(), chip.NewAds1115(), chip.NewSsd1306()
	d.bus.Add(0x20, relays)
	d.bus.Add(0x48, adc)
	d.bus.Add(0x49, amps)
	d.bus.Add(0x3c, screen)
	start := time.Now()
	clock := func() time.Duration { return time.Since(start) }
	c, err := f.Connect(d, clock)
	if err != nil || c.Optional != nil || c.Screen == nil {
		t.Fatalf("%v; %v; screen %v", err, c.Optional, c.Screen)
	}
	ctx, end := context.WithCancel(t.Context())
	c.Start(ctx)
	at := func(f func()) { d.mu.Lock(); defer d.mu.Unlock(); f() }
	level := func(i int) (l gpio.Level) { at(func() { l = relays.Line(i).Level() }); return l }
	// What the load sense makes of its level is tested beside its driver; here it must be there.
	if c.Hardware.Sense[1] == nil {
		t.Error("there is no load sense")
	}
	keep := time.Now()
	eventually(t, "the relay does not close", func() bool {
		_ = c.Hardware.Relays[0].Set(true)
		keep = time.Now()
		return level(0) == gpio.High
	})
	// Nobody renews the command now: it ends by itself (invariant I-6).
	eventually(t, "the relay outlives its lease", func() bool { return level(0) == gpio.Low })
	if took := time.Since(keep); took < 300*time.Millisecond {
		t.Errorf("the relay opened %v after its last command; its lease is 0.5 s", took)
	}
	at(func() { relays.Line(7).Set(gpio.Low) }) // the contact goes to ground: closed
	eventually(t, "the closed contact reads open", func() bool { return c.Hardware.Interlocks[0].Read() })
	at(func() { relays.Line(7).Set(gpio.High) })
	eventually(t, "the open contact reads closed", func() bool { return !c.Hardware.Interlocks[0].Read() })
	c.Screen.Show("Idle.")
	eventually(t, "the screen stays dark", func() (lit bool) { at(func() { lit = screen.Lit() }); return lit })
	end()
	if err := c.Close(); err != nil {
		t.Error(err)
	}
}

func TestAMeasuredCurrentIsThatOfItsOwnInput(t *testing.T) {
	f, d := relaysOnAnExpander(t, "mcp23017")
	amps := chip.NewAds1115()
	amps.BusTime = 300 * time.Microsecond // within a poll its own clock goes on
	d.bus.Add(0x20, chip.NewMcp23017("x"))
	d.bus.Add(0x48, chip.NewAds1115())
	d.bus.Add(0x49, amps)
	d.bus.Add(0x3c, chip.NewSsd1306())
	c, err := f.Connect(d, nil)
	if err != nil {
		t.Fatal(err)
	}
	amps.SetVolts(0, 3) // somebody else's
	for k, volts := range []float64{0, 0, 1, 1, 0.4, 0.4, 0.1, 0.1} {
		amps.SetVolts(2, volts)
		now := time.Duration(k+1) * station.Period
		amps.Advance(now)
		for _, p := range c.Hardware.Pollers {
			p.Poll(now)
		}
		// 0.5 V per A: 2 A is on; 0.8 A stays what it was between 0.7 and 1 A; 0.2 A is off.
		if want := []bool{false, true, true, false}[k/2]; k%2 == 1 && c.Hardware.Sense[1].Read() != want {
			t.Errorf("%g V is taken for %v", volts, !want)
		}
	}
}

func TestNoHeaterSitsOnAChipThatComesUpHigh(t *testing.T) {
	f, d := relaysOnAnExpander(t, "pcf8574")
	d.bus.Add(0x20, chip.NewPcf8574("x"))
	d.bus.Add(0x48, chip.NewAds1115())
	d.bus.Add(0x49, chip.NewAds1115())
	c, err := f.Connect(d, func() time.Duration { return 0 })
	if err == nil || !strings.Contains(err.Error(), "cannot switch a heater") {
		t.Errorf("%v", err)
	}
	if c.Hardware.Relays[0].Set(true) == nil {
		t.Error("what stands in for the relay says it is on")
	}
}

// A chip that is missing is named, everything else works, and what stands in for it is on the safe side.
func TestWhatIsMissingIsNamedAndStoodInFor(t *testing.T) {
	f, d := relaysOnAnExpander(t, "mcp23017")
	d.bus.Add(0x20, chip.NewMcp23017("x"))
	delete(d.spis, "SPI0.0")
	c, err := f.Connect(d, nil)
	for _, want := range []string{"sensor joint-corner", "no port SPI0.0"} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q is not in: %v", want, err)
		}
	}
	if !machine.Absent(c.Hardware.Sensors[0]) || c.Hardware.Sensors[0].Read(time.Second).Usable() {
		t.Error("the missing sensor reads")
	}
	if errors.Join(c.Close()) != nil {
		t.Error("it cannot be closed")
	}
}
