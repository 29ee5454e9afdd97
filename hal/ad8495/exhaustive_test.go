package ad8495_test

import (
	"errors"
	"fmt"
	"math"
	"testing"
	"time"

	"trivet/hal/ad8495"
	"trivet/hal/haltest"
	"trivet/process/unit"
)

// converter is an ADS1115 that answers the words it is told to, and remembers which configuration was asked for.
type converter struct {
	asked   uint16 // last configuration written
	pointer byte
	busy    bool // bit OS reads 0: a conversion is under way
	foreign bool // config is answered in place of what was asked for
	config  uint16
	code    uint16
	err     error // of every transaction

	collected bool // the result register was read since this was last cleared
}

func (c *converter) answer(_ uint16, w, r []byte) error {
	if c.err != nil {
		return c.err
	}
	if len(w) > 0 {
		c.pointer = w[0]
	}
	if len(w) == 3 && w[0] == 1 {
		c.asked = uint16(w[1])*256 + uint16(w[2])
	}
	word := c.code
	if c.pointer == 1 {
		word = c.asked | 0x8000
		if c.busy {
			word = c.asked & 0x7FFF
		}
		if c.foreign {
			word = c.config
		}
	} else if len(r) == 2 {
		c.collected = true
	}
	copy(r, []byte{byte(word / 256), byte(word % 256)})
	return nil
}

func (c *converter) wire(tb testing.TB, opts ad8495.Opts) *ad8495.Dev {
	tb.Helper()
	d, err := ad8495.New(&haltest.I2CPlayer{Answer: c.answer}, &opts)
	if err != nil {
		tb.Fatal(err)
	}
	return d
}

// second says what a code means, without the driver's arithmetic: the scale from the gain field of the configuration that
// the driver wrote (datasheet, from memory), the code's own sign, and the amplifier's equation solved by halving.
func second(asked, code uint16, o ad8495.Opts, c ad8495.ChannelOpts) (want unit.Quality, temp float64) {
	scales := [8]float64{6.144, 4.096, 2.048, 1.024, 0.512, 0.256, 0.256, 0.256}
	signed := float64(code)
	if code >= 0x8000 {
		signed -= 65536
	}
	volts := signed * scales[asked/512%8] / 32768
	switch {
	case signed >= 32760 || volts >= o.RailVolts-0.05:
		return unit.Open, 0
	case volts <= 0.026:
		return unit.ShortGround, 0
	}
	low, high := -270.0, 1372.0
	lowest, _ := ad8495.Volts(unit.Celsius(low))
	highest, _ := ad8495.Volts(unit.Celsius(high))
	if volts -= c.RefVolts; volts < lowest || volts > highest {
		return unit.OutOfRange, 0
	}
	for range 60 {
		middle := (low + high) / 2
		if v, _ := ad8495.Volts(unit.Celsius(middle)); v < volts {
			low = middle
		} else {
			high = middle
		}
	}
	if temp = (low + high) / 2; temp < -55 || temp > 1000 {
		return unit.OutOfRange, 0
	}
	return unit.Good, temp
}

// wirings are one for each range of the converter that a span asks for, and the two that the guide shows.
func wirings() []ad8495.Opts {
	var all []ad8495.Opts
	for _, w := range [][3]float64{{0, 0, 3.2}, {1.25, 4.096, 4.9}, {0, 6.144, 6.1}, {0.5, 2.048, 3.2}, {0.25, 1.024, 3.2}, {0, 0.5, 3.2}, {0, 0.25, 2.5}, {3, 3.3, 4.9}} {
		o := ad8495.DefaultOpts
		o.RailVolts, o.Channels = w[2], []ad8495.ChannelOpts{{Channel: 2, RefVolts: w[0], SpanVolts: w[1]}}
		all = append(all, o)
	}
	return all
}

// All 2¹⁶ codes in each wiring.
func TestEveryCodeMeansTheSameToASecondComputation(t *testing.T) {
	wirings := wirings()
	haltest.Sweep(t, "2^16 codes in each wiring", len(wirings), func(part int) string {
		o := wirings[part]
		c := &converter{}
		d := c.wire(t, o)
		in, now := d.Input(0), time.Duration(0)
		d.Poll(now)
		for code := range 1 << 16 {
			// The order is not that of the numbers: neighbours are far apart, and no code comes twice.
			c.code = uint16(code * 40503)
			now += haltest.Tick
			d.Poll(now)
			want, temp := second(c.asked, c.code, o, o.Channels[0])
			r := in.Read(now)
			got, ok := r.Temp()
			if r.Quality != want || ok && !(math.Abs(float64(got)-temp) < 2e-6) || ok != (in.LastError() == nil) {
				return fmt.Sprintf("%+v: code %04x is %v, %v (%v); want %v, %v", o.Channels, c.code, float64(got), r.Quality, in.LastError(), temp, want)
			}
		}
		return ""
	})
}

// All 2¹⁶ words that the configuration register could be read as: only one lets the result be read, only one makes the
// driver wait, and every other ends without a reading.
func TestOnlyTheConfigurationThatWasAskedForLetsAResultBeBelieved(t *testing.T) {
	o := wirings()[1]
	believed, waited := 0, 0
	for word := range 1 << 16 {
		c := &converter{code: 0x4000}
		d := c.wire(t, o)
		d.Poll(0)
		asked := c.asked
		c.foreign, c.config = true, uint16(word)
		d.Poll(haltest.Tick)
		r := d.Input(0).Read(haltest.Tick)
		switch {
		case r.Usable() && uint16(word) == asked|0x8000 && c.collected:
			believed++
		case r.Quality == unit.NotRead && uint16(word) == asked&0x7FFF && !c.collected:
			waited++
		case r.Quality != unit.NoAnswer || c.collected || d.Input(0).LastError() == nil:
			t.Fatalf("configuration %04x, asked for %04x: %v, result fetched %v", word, asked, r.Quality, c.collected)
		}
	}
	if believed != 1 || waited != 1 {
		t.Errorf("%d words were believed and %d waited for", believed, waited)
	}
}

var errBus = errors.New("the bus is gone")

// A poll has three transactions; each of them may fail.
func TestABusThatFailsInAnyTransactionTakesEveryReading(t *testing.T) {
	for fails := range 3 {
		c := &converter{code: 0x4000}
		n, failing := 0, false
		bus := &haltest.I2CPlayer{Answer: func(a uint16, w, r []byte) error {
			if n++; failing && n-1 == fails {
				return errBus
			}
			return c.answer(a, w, r)
		}}
		o := ad8495.DefaultOpts
		o.Channels = []ad8495.ChannelOpts{{Channel: 0}, {Channel: 1}}
		d, err := ad8495.New(bus, &o)
		if err != nil {
			t.Fatal(err)
		}
		now := time.Duration(0)
		for ; now < time.Second; now += haltest.Tick {
			c.code++
			d.Poll(now)
		}
		if !d.Input(0).Read(now).Usable() || !d.Input(1).Read(now).Usable() {
			t.Fatal("nothing was read before the failure")
		}
		n, failing = 0, true
		d.Poll(now)
		for i := range 2 {
			if r := d.Input(i).Read(now); r.Quality != unit.NoAnswer || !errors.Is(d.Input(i).LastError(), errBus) {
				t.Errorf("transaction %d failed, input %d: %v, %v", fails, i, r.Quality, d.Input(i).LastError())
			}
		}
	}
}
