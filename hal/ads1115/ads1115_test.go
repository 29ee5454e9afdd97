package ads1115_test

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"periph.io/x/conn/v3/physic"

	"trivet/hal/ads1115"
	"trivet/hal/haltest"
	"trivet/sim/chip"
)

// sink keeps what it is given.
type sink struct {
	code  int16
	at    time.Duration
	taken int
	err   error
}

func (s *sink) Take(at time.Duration, code int16) { s.at, s.code, s.err = at, code, nil; s.taken++ }
func (s *sink) Fail(_ time.Duration, err error)   { s.err = err }

type deck struct {
	ads     *chip.Ads1115
	tap     *haltest.Tap
	dev     *ads1115.Dev
	sinks   []*sink
	perCode float64
	now     time.Duration
}

func wired(t *testing.T, n int) *deck {
	t.Helper()
	bus := chip.NewI2CBus("i2c-sim")
	d := &deck{ads: chip.NewAds1115(), tap: &haltest.Tap{I2C: bus}}
	if err := bus.Add(0x48, d.ads); err != nil {
		t.Fatal(err)
	}
	dev, err := ads1115.New(d.tap, &ads1115.Opts{})
	if err != nil {
		t.Fatal(err)
	}
	d.dev = dev
	for i := range n {
		s := &sink{}
		if d.perCode, err = dev.Add(ads1115.Channel{Number: i, SpanVolts: 4}, s); err != nil {
			t.Fatal(err)
		}
		d.sinks = append(d.sinks, s)
	}
	return d
}

func (d *deck) tick(volts ...float64) {
	for i, v := range volts {
		d.ads.SetVolts(i, v)
	}
	d.ads.Advance(d.now)
	d.dev.Poll(d.now)
	d.now += haltest.Tick
}

func TestInputsTakeTurnsAndEachGetsItsOwnVoltage(t *testing.T) {
	d := wired(t, 3)
	for range 30 {
		d.tick(0.5, 1.5, 2.5)
	}
	for i, s := range d.sinks {
		want := 0.5 + float64(i)
		if v := float64(s.code) * d.perCode; math.Abs(v-want) > d.perCode || s.taken < 9 || s.taken > 10 || d.now-s.at > 5*haltest.Tick {
			t.Errorf("input %d: %v V after %d conversions, %v old", i, v, s.taken, d.now-s.at)
		}
	}
	if d.dev.Period() != 300*time.Millisecond || d.dev.Every() != haltest.Tick || d.dev.String() != "ADS1115{i2c-sim(0x48)}" || d.dev.Halt() != nil {
		t.Errorf("%v: %v, %v", d.dev, d.dev.Period(), d.dev.Every())
	}
}

func TestAPollIsThreeTransactionsAtMostAndNoneWithoutInputs(t *testing.T) {
	d := wired(t, 2)
	for range 20 {
		d.tick(1, 2)
		if n, bytes := d.tap.Traffic(); n > 3 || bytes > 14 {
			t.Fatalf("%d transactions, %d bytes", n, bytes)
		}
	}
	d = wired(t, 0)
	if d.tick(); d.sinks != nil {
		t.Error("inputs")
	}
	if n, _ := d.tap.Traffic(); n != 0 {
		t.Errorf("%d transactions", n)
	}
}

func TestWhateverFailsIsToldToThoseItConcerns(t *testing.T) {
	errBus := errors.New("the bus is gone")
	for name, c := range map[string]struct {
		do    func(d *deck)
		words string
		all   bool
	}{
		"slow":    {func(d *deck) { d.ads.Slow = 1000 }, "does not end", false},
		"dead":    {func(d *deck) { d.ads.Inject(chip.Dead) }, "no such device", true},
		"stuck":   {func(d *deck) { d.ads.Inject(chip.AllZeros) }, "all bits equal", true},
		"bus":     {func(d *deck) { d.tap.Before(func() error { return errBus }) }, "bus is gone", true},
		"foreign": {func(d *deck) { _ = d.tap.Tx(0x48, []byte{1, 0xF5, 0x23}, nil) }, "another input or range", false},
	} {
		d := wired(t, 2)
		for range 10 {
			d.tick(1, 2)
		}
		if d.sinks[0].err != nil || d.sinks[1].err != nil {
			t.Fatal("something fails by itself")
		}
		c.do(d)
		told := [2]bool{}
		for range 5 {
			d.tick(1, 2)
			for i, s := range d.sinks {
				if s.err != nil {
					told[i] = true
					if !strings.Contains(s.err.Error(), c.words) {
						t.Errorf("%s: input %d: %v", name, i, s.err)
					}
				}
			}
		}
		if !told[0] && !told[1] || c.all && !(told[0] && told[1]) {
			t.Errorf("%s: told %v", name, told)
		}
		d.ads.Slow = 0
		d.ads.Inject(chip.None)
		d.tap.Before(nil)
		d.now += time.Minute
		for range 8 {
			d.tick(1, 2)
		}
		for i, s := range d.sinks {
			if v := float64(s.code) * d.perCode; s.err != nil || math.Abs(v-1-float64(i)) > d.perCode {
				t.Errorf("%s is over, and input %d has %v V, %v", name, i, v, s.err)
			}
		}
	}
}

// A bus that fails in the third transaction of a poll, the result itself.
func TestAResultThatCannotBeFetchedIsNoResult(t *testing.T) {
	for fails := range 3 {
		d := wired(t, 1)
		for range 4 {
			d.tick(1)
		}
		before, n := d.sinks[0].taken, 0
		d.tap.Before(func() error {
			if n++; n-1 == fails {
				return errors.New("the bus is gone")
			}
			return nil
		})
		d.tick(1)
		if d.sinks[0].err == nil || fails < 2 && d.sinks[0].taken != before {
			t.Errorf("transaction %d: %v, %d results", fails, d.sinks[0].err, d.sinks[0].taken-before)
		}
	}
}

func TestABurstConvertsEveryInputInOnePoll(t *testing.T) {
	bus, ads := chip.NewI2CBus("i2c-sim"), chip.NewAds1115()
	if err := bus.Add(0x4a, ads); err != nil {
		t.Fatal(err)
	}
	b, err := ads1115.NewBurst(bus, 0x4a)
	if err != nil {
		t.Fatal(err)
	}
	var sinks [4]sink
	var perCode float64
	for i := range sinks {
		if perCode, err = b.Add(ads1115.Channel{Number: i, SpanVolts: 4}, &sinks[i]); err != nil {
			t.Fatal(err)
		}
		ads.SetVolts(i, float64(i)/2)
	}
	ads.BusTime = 450 * time.Microsecond // 5 bytes at 100 kHz
	b.Poll(0)
	for i := range sinks {
		if s := &sinks[i]; s.taken != 1 || s.err != nil || math.Abs(float64(s.code)*perCode-float64(i)/2) > perCode {
			t.Errorf("input %d: %+v", i, *s)
		}
	}
	ads.BusTime = 0 // time stands still: no conversion ever ends
	b.Poll(time.Second)
	ads.Inject(chip.Dead)
	b.Poll(2 * time.Second)
	for i := range sinks {
		if s := &sinks[i]; s.taken != 1 || s.err == nil {
			t.Errorf("input %d: %+v", i, *s)
		}
	}
	if b.String() != "ADS1115{i2c-sim(0x4a)}" || b.Halt() != nil {
		t.Errorf("called %v", b)
	}
}

func TestOptionsThatMakeNoSenseAreRefused(t *testing.T) {
	bus := chip.NewI2CBus("x")
	for words, o := range map[string]ads1115.Opts{
		"0x48 to 0x4b": {Addr: 0x50}, "16 to 860 Hz": {Rate: 8 * physic.Hertz}, "20ms to 1s": {Every: time.Minute}, "must fit in": {Every: 50 * time.Millisecond},
	} {
		if d, err := ads1115.New(bus, &o); d != nil || err == nil || !strings.Contains(err.Error(), words) {
			t.Errorf("%s: %v", words, err)
		}
	}
	if _, err := ads1115.NewBurst(bus, 0x20); err == nil {
		t.Error("a burst at 0x20")
	}
	d := wired(t, 1)
	for words, c := range map[string]ads1115.Channel{
		"0 to 3": {Number: 4, SpanVolts: 1}, "channel is -1": {Number: -1, SpanVolts: 1}, "twice": {Number: 0, SpanVolts: 1}, "up to 6.144": {Number: 1, SpanVolts: math.NaN()},
	} {
		if _, err := d.dev.Add(c, &sink{}); err == nil || !strings.Contains(err.Error(), words) {
			t.Errorf("%s: %v", words, err)
		}
	}
}
