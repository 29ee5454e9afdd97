package max6675_test

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"periph.io/x/conn/v3/physic"

	"trivet/hal/emf"
	"trivet/hal/haltest"
	"trivet/hal/max6675"
	"trivet/process/unit"
	"trivet/sim/chip"
)

func wired(tb testing.TB, opts max6675.Opts) (*max6675.Dev, *chip.Max6675) {
	tb.Helper()
	c := chip.NewMax6675("spi-sim")
	d, err := max6675.New(c, &opts)
	if err != nil {
		tb.Fatal(err)
	}
	return d, c
}

// asking is how often the chip is really asked: the first tick at which Every has passed.
const asking = 3 * haltest.Tick

func spec() haltest.Spec {
	return haltest.Spec{
		New: func(tb testing.TB) haltest.Bench {
			d, c := wired(tb, max6675.DefaultOpts)
			return haltest.Bench{Sensor: d, World: c}
		},
		Warmest: 300, Coldest: 20, // it has no numbers below 0 °C, and 0 is not believed
		Error:  0.6, // half a step, and the assumed cold junction: 0.45 °C at 5 °C
		Settle: 3*asking + haltest.Tick,
		Faults: []haltest.Expect{
			{Fault: chip.Open, Quality: unit.Open, Within: 2 * asking},
			{Fault: chip.ShortSupply, Quality: unit.OutOfRange, Within: 2 * asking}, // the end of the scale
			{Fault: chip.Dead, Quality: unit.NoAnswer, Within: asking},
			{Fault: chip.AllZeros, Quality: unit.NoAnswer, Within: asking},
			{Fault: chip.AllOnes, Quality: unit.NoAnswer, Within: asking},
			{Fault: chip.FrozenFrame, Quality: unit.Frozen, Within: max6675.DefaultOpts.FrozenAfter + 2*asking},
		},
	}
}

func TestItIsAThermometer(t *testing.T) { haltest.RunThermometer(t, spec()) }

// The bit map of datasheet 19-2235, from memory: D15 0, D14…D3 the value, D2 open, D1 0, D0 floats; steps of 0.25 °C.
func TestEveryCodeOfTheBitMapHasItsValue(t *testing.T) {
	for raw, want := range map[uint16]float64{0x0008: 0.25, 0x0320: 25, 0x0C80: 100, 0x1900: 200, 0x3E80: 500, 0x7D00: 1000, 0x7FF0: 1023.5, 0x7FF8: 1023.75} {
		for _, floating := range []uint16{0, 1} {
			if f := max6675.Decode(raw | floating); float64(f.Hot) != want || f.Fault&^max6675.Most != 0 {
				t.Errorf("%04X is %v, %v; want %v", raw|floating, float64(f.Hot), f.Fault, want)
			}
		}
	}
}

// All 2¹⁶ answers: a weight for each bit, and what each single bit stands for.
func TestEveryAnswerMeansTheSameToASecondDecoder(t *testing.T) {
	weights := [16]float64{0, 512, 256, 128, 64, 32, 16, 8, 4, 2, 1, 0.5, 0.25, 0, 0, 0} // D15…D0
	for raw := range 1 << 16 {
		hot, bits := 0.0, [16]bool{}
		rest := raw
		for n, at := 0, 1<<15; n < 16; n, at = n+1, at/2 {
			if rest >= at {
				rest -= at
				bits[15-n] = true
				hot += weights[n]
			}
		}
		want := unit.Good
		switch {
		case bits[15], bits[1], raw/2 == 0:
			want = unit.NoAnswer
		case bits[2]:
			want = unit.Open
		case hot == 1023.75:
			want = unit.OutOfRange
		}
		if f := max6675.Decode(uint16(raw)); float64(f.Hot) != hot || f.Quality() != want {
			t.Fatalf("%04X is %v, %v; the second decoder says %v, %v", raw, float64(f.Hot), f.Quality(), hot, want)
		}
	}
}

// For every code: the temperature has, by the reference function, just the voltage that the straight line stands for.
func TestLinearizeUndoesTheStraightLineForEveryCode(t *testing.T) {
	own, _ := emf.Type('K').Voltage(25)
	before := unit.Celsius(-1000)
	for code := range 4096 {
		hot := unit.Celsius(code) / 4
		got, ok := max6675.Linearize(hot)
		back, _ := emf.Type('K').Voltage(got)
		if !ok || !(math.Abs(back-(float64(hot-25)*0.041+own)) < 2e-6) || got <= before {
			t.Fatalf("%v is %v (%v), which has %v mV", hot, got, ok, back)
		}
		before = got
	}
	if got, _ := max6675.Linearize(245); math.Abs(float64(got)-247) > 0.5 { // what the package comment says
		t.Errorf("245 is %v", got)
	}
}

// Hazard S-07. Asked in every tick the emulated chip never converts; the driver leaves it alone for long enough.
func TestItIsNeverAskedFasterThanItConverts(t *testing.T) {
	c := chip.NewMax6675("spi-sim")
	tap := &haltest.Tap{SPI: c}
	d, err := max6675.New(tap, &max6675.DefaultOpts)
	if err != nil {
		t.Fatal(err)
	}
	var times []time.Duration
	now := time.Duration(0)
	tap.Before(func() error { times = append(times, now); return nil })
	for ; now < 20*time.Second; now += 10 * time.Millisecond {
		c.Advance(now, 100+now.Seconds(), 25)
		d.Read(now)
	}
	for i, at := range times[1:] {
		if at-times[i] < 220*time.Millisecond {
			t.Fatalf("asked at %v and again at %v", times[i], at)
		}
	}
	if got, ok := d.Read(now).Temp(); !ok || math.Abs(float64(got)-120) > 1 || len(times) < 75 {
		t.Errorf("asked %d times, reads %v", len(times), got)
	}
	// The same chip, asked in every tick: what the driver guards against.
	raw := chip.NewMax6675("fast")
	conn, err := raw.Connect(physic.MegaHertz, 0, 8)
	if err != nil {
		t.Fatal(err)
	}
	var first, last [2]byte
	for now := time.Duration(0); now < 20*time.Second; now += 100 * time.Millisecond {
		raw.Advance(now, 100+now.Seconds(), 25)
		if now < time.Second {
			continue // powered for a second, left alone
		}
		_ = conn.Tx(make([]byte, 2), last[:])
		if first == [2]byte{} {
			first = last
		}
	}
	if first != last {
		t.Error("a chip that is asked too often still converts; then this test means nothing")
	}
}

func TestAFailureIsNotAskedAgainTooSoonEither(t *testing.T) {
	n := 0
	p := &haltest.Player{Answer: func(_, _ []byte) error { n++; return errBus }}
	d, err := max6675.New(p, &max6675.DefaultOpts)
	if err != nil {
		t.Fatal(err)
	}
	for now := time.Duration(0); now < time.Second; now += 50 * time.Millisecond {
		if r := d.Read(now); r.Quality != unit.NoAnswer || !errors.Is(d.LastError(), errBus) {
			t.Fatalf("%v, %v", r.Quality, d.LastError())
		}
	}
	if n != 4 {
		t.Errorf("asked %d times in a second", n)
	}
}

var errBus = errors.New("the bus is gone")

// What the chip cannot tell, said plainly: a couple that is shorted at the chip reads as the chip's own temperature.
func TestAShortedCoupleReadsAsTheChipAndCannotBeTold(t *testing.T) {
	d, c := wired(t, max6675.DefaultOpts)
	c.Inject(chip.ShortGround)
	var r unit.Reading
	for now := time.Duration(0); now < 2*time.Second; now += haltest.Tick {
		c.Advance(now, 200, 30)
		r = d.Read(now)
	}
	if got, ok := r.Temp(); !ok || math.Abs(float64(got)-30) > 0.5 {
		t.Errorf("%v (%v)", got, r.Quality)
	}
}

func TestACoupleTurnedRoundEndsAtZeroAndIsNotBelieved(t *testing.T) {
	d, c := wired(t, max6675.DefaultOpts)
	c.Inject(chip.Reversed)
	for now := time.Duration(0); now < 2*time.Second; now += haltest.Tick {
		c.Advance(now, 200, 25)
		if d.Read(now).Usable() {
			t.Fatal("believed")
		}
	}
}

func TestAnAssumedColdJunctionCostsLessThanHalfADegree(t *testing.T) {
	for cold, cost := range map[float64]float64{5: 0.45, 15: 0.2, 25: 0, 45: 0.1} {
		d, c := wired(t, max6675.DefaultOpts)
		var r unit.Reading
		for now := time.Duration(0); now < 2*time.Second; now += haltest.Tick {
			c.Advance(now, 245, cold)
			r = d.Read(now)
		}
		if got, _ := r.Temp(); math.Abs(float64(got)-245) > 0.13+cost {
			t.Errorf("chip at %v °C: reads %v", cold, got)
		}
	}
}

func TestEveryReasonIsExplained(t *testing.T) {
	for raw, words := range map[uint16]string{
		0x1900: "", 0x1904: "not connected", 0x0000: "stuck low", 0x0001: "stuck low", 0xFFFF: "FFFF has a bit that always reads 0",
		0x0002: "0002 has", 0x7FF8: "the chip says 1023.8", 0x7F80: "the chip says 1020",
	} {
		p := &haltest.Player{Answer: func(_, r []byte) error { r[0], r[1] = byte(raw>>8), byte(raw); return nil }}
		d, err := max6675.New(p, &max6675.DefaultOpts)
		if err != nil {
			t.Fatal(err)
		}
		if r := d.Read(0); r.Quality != unit.NotRead {
			t.Errorf("the first answer is taken: %v", r.Quality)
		}
		r := d.Read(time.Second)
		if err := d.LastError(); (words == "") != (err == nil) || err != nil && !(strings.Contains(err.Error(), words) && strings.HasPrefix(err.Error(), d.String())) || r.Usable() != (words == "") {
			t.Errorf("%04X: %v, %v; want %q", raw, r.Quality, err, words)
		}
	}
	d, _ := wired(t, max6675.DefaultOpts)
	if d.Read(0); d.LastError() == nil || d.String() != "MAX6675{spi-sim}" || d.Halt() != nil {
		t.Errorf("%v: %v", d, d.LastError())
	}
}

func TestWhileMotionIsExpectedFiveSecondsOfOneValueAreFrozen(t *testing.T) {
	d, c := wired(t, max6675.DefaultOpts)
	d.ExpectMotion(true)
	for now := time.Duration(0); now < 7*time.Second; now += haltest.Tick {
		c.Advance(now, 150, 25)
		if q := d.Read(now).Quality; (q == unit.Frozen) != (now > 5900*time.Millisecond) && now > 6*time.Second {
			t.Fatalf("at %v: %v", now, q)
		}
	}
	if !strings.Contains(d.LastError().Error(), "repeats one value") {
		t.Error(d.LastError())
	}
}

func TestOptionsThatMakeNoSenseAreRefused(t *testing.T) {
	for words, change := range map[string]func(*max6675.Opts){
		"never converts": func(o *max6675.Opts) { o.Every = 100 * time.Millisecond }, "220ms to 10s": func(o *max6675.Opts) { o.Every = time.Minute },
		"4.300MHz": func(o *max6675.Opts) { o.Clock = 5 * physic.MegaHertz }, "above 0": func(o *max6675.Opts) { o.Clock = 0 },
		"1s to 10m": func(o *max6675.Opts) { o.FrozenAfter = 0 },
	} {
		o := max6675.DefaultOpts
		change(&o)
		if d, err := max6675.New(chip.NewMax6675("x"), &o); d != nil || err == nil || !strings.Contains(err.Error(), words) {
			t.Errorf("%s: %v", words, err)
		}
	}
	c := chip.NewMax6675("x")
	_, _ = max6675.New(c, &max6675.DefaultOpts)
	if _, err := max6675.New(c, &max6675.DefaultOpts); err == nil {
		t.Error("two drivers on one chip")
	}
}

// Whatever a chip answers at whatever times: a number comes only from an answer that is sound by itself, and every reading
// without one is explained. Three bytes for each read: the answer, and the time since the last in steps of 20 ms.
func FuzzRead(f *testing.F) {
	f.Add([]byte{0x19, 0, 20, 0x19, 8, 20, 0x19, 4, 20, 0, 0, 20, 0xFF, 0xFF, 5, 0x19, 0, 255})
	f.Fuzz(func(t *testing.T, script []byte) {
		var raw, taken uint16
		p := &haltest.Player{Answer: func(_, r []byte) error {
			r[0], r[1], taken = byte(raw>>8), byte(raw), raw
			if raw == 0x1234 {
				return errBus
			}
			return nil
		}}
		d, err := max6675.New(p, &max6675.DefaultOpts)
		if err != nil {
			t.Fatal(err)
		}
		now := time.Duration(0)
		for script = script[:min(len(script), 300)]; len(script) >= 3; script = script[3:] {
			raw = uint16(script[0])<<8 | uint16(script[1])
			now += time.Duration(script[2]) * 20 * time.Millisecond
			r := d.Read(now)
			frame := max6675.Decode(taken)
			want, _ := max6675.Linearize(frame.Hot)
			if got, ok := r.Temp(); ok && (frame.Quality() != unit.Good || got != want || taken == 0x1234) || ok != (d.LastError() == nil) || r.At > now || now-r.At > 5200*time.Millisecond {
				t.Fatalf("%04X at %v: %v (%v), %v", taken, now, got, r.Quality, d.LastError())
			}
		}
	})
}

func BenchmarkRead(b *testing.B) { haltest.BenchmarkThermometer(b, spec()) }
