package loadcurrent_test

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"trivet/hal/ads1115"
	"trivet/hal/haltest"
	"trivet/hal/loadcurrent"
	"trivet/process/unit"
	"trivet/sim/chip"
)

// A transducer with 0.5 V at no current and 0.2 V per ampere, for a heater that draws 4.5 A.
var opts = loadcurrent.Opts{VoltsPerAmp: 0.2, ZeroVolts: 0.5, SpanVolts: 4.096, OnAmps: 2.2, OffAmps: 1.5}

type deck struct {
	ads *chip.Ads1115
	tap *haltest.Tap
	dev *ads1115.Burst
	in  []*loadcurrent.Input
	now time.Duration
}

func wired(t testing.TB, n int) *deck {
	t.Helper()
	bus := chip.NewI2CBus("i2c-sim")
	d := &deck{ads: chip.NewAds1115(), tap: &haltest.Tap{I2C: bus}}
	d.ads.BusTime = 110 * time.Microsecond // 5 bytes at 400 kHz
	if err := bus.Add(0x4b, d.ads); err != nil {
		t.Fatal(err)
	}
	dev, err := ads1115.NewBurst(d.tap, 0x4b)
	if err != nil {
		t.Fatal(err)
	}
	d.dev = dev
	for i := range n {
		o := opts
		o.Channel = i
		in, err := loadcurrent.On(dev, o)
		if err != nil {
			t.Fatal(err)
		}
		d.in = append(d.in, in)
	}
	return d
}

// tick polls with these currents in the inputs, in A.
func (d *deck) tick(amps ...float64) {
	for i, a := range amps {
		d.ads.SetVolts(i, opts.ZeroVolts+a*opts.VoltsPerAmp)
	}
	d.ads.Advance(d.now)
	d.dev.Poll(d.now)
	d.now += haltest.Tick
}

func TestEveryInputTellsItsCurrentInTheTickThatAsks(t *testing.T) {
	d := wired(t, 4)
	for k := range 100 {
		amps := []float64{float64(k % 5), float64((k + 1) % 5), float64((k + 2) % 5), float64((k + 3) % 5)}
		d.tick(amps...)
		for i, in := range d.in {
			got, q := in.Amps()
			if q != unit.Good || math.Abs(got-amps[i]) > 0.001 || in.At() != d.now-haltest.Tick || in.LastError() != nil {
				t.Fatalf("tick %d, input %d: %v A (%v) from %v, want %v: %v", k, i, got, q, in.At(), amps[i], in.LastError())
			}
		}
	}
}

func TestBetweenItsBoundsAContactStaysWhatItWas(t *testing.T) {
	d := wired(t, 1)
	for _, c := range []struct {
		amps float64
		want bool
	}{{0, false}, {2.1, false}, {2.3, true}, {2.1, true}, {1.6, true}, {1.4, false}, {2.1, false}, {4.5, true}, {0, false}} {
		if d.tick(c.amps); d.in[0].Read() != c.want {
			t.Errorf("%v A: %v", c.amps, d.in[0].Read())
		}
	}
}

func TestWhereNothingIsKnownCurrentMayFlow(t *testing.T) {
	d := wired(t, 2)
	if !d.in[0].Read() || d.in[0].LastError() == nil {
		t.Error("known before it was read")
	}
	d.tick(0, 0)
	if d.in[0].Read() || d.in[1].Read() {
		t.Fatal("nothing flows")
	}
	for name, c := range map[string]struct {
		do    func()
		want  unit.Quality
		words string
	}{
		"a wire is broken":  {func() { d.ads.SetVolts(0, 0) }, unit.Open, "0.000 V; at no current it has 0.500"},
		"at the supply":     {func() { d.ads.SetVolts(0, 5) }, unit.OutOfRange, "4.096 V; below 4.014 is a current"},
		"the chip is dead":  {func() { d.ads.Inject(chip.Dead) }, unit.NoAnswer, "no such device"},
		"the line is stuck": {func() { d.ads.Inject(chip.AllOnes) }, unit.NoAnswer, "all bits equal"},
		"it does not end":   {func() { d.ads.Slow = 100 }, unit.NoAnswer, "does not end"},
		"the bus is gone":   {func() { d.tap.Before(func() error { return errBus }) }, unit.NoAnswer, "the bus is gone"},
	} {
		d.ads.SetVolts(0, 0.5)
		d.dev.Poll(d.now)
		c.do()
		d.ads.Advance(d.now)
		d.dev.Poll(d.now)
		amps, q := d.in[0].Amps()
		if err := d.in[0].LastError(); q != c.want || amps != 0 || !d.in[0].Read() || err == nil || !strings.Contains(err.Error(), c.words) {
			t.Errorf("%s: %v, %v, flows %v, %v", name, amps, q, d.in[0].Read(), err)
		}
		d.ads.Inject(chip.None)
		d.ads.Slow = 0
		d.tap.Before(nil)
		d.now += time.Second
		d.tick(0, 0)
		if d.in[0].Read() || d.in[0].LastError() != nil {
			t.Fatalf("%s is over, and it says %v", name, d.in[0].LastError())
		}
	}
}

var errBus = errors.New("the bus is gone")

// What a poll costs on the bus, and how often a converter that never ends is asked.
func TestAPollIsBoundedAndMakesNoGarbage(t *testing.T) {
	d := wired(t, 4)
	d.tick(1, 2, 3, 4)
	d.tap.Traffic()
	d.tick(1, 2, 3, 4)
	n, bytes := d.tap.Traffic()
	t.Logf("four inputs: %d transactions, %d bytes: %.1f ms of bus at 400 kHz", n, bytes, float64(bytes)*9/400)
	if n > 4*(2+13) {
		t.Errorf("%d transactions", n)
	}
	d.ads.Slow = 1000
	d.tick(1, 2, 3, 4)
	if n, _ := d.tap.Traffic(); n > 4*(1+17) {
		t.Errorf("%d transactions with a converter that never ends", n)
	}
	d.ads.Inject(chip.Dead)
	d.tick(1, 2, 3, 4)
	d.tap.Traffic()
	if d.tick(1, 2, 3, 4); true {
		if n, _ := d.tap.Traffic(); n > 1 {
			t.Errorf("%d transactions with one that does not answer", n)
		}
	}
	d.ads.Inject(chip.None)
	d.ads.Slow = 0
	if n := testing.AllocsPerRun(50, func() { d.ads.Advance(d.now); d.dev.Poll(d.now); d.now += haltest.Tick }); n != 0 {
		t.Errorf("%v allocations per poll", n)
	}
	if d.dev.Halt() != nil || d.in[2].String() != "load current on ADS1115{i2c-sim(0x4b)}, input 2" {
		t.Errorf("called %v", d.in[2])
	}
}

func TestACircuitWithoutALiveZeroReadsNothingAsNoCurrent(t *testing.T) {
	d := wired(t, 0)
	in, err := loadcurrent.On(d.dev, loadcurrent.Opts{VoltsPerAmp: 0.5, SpanVolts: 4.096, OnAmps: 2, OffAmps: 1})
	if err != nil {
		t.Fatal(err)
	}
	d.ads.SetVolts(0, 0)
	d.dev.Poll(0)
	if amps, q := in.Amps(); amps != 0 || q != unit.Good || in.Read() {
		t.Errorf("%v, %v", amps, q)
	}
}

func TestOptionsThatMakeNoSenseAreRefused(t *testing.T) {
	for words, change := range map[string]func(*loadcurrent.Opts){
		"V per ampere": func(o *loadcurrent.Opts) { o.VoltsPerAmp = 0 }, "NaN V per": func(o *loadcurrent.Opts) { o.VoltsPerAmp = math.NaN() },
		"no current is -1": func(o *loadcurrent.Opts) { o.ZeroVolts = -1 }, "not above the beginning": func(o *loadcurrent.Opts) { o.OffAmps = 3 },
		"both must be": func(o *loadcurrent.Opts) { o.OffAmps = 0 }, "up to 6.144": func(o *loadcurrent.Opts) { o.SpanVolts = 7 },
		"does not reach": func(o *loadcurrent.Opts) { o.OnAmps = 40 }, "0 to 3 is": func(o *loadcurrent.Opts) { o.Channel = 4 },
	} {
		o := opts
		change(&o)
		if in, err := loadcurrent.On(wired(t, 1).dev, o); in != nil || err == nil || !strings.Contains(err.Error(), words) {
			t.Errorf("%s: %v", words, err)
		}
	}
	if _, err := loadcurrent.On(wired(t, 1).dev, opts); err == nil || !strings.Contains(err.Error(), "twice") {
		t.Errorf("twice: %v", err)
	}
	if _, err := ads1115.NewBurst(chip.NewI2CBus("x"), 0x20); err == nil {
		t.Error("a converter at 0x20")
	}
}
