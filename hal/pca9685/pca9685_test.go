package pca9685_test

import (
	"errors"
	"math"
	"strings"
	"testing"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"
	other "periph.io/x/devices/v3/pca9685"

	"trivet/hal/expander"
	"trivet/hal/haltest"
	"trivet/hal/line"
	"trivet/hal/pca9685"
	"trivet/sim/chip"
)

const addr = 0x41

func wired(tb testing.TB) (*chip.Pca9685, *haltest.Tap) {
	tb.Helper()
	c, bus := chip.NewPca9685("pwm"), chip.NewI2CBus("i2c-sim")
	if err := bus.Add(addr, c); err != nil {
		tb.Fatal(err)
	}
	return c, &haltest.Tap{I2C: bus}
}

func open(t *testing.T, tap *haltest.Tap) *expander.Bank {
	t.Helper()
	b, err := pca9685.New(tap, &pca9685.Opts{Addr: addr})
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestItKeepsThePromisesOfLines(t *testing.T) {
	haltest.RunLines(t, haltest.LinesSpec{
		Chip: "pca9685", Lines: 16, BytesPerPoll: 24,
		New: func(tb testing.TB) haltest.LinesBench {
			c, tap := wired(tb)
			return haltest.LinesBench{Wire: c.Line, Inject: c.Inject, Tap: tap, Open: func(gather bool) (*expander.Bank, error) {
				return pca9685.New(tap, &pca9685.Opts{Addr: addr, Gather: gather})
			}}
		},
	})
}

// Datasheet, equation 1: the worked example is 200 Hz with 25 MHz, which gives 30 = 1Eh, the value after reset. The ends of the
// table are 1526 Hz at 03h and 24 Hz at FFh (from memory; 25 MHz/(4096·4) and /(4096·256)).
func TestThePrescaleIsThatOfTheDatasheet(t *testing.T) {
	for hz, want := range map[float64]byte{200: 0x1E, 1526: 0x03, 24: 0xFF - 2, 23.85: 0xFF, 50: 121, 60: 101, 1000: 5, 5000: 3, 1: 255, 0: 255, -3: 255} {
		if got := pca9685.Prescale(physic.Frequency(hz * float64(physic.Hertz))); got != want {
			t.Errorf("%v Hz: %d, want %d", hz, got, want)
		}
	}
	// For every whole number of hertz: no other pre-scale comes nearer in its period.
	period := func(p int) float64 { return 4096 * float64(p+1) / 25e6 }
	for hz := 24; hz <= 1526; hz++ {
		got, best := int(pca9685.Prescale(physic.Frequency(hz)*physic.Hertz)), 3
		for p := 3; p <= 255; p++ {
			if math.Abs(period(p)-1/float64(hz)) < math.Abs(period(best)-1/float64(hz)) {
				best = p
			}
		}
		if math.Abs(period(got)-1/float64(hz)) > math.Abs(period(best)-1/float64(hz))*1.0001 {
			t.Errorf("%d Hz: %d, and %d is nearer", hz, got, best)
		}
	}
}

// Why periph's driver is not used. When this fails, periph has changed: look again.
func TestPeriphsPrescaleIsOffByOneAndItsOutDividesByZero(t *testing.T) {
	c, tap := wired(t)
	d, err := other.NewI2C(tap, addr)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range []physic.Frequency{60 * physic.Hertz, 1000 * physic.Hertz} {
		if err := d.SetPwmFreq(f); err != nil {
			t.Fatal(err)
		}
		var r [1]byte
		if err := tap.Tx(addr, []byte{0xFE}, r[:]); err != nil {
			t.Fatal(err)
		}
		t.Logf("periph at %v: pre-scale %d, %v; the datasheet's equation gives %d", f, r[0], c.Frequency(), pca9685.Prescale(f))
		if r[0] != pca9685.Prescale(f)+1 {
			t.Errorf("%v: %d is right now", f, r[0])
		}
	}
	p, err := d.CreatePin(0)
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if recover() == nil {
			t.Error("Out works now")
		}
	}()
	_ = p.Out(gpio.Low)
}

func TestAFanGetsTheNearestOf4096StepsAtTheFrequencyItAskedFor(t *testing.T) {
	c, tap := wired(t)
	b := open(t, tap)
	p, err := b.Out(7, false)
	if err != nil {
		t.Fatal(err)
	}
	fan, err := line.NewFan(p, 100*physic.Hertz)
	if err != nil {
		t.Fatal(err)
	}
	if f := float64(c.Frequency()) / float64(physic.Hertz); math.Abs(f-100) > 1 {
		t.Errorf("it switches at %v Hz", f)
	}
	for n := range 4097 {
		share := float64(n) / 4096
		if err := fan.SetDuty(share); err != nil {
			t.Fatal(err)
		}
		if got := c.Line(7).Duty(); math.Abs(got-share) > 1e-6 {
			t.Fatalf("asked for %v, got %v", share, got)
		}
	}
	if b.Poll(0); b.Err() != nil {
		t.Error(b.Err())
	}
	if err := p.Out(gpio.Low); err != nil || c.Line(7).Duty() != 0 {
		t.Errorf("off: %v, %v", err, c.Line(7).Duty())
	}
	for i := range 16 {
		if i != 7 && c.Line(i).Edges() != 0 {
			t.Errorf("line %d moved", i)
		}
	}
}

func TestAllLinesHaveOneFrequencyAndItOutlivesAReset(t *testing.T) {
	c, tap := wired(t)
	b := open(t, tap)
	var fans []gpio.PinOut
	for i := range 2 {
		p, err := b.Out(i, false)
		if err != nil {
			t.Fatal(err)
		}
		fans = append(fans, p)
	}
	if err := fans[0].PWM(gpio.DutyHalf, 50*physic.Hertz); err != nil {
		t.Fatal(err)
	}
	for words, err := range map[string]error{
		"another line has 50Hz": fans[1].PWM(gpio.DutyHalf, 60*physic.Hertz), "24Hz to 1.526kHz": fans[1].PWM(gpio.DutyHalf, 25*physic.KiloHertz),
		"duty is": fans[1].PWM(gpio.DutyMax+1, 50*physic.Hertz),
	} {
		if err == nil || !strings.Contains(err.Error(), words) {
			t.Errorf("%s: %v", words, err)
		}
	}
	c.Inject(chip.ResetChip)
	c.Inject(chip.None)
	b.Poll(0)
	if err := fans[0].PWM(gpio.DutyHalf, 50*physic.Hertz); !errors.Is(err, expander.ErrLost) {
		t.Errorf("a fan on a lost chip: %v", err)
	}
	if err := fans[0].PWM(0, 50*physic.Hertz); err != nil {
		t.Errorf("off: %v", err)
	}
	if err := b.Configure(); err != nil {
		t.Fatal(err)
	}
	if err := fans[0].PWM(gpio.DutyHalf, 50*physic.Hertz); err != nil || c.Line(0).Duty() != 0.5 {
		t.Errorf("%v, %v", err, c.Line(0).Duty())
	}
	if f := float64(c.Frequency()) / float64(physic.Hertz); math.Abs(f-50) > 0.1 {
		t.Errorf("it switches at %v Hz", f)
	}
}

// Every register that the driver has written, in whichever bit it changes, within five polls.
func TestEveryFlippedBitOfItsRegistersIsFound(t *testing.T) {
	_, tap := wired(t)
	b := open(t, tap)
	p, err := b.Out(3, false)
	if err != nil {
		t.Fatal(err)
	}
	flipped := 0
	ats := []byte{0, 1, 0xFE}
	for at := byte(6); at < 6+64; at++ {
		ats = append(ats, at)
	}
	for _, at := range ats {
		for bit := range 8 {
			if err := p.Out(gpio.High); err != nil {
				t.Fatal(err)
			}
			var r [1]byte
			_ = tap.Tx(addr, []byte{at}, r[:])
			if at == 0 && bit == 7 { // RESTART clears itself
				continue
			}
			if at == 0xFE { // can be written only asleep
				_ = tap.Tx(addr, []byte{0, 0x30}, nil)
			}
			_ = tap.Tx(addr, []byte{at, r[0] ^ 1<<bit}, nil)
			if at == 0xFE {
				_ = tap.Tx(addr, []byte{0, 0x20}, nil)
				if r[0]^1<<bit < 3 {
					continue
				}
			}
			for range 5 {
				b.Poll(0)
			}
			if !errors.Is(b.Err(), expander.ErrLost) {
				t.Fatalf("register %02x, bit %d: %v", at, bit, b.Err())
			}
			flipped++
			if err := b.Configure(); err != nil {
				t.Fatal(err)
			}
			if b.Poll(0); b.Err() != nil {
				t.Fatal(b.Err())
			}
		}
	}
	t.Logf("%d flipped bits found", flipped)
}

func TestABusThatFailsInAnyTransactionIsTold(t *testing.T) {
	for _, do := range map[string]func(tap *haltest.Tap) error{
		"open": func(tap *haltest.Tap) error { _, err := pca9685.New(tap, &pca9685.Opts{Addr: addr}); return err },
		"frequency": func(tap *haltest.Tap) error {
			b, err := pca9685.New(tap, &pca9685.Opts{Addr: addr})
			if err != nil {
				return err
			}
			p, err := b.Out(0, false)
			if err != nil {
				return err
			}
			if err := p.PWM(gpio.DutyHalf, 100*physic.Hertz); err != nil {
				return err
			}
			for range 5 {
				b.Poll(0)
				if b.Err() != nil {
					return b.Err()
				}
			}
			return b.Configure()
		},
	} {
		_, tap := wired(t)
		if err := do(tap); err != nil {
			t.Fatal(err)
		}
		total, _ := tap.Traffic()
		for fails := range total {
			_, tap := wired(t)
			n := 0
			tap.Before(func() error {
				if n++; n-1 == fails {
					return errBus
				}
				return nil
			})
			if err := do(tap); !errors.Is(err, errBus) {
				t.Errorf("transaction %d of %d failed: %v", fails, total, err)
			}
		}
	}
}

var errBus = errors.New("the bus is gone")

func TestWhatCannotBeAChipIsRefused(t *testing.T) {
	for _, a := range []uint16{0x3f, 0x70, 0x80} {
		if _, err := pca9685.New(chip.NewI2CBus("x"), &pca9685.Opts{Addr: a}); err == nil || !strings.Contains(err.Error(), "0x40 to 0x7f") {
			t.Errorf("%#x: %v", a, err)
		}
	}
	if _, err := pca9685.New(chip.NewI2CBus("x"), &pca9685.DefaultOpts); err == nil || !strings.HasPrefix(err.Error(), "pca9685: ") {
		t.Errorf("an empty bus: %v", err)
	}
}

func TestWithoutAnAddressItIsAtTheDefaultOne(t *testing.T) {
	c, bus := chip.NewPca9685("x"), chip.NewI2CBus("i2c-sim")
	if err := bus.Add(0x40, c); err != nil {
		t.Fatal(err)
	}
	b, err := pca9685.New(bus, &pca9685.Opts{})
	if err != nil || b.String() != "PCA9685{i2c-sim(0x40)}" {
		t.Errorf("%v, %v", b, err)
	}
}
