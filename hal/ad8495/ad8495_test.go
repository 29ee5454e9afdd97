package ad8495_test

import (
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"periph.io/x/conn/v3/physic"

	"trivet/hal/ad8495"
	"trivet/hal/haltest"
	"trivet/process/unit"
	"trivet/sim/chip"
	"trivet/testdata/facts"
)

// Source of the rows: computed with gain and trim of the datasheet (from memory) on the NIST table of type K, printed to 1 mV.
func TestEveryRowOfTheOutputTableBothWays(t *testing.T) {
	for _, row := range facts.Rows(t, "ad8495_table.csv") {
		c, _ := strconv.ParseFloat(row[0], 64)
		want, err := strconv.ParseFloat(row[1], 64)
		if err != nil {
			t.Fatal(err)
		}
		v, ok := ad8495.Volts(unit.Celsius(c))
		if !ok || math.Abs(v-want) > 0.00051 || math.Abs(chip.AD8495Volts(c)-want) > 0.00051 {
			t.Errorf("%v °C gives %.4f V, emulated %.4f V, printed %.3f", c, v, chip.AD8495Volts(c), want)
		}
		low, okLow := ad8495.Temperature(want - 0.00051)
		high, okHigh := ad8495.Temperature(want + 0.00051)
		if !okLow || !okHigh || !(float64(low) <= c && c <= float64(high)) {
			t.Errorf("%v V gives %v to %v, want %v", want, low, high, c)
		}
	}
	if len(facts.Rows(t, "ad8495_table.csv")) < 60 {
		t.Errorf("only %d rows", len(facts.Rows(t, "ad8495_table.csv")))
	}
}

// deck is a converter with n amplifiers, all in the same world; bench.Sensor is the last of them.
type deck struct {
	ads  *chip.Ads1115
	bus  *chip.I2CBus
	dev  *ad8495.Dev
	amps []*chip.AmpInput
}

func (d *deck) Advance(now time.Duration, hot, cold float64) {
	for _, a := range d.amps {
		a.Advance(now, hot, cold)
	}
}

func (d *deck) Inject(f chip.Fault) { d.amps[len(d.amps)-1].Inject(f) }

// Wired as in the guide: 5 V amplifier with 1.25 V at its reference pin, so that temperatures below 5 °C can be read.
func wired(tb testing.TB, n int) *deck {
	tb.Helper()
	d := &deck{ads: chip.NewAds1115(), bus: chip.NewI2CBus("i2c-sim")}
	if err := d.bus.Add(0x49, d.ads); err != nil {
		tb.Fatal(err)
	}
	opts := ad8495.DefaultOpts
	opts.Addr, opts.Channels, opts.RailVolts = 0x49, nil, 4.9
	for i := range n {
		opts.Channels = append(opts.Channels, ad8495.ChannelOpts{Channel: 3 - i, RefVolts: 1.25, SpanVolts: 4.096})
		d.amps = append(d.amps, d.ads.Input(3-i).Wire(1.25, 5))
	}
	dev, err := ad8495.New(d.bus, &opts)
	if err != nil {
		tb.Fatal(err)
	}
	d.dev = dev
	return d
}

func spec(n int) haltest.Spec {
	period := time.Duration(n) * haltest.Tick
	return haltest.Spec{
		New: func(tb testing.TB) haltest.Bench {
			d := wired(tb, n)
			return haltest.Bench{Sensor: d.dev.Input(n - 1), World: d, Poll: d.dev.Poll}
		},
		Error:  0.03,                    // half a step of 125 µV
		Settle: 2*period + haltest.Tick, // a conversion under way, and one of ours
		Faults: []haltest.Expect{
			{Fault: chip.Open, Quality: unit.Open, Within: 2 * period},
			{Fault: chip.ShortSupply, Quality: unit.Open, Within: 2 * period}, // both are the upper rail
			{Fault: chip.ShortGround, Quality: unit.ShortGround, Within: 2 * period},
			{Fault: chip.Dead, Quality: unit.NoAnswer},
			{Fault: chip.AllZeros, Quality: unit.NoAnswer},
			{Fault: chip.AllOnes, Quality: unit.NoAnswer},
			{Fault: chip.FrozenFrame, Quality: unit.Frozen, Within: ad8495.DefaultOpts.FrozenAfter + 2*period},
			{Fault: chip.Reversed, Quality: unit.OutOfRange, Within: 2 * period}, // 180 °C turned round is −140 °C
		},
	}
}

func TestItIsAThermometer(t *testing.T) {
	for _, n := range []int{1, 2, 4} {
		t.Run(strconv.Itoa(n)+" inputs", func(t *testing.T) { haltest.RunThermometer(t, spec(n)) })
	}
}

// tick moves a deck whose inputs are all different.
func (d *deck) tick(now time.Duration, hot ...float64) {
	for i, a := range d.amps {
		a.Advance(now, hot[i]+0.03*float64(now/haltest.Tick%5), 25)
	}
	d.dev.Poll(now)
}

func TestEveryInputGetsItsOwnTemperature(t *testing.T) {
	d := wired(t, 4)
	hot := []float64{50, 120, 190, 260}
	for now := time.Duration(0); now < 10*time.Second; now += haltest.Tick {
		d.tick(now, hot...)
		if now < 500*time.Millisecond {
			continue
		}
		for i, want := range hot {
			if got, ok := d.dev.Input(i).Read(now).Temp(); !ok || math.Abs(float64(got)-want) > 0.2 {
				t.Fatalf("at %v input %d reads %v (%v), want %v", now, i, got, d.dev.Input(i).Read(now).Quality, want)
			}
		}
	}
	if p := d.dev.Input(0).Period(); p != 4*haltest.Tick {
		t.Errorf("period is %v", p)
	}
}

// The clock of the chip may be a tenth slow: the result of the conversion before must not be taken for this one's.
func TestASlowConverterNeverHandsOutAnotherInputsResult(t *testing.T) {
	for _, slow := range []float64{0, 0.1, 0.5, 0.9, 1.5} { // 0.6 and more do not fit into a tick
		d := wired(t, 2)
		d.ads.Slow = slow
		seen := 0
		for now := time.Duration(0); now < 20*time.Second; now += haltest.Tick {
			d.tick(now, 40, 240)
			for i, want := range []float64{40, 240} {
				if got, ok := d.dev.Input(i).Read(now).Temp(); ok {
					seen++
					if math.Abs(float64(got)-want) > 0.2 {
						t.Fatalf("%.1f slow, at %v: input %d reads %v", slow, now, i, got)
					}
				}
			}
		}
		if seen == 0 {
			t.Errorf("%.1f slow: nothing was read", slow)
		}
	}
}

func TestAConversionThatNeverEndsIsNoAnswer(t *testing.T) {
	d := wired(t, 1)
	d.ads.Slow = 100
	var q unit.Quality
	for now := time.Duration(0); now < time.Second; now += haltest.Tick {
		d.tick(now, 100)
		if q = d.dev.Input(0).Read(now).Quality; q == unit.Good {
			t.Fatalf("at %v a reading of a conversion that has not ended", now)
		}
	}
	if q != unit.NoAnswer || !strings.Contains(d.dev.Input(0).LastError().Error(), "does not end") {
		t.Errorf("%v: %v", q, d.dev.Input(0).LastError())
	}
}

func TestAReadingAgesToStaleWhenNobodyPolls(t *testing.T) {
	d := wired(t, 1)
	now := time.Duration(0)
	for ; now < time.Second; now += haltest.Tick {
		d.tick(now, 100)
	}
	last := d.dev.Input(0).Read(now - haltest.Tick)
	for _, c := range []struct {
		age  time.Duration
		want unit.Quality
	}{{0, unit.Good}, {250 * time.Millisecond, unit.Good}, {251 * time.Millisecond, unit.Stale}, {time.Hour, unit.Stale}} {
		if r := d.dev.Input(0).Read(last.At + c.age); r.Quality != c.want {
			t.Errorf("%v old: %v, want %v", c.age, r.Quality, c.want)
		}
	}
}

func TestAConverterThatWasResetIsNotBelievedAndGoesOn(t *testing.T) {
	d := wired(t, 2)
	now := time.Duration(0)
	for ; now < time.Second; now += haltest.Tick {
		d.tick(now, 100, 200)
	}
	d.amps[0].Inject(chip.ResetChip)
	d.amps[0].Inject(chip.None)
	bad := 0
	for ; now < 3*time.Second; now += haltest.Tick {
		d.tick(now, 100, 200)
		for i, want := range []float64{100, 200} {
			r := d.dev.Input(i).Read(now)
			if got, ok := r.Temp(); !ok {
				bad++
			} else if math.Abs(float64(got)-want) > 0.2 {
				t.Fatalf("input %d reads %v after a reset", i, got)
			}
		}
	}
	if bad == 0 || bad > 4 {
		t.Errorf("%d readings without a number; one conversion is lost", bad)
	}
}

// Hazard B-05: the result belongs to whatever input the converter says it does, not to the one that was asked for.
func TestAConversionThatSomebodyElseStartedIsNotBelieved(t *testing.T) {
	d := wired(t, 2)
	now := time.Duration(0)
	for ; now < time.Second; now += haltest.Tick {
		d.tick(now, 100, 200)
	}
	for _, foreign := range []uint16{5<<12 | 1<<9, 7<<12 | 2<<9, 4<<12 | 1<<9} { // an input nobody has, another range, an input nobody has
		d.dev.Poll(now) // starts one of ours
		config := 0x8000 | foreign | 0x100 | 1<<5 | 3
		if err := d.bus.Tx(0x49, []byte{1, byte(config >> 8), byte(config)}, nil); err != nil {
			t.Fatal(err)
		}
		now += haltest.Tick
		d.ads.Advance(now)
		d.dev.Poll(now)
		lost := 0
		for i, want := range []float64{100, 200} {
			r := d.dev.Input(i).Read(now)
			if got, ok := r.Temp(); !ok {
				lost++
			} else if math.Abs(float64(got)-want) > 0.2 {
				t.Fatalf("input %d reads %v", i, got)
			}
		}
		if lost == 0 {
			t.Errorf("a conversion with configuration %04x passed for ours", config)
		}
		for range 6 {
			now += haltest.Tick
			d.tick(now, 100, 200)
		}
	}
}

func TestACoupleTurnedRoundLooksRightWhenColdAndFallsWhenHeated(t *testing.T) {
	d := wired(t, 1)
	d.Inject(chip.Reversed)
	now := time.Duration(0)
	for _, hot := range []float64{25, 45, 65} {
		for range 5 {
			d.tick(now, hot)
			now += haltest.Tick
		}
		if got, ok := d.dev.Input(0).Read(now).Temp(); !ok || math.Abs(float64(got)-(50-hot)) > 2 {
			t.Errorf("at %v °C it reads %v", hot, got)
		}
	}
}

// With the reference pin at ground the plainest wiring reads from 5 °C up to the rail at 3.2 V, about 630 °C.
func TestThePlainestWiringReadsFromFiveDegreesUp(t *testing.T) {
	ads, bus := chip.NewAds1115(), chip.NewI2CBus("i2c-sim")
	if err := bus.Add(0x48, ads); err != nil {
		t.Fatal(err)
	}
	dev, err := ad8495.New(bus, &ad8495.DefaultOpts)
	if err != nil {
		t.Fatal(err)
	}
	now := time.Duration(0)
	for hot, want := range map[float64]unit.Quality{6: unit.Good, 25: unit.Good, 260: unit.Good, 600: unit.Good, -10: unit.ShortGround, 2: unit.ShortGround, 640: unit.Open} {
		for range 3 {
			now += haltest.Tick
			ads.Input(0).Advance(now, hot, 25)
			dev.Poll(now)
		}
		if got := dev.Input(0).Read(now).Quality; got != want {
			t.Errorf("%v °C is %v, want %v", hot, got, want)
		}
	}
}

func TestEveryBadReadingIsExplained(t *testing.T) {
	d := wired(t, 1)
	now := time.Duration(0)
	for _, c := range []struct {
		fault chip.Fault
		words string
	}{{chip.None, ""}, {chip.Open, "below 4.096 V"}, {chip.Dead, "no such device"}, {chip.AllZeros, "all bits equal"}, {chip.ShortGround, "0.000 V"}, {chip.None, ""}} {
		d.Inject(c.fault)
		for range 4 {
			now += haltest.Tick
			d.tick(now, 100)
		}
		if err := d.dev.Input(0).LastError(); c.words == "" && err != nil || c.words != "" && (err == nil || !strings.Contains(err.Error(), c.words)) {
			t.Errorf("%v: %v", c.fault, err)
		}
	}
}

func TestOptionsThatMakeNoSenseAreRefusedWithWhatIsAllowed(t *testing.T) {
	one := func(c ad8495.ChannelOpts) func(*ad8495.Opts) {
		return func(o *ad8495.Opts) { o.Channels = []ad8495.ChannelOpts{c} }
	}
	for name, change := range map[string]func(*ad8495.Opts){
		"address": func(o *ad8495.Opts) { o.Addr = 0x50 }, "none": func(o *ad8495.Opts) { o.Channels = nil },
		"twice": func(o *ad8495.Opts) { o.Channels = []ad8495.ChannelOpts{{Channel: 1}, {Channel: 1}} },
		"rate":  func(o *ad8495.Opts) { o.Rate = 8 * physic.Hertz }, "too fast": func(o *ad8495.Opts) { o.Rate = 1000 * physic.Hertz },
		"no room": func(o *ad8495.Opts) { o.Every = 50 * time.Millisecond }, "backwards": func(o *ad8495.Opts) { o.Every = -1 },
		"frozen":  func(o *ad8495.Opts) { o.FrozenAfter = time.Hour },
		"channel": one(ad8495.ChannelOpts{Channel: 4}), "negative": one(ad8495.ChannelOpts{Channel: -1}),
		"rail": func(o *ad8495.Opts) { o.RailVolts = 12 }, "no rail": func(o *ad8495.Opts) { o.RailVolts = math.NaN() }, "reference": one(ad8495.ChannelOpts{RefVolts: -1}),
		"reference at the rail": one(ad8495.ChannelOpts{RefVolts: 3}), "not a number": one(ad8495.ChannelOpts{RefVolts: math.NaN()}),
		"span": one(ad8495.ChannelOpts{SpanVolts: 10}), "span below": one(ad8495.ChannelOpts{RefVolts: 2, SpanVolts: 1}),
	} {
		opts := ad8495.DefaultOpts
		change(&opts)
		if d, err := ad8495.New(chip.NewI2CBus("x"), &opts); err == nil || d != nil || !strings.HasPrefix(err.Error(), "ad8495: ") {
			t.Errorf("%s: %v", name, err)
		}
	}
	if wired(t, 2).dev.Input(2) != nil || wired(t, 2).dev.Input(-1) != nil {
		t.Error("there are inputs nobody configured")
	}
}

func BenchmarkDecode(b *testing.B) {
	b.ReportAllocs()
	v := 1.0
	for b.Loop() {
		v += 1e-7
		ad8495.Temperature(v)
	}
}

// BenchmarkRead polls and reads one of four inputs.
func BenchmarkRead(b *testing.B) { haltest.BenchmarkThermometer(b, spec(4)) }
