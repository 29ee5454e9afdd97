package max31865_test

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"periph.io/x/conn/v3/physic"

	"trivet/hal/haltest"
	"trivet/hal/max31865"
	"trivet/process/unit"
	"trivet/sim/chip"
)

func wired(tb testing.TB, opts max31865.Opts) (*max31865.Dev, *chip.Max31865) {
	tb.Helper()
	c := chip.NewMax31865("spi-sim").Wire(opts.NominalOhms, opts.RefOhms, opts.LeadOhms)
	d, err := max31865.New(c, &opts)
	if err != nil {
		tb.Fatal(err)
	}
	return d, c
}

func pt1000() max31865.Opts {
	o := max31865.DefaultOpts
	o.NominalOhms, o.RefOhms, o.Wires, o.LeadOhms, o.MainsHz, o.Auto = 1000, 4300, 2, 1.2, 60, true
	return o
}

func spec(opts max31865.Opts) haltest.Spec {
	return haltest.Spec{
		New: func(tb testing.TB) haltest.Bench {
			d, c := wired(tb, opts)
			return haltest.Bench{Sensor: d, World: c, Mend: d.Configure}
		},
		Error:  0.02, // half a step of 0.034 °C
		Settle: 400 * time.Millisecond,
		Faults: []haltest.Expect{
			{Fault: chip.Open, Quality: unit.Open, Within: 3 * haltest.Tick},
			{Fault: chip.ShortGround, Quality: unit.ShortGround, Within: 3 * haltest.Tick},
			{Fault: chip.ShortSupply, Quality: unit.ShortSupply, Within: 3 * haltest.Tick},
			{Fault: chip.Dead, Quality: unit.NoAnswer},
			{Fault: chip.AllZeros, Quality: unit.NoAnswer},
			{Fault: chip.AllOnes, Quality: unit.NoAnswer},
			{Fault: chip.FrozenFrame, Quality: unit.Frozen, Within: opts.FrozenAfter + time.Second},
			{Fault: chip.ResetChip, Quality: unit.NoAnswer},
		},
	}
}

func TestItIsAThermometer(t *testing.T) {
	for name, o := range map[string]max31865.Opts{"Pt100 one at a time": max31865.DefaultOpts, "Pt1000 by itself": pt1000()} {
		t.Run(name, func(t *testing.T) { haltest.RunThermometer(t, spec(o)) })
	}
}

// IEC 60751, table of the Pt100 to 0.01 Ω (from memory, as printed in many catalogues).
var iec60751 = map[float64]float64{
	-200: 18.52, -150: 39.72, -100: 60.26, -50: 80.31, -10: 96.09, 0: 100, 10: 103.90, 20: 107.79, 50: 119.40, 100: 138.51, 150: 157.33, 200: 175.86,
	250: 194.10, 300: 212.05, 400: 247.09, 500: 280.98, 600: 313.71, 700: 345.28, 800: 375.70, 850: 390.48,
}

func TestEveryRowOfTheStandardsTableBothWays(t *testing.T) {
	for c, want := range iec60751 {
		got, ok := max31865.Ohms(unit.Celsius(c), 100)
		if !ok || math.Abs(got-want) > 0.00501 {
			t.Errorf("%v °C has %.4f Ω, printed is %.2f", c, got, want)
		}
		if ten, _ := max31865.Ohms(unit.Celsius(c), 1000); math.Abs(ten-10*got) > 1e-9 {
			t.Errorf("a Pt1000 at %v °C has %v Ω", c, ten)
		}
		back, ok := max31865.Temperature(want, 100)
		if inside := c > -200 && c < 850; inside && (!ok || math.Abs(float64(back)-c) > 0.018) { // 0.005 Ω at 0.29 Ω/°C
			t.Errorf("%v Ω is %v, printed is %v", want, float64(back), c)
		}
	}
}

func TestTemperatureUndoesOhmsEverywhere(t *testing.T) {
	before := -1.0
	for c := -200.0; c <= 850; c += 0.01 {
		r, ok := max31865.Ohms(unit.Celsius(c), 1000)
		back, okBack := max31865.Temperature(r, 1000)
		if !ok || !okBack || math.Abs(float64(back)-c) > 1e-7 || r <= before {
			t.Fatalf("%v °C has %v Ω, which is %v °C (%v, %v)", c, r, float64(back), ok, okBack)
		}
		before = r
	}
	for _, c := range []float64{-200.1, 850.1, math.NaN(), math.Inf(1)} {
		if _, ok := max31865.Ohms(unit.Celsius(c), 100); ok {
			t.Errorf("%v °C has a resistance", c)
		}
	}
	for _, r := range []float64{18.5, 390.5, math.NaN(), -1, math.Inf(1)} {
		if c, ok := max31865.Temperature(r, 100); ok {
			t.Errorf("%v Ω is %v", r, c)
		}
	}
}

// All 2¹⁵ results with the flag set and not, for three wirings: resistance by a weight for each bit, temperature by halving.
func TestEveryResultMeansTheSameToASecondDecoder(t *testing.T) {
	for _, w := range []max31865.Opts{max31865.DefaultOpts, pt1000(), {NominalOhms: 100, RefOhms: 400, Wires: 3, MainsHz: 60, Clock: physic.MegaHertz, FrozenAfter: time.Second}} {
		m := newMemory()
		d, err := max31865.New(m, &w)
		if err != nil {
			t.Fatal(err)
		}
		now, usable := time.Duration(0), 0
		for range 3 { // a search, then the first conversion
			now += haltest.Tick
			d.Read(now)
		}
		for code := range 1 << 15 {
			ratio, rest := 0.0, code
			for at, weight := 1<<14, 0.5; at > 0; at, weight = at/2, weight/2 {
				if rest >= at {
					rest -= at
					ratio += weight
				}
			}
			flag := code % 2
			m.result(code, flag)
			now += haltest.Tick
			if m.reg[0]&0x0C != 0 { // the chip looks for broken wires: a result is taken by the read after
				m.read(d, now)
				now += haltest.Tick
			}
			f := max31865.Decode([8]byte(m.reg[:8]))
			if f.Ratio() != ratio || f.Flagged != (flag == 1) {
				t.Fatalf("%04x is %v, flagged %v; want %v", code, f.Ratio(), f.Flagged, ratio)
			}
			r := m.read(d, now)
			want, there := halve(ratio*w.RefOhms-w.LeadOhms, w.NominalOhms)
			got, ok := r.Temp()
			if ok {
				usable++
			}
			if expect := there && want >= -55; ok != expect || ok && math.Abs(float64(got)-want) > 1e-6 {
				t.Fatalf("%04x with %+v: %v (%v), want %v, %v: %v", code, w, float64(got), r.Quality, want, expect, d.LastError())
			}
		}
		t.Logf("%v Ω, reference %v Ω: %d of 32768 results are temperatures", w.NominalOhms, w.RefOhms, usable)
	}
}

// halve solves the equation of IEC 60751 by halving, without the driver's arithmetic.
func halve(ohms, r0 float64) (c float64, ok bool) {
	curve := func(t float64) float64 {
		r := 1 + 3.9083e-3*t - 5.775e-7*t*t
		if t < 0 {
			r -= 4.183e-12 * (t - 100) * t * t * t
		}
		return r0 * r
	}
	low, high := -200.0, 850.0
	if ohms < curve(low) || ohms > curve(high) {
		return 0, false
	}
	for range 60 {
		if mid := (low + high) / 2; curve(mid) < ohms {
			low = mid
		} else {
			high = mid
		}
	}
	return (low + high) / 2, true
}

// memory is a chip that is nothing but its eight registers.
type memory struct {
	haltest.Player
	reg [8]byte
}

func newMemory() *memory {
	m := &memory{}
	m.Answer = func(w, r []byte) error {
		for i := 1; i < len(w); i++ {
			at := (int(w[0]%128) + i - 1) % 8
			if w[0] < 128 {
				r[i] = m.reg[at]
			} else if at < 7 && at != 1 && at != 2 {
				m.reg[at] = w[i] &^ map[int]byte{0: 0x02}[at]
				if at == 0 && w[i]&0x02 != 0 {
					m.reg[7] = 0
				}
			}
		}
		return nil
	}
	return m
}

func (m *memory) result(code, flag int) { m.reg[1], m.reg[2] = byte(code/128), byte(code%128*2+flag) }

// read ends whatever is under way and reads.
func (m *memory) read(d *max31865.Dev, now time.Duration) unit.Reading {
	m.reg[0] &^= 0x2C
	return d.Read(now)
}

// All 2⁸ statuses, found by a conversion and by a search.
func TestEveryStatusMakesTheResultBesideItWorthless(t *testing.T) {
	for status := range 256 {
		want := unit.Good
		switch {
		case status/4%2 == 1:
			want = unit.ShortSupply
		case status/8%2 == 1, status/16%2 == 1, status/32%2 == 1, status/128 == 1:
			want = unit.Open
		case status/64%2 == 1:
			want = unit.ShortGround
		}
		for _, searching := range []bool{false, true} {
			m := newMemory()
			d, err := max31865.New(m, &max31865.DefaultOpts)
			if err != nil {
				t.Fatal(err)
			}
			m.result(10000, 0)
			d.Read(0) // begins a search
			now := haltest.Tick
			if searching {
				m.reg[7] = byte(status)
			}
			m.read(d, now) // ends it, begins a conversion
			now += haltest.Tick
			if !searching {
				m.reg[7] = byte(status)
			}
			r := m.read(d, now)
			if r.Quality != want || (d.LastError() == nil) != (want == unit.Good) {
				t.Fatalf("status %02x, by a search %v: %v, %v; want %v", status, searching, r.Quality, d.LastError(), want)
			}
			if m.reg[7]&0xFC != 0 {
				t.Fatalf("status %02x was not cleared", status)
			}
			if want == unit.ShortSupply { // begins anew, with a search
				continue
			}
			now += haltest.Tick
			if r := m.read(d, now); searching && r.Quality != want || !searching && r.Quality != unit.Good {
				t.Errorf("status %02x, by a search %v: the next is %v", status, searching, r.Quality)
			}
		}
	}
	if s := max31865.Status(0xFF).String(); !strings.Contains(s, "over- or undervoltage, ") || max31865.Status(3).String() != "none" {
		t.Error(s)
	}
}

func TestWhatASearchFoundStandsUntilAnotherFindsNothing(t *testing.T) {
	m := newMemory()
	d, err := max31865.New(m, &max31865.DefaultOpts)
	if err != nil {
		t.Fatal(err)
	}
	m.result(10000, 0)
	d.Read(0)
	m.reg[7] = 0x08
	good := time.Duration(0)
	for now := haltest.Tick; now < 3*time.Second; now += haltest.Tick {
		if m.read(d, now).Usable() && good == 0 {
			good = now
		}
	}
	// Found at 0.1 s; a conversion that cannot be believed, another search, a conversion.
	if good != 400*time.Millisecond {
		t.Errorf("a number again at %v", good)
	}
}

func TestANumberIsNeverOlderThanTwoTicksAndAConversionIsTakenOnce(t *testing.T) {
	d, c := wired(t, max31865.DefaultOpts)
	last, fresh := time.Duration(-1), 0
	for now := time.Duration(0); now < 10*time.Second; now += haltest.Tick {
		c.Advance(now, 100+now.Seconds(), 25)
		r := d.Read(now)
		if now < 500*time.Millisecond {
			continue
		}
		if got, ok := r.Temp(); !ok || now-r.At > 2*haltest.Tick || math.Abs(float64(got)-100-r.At.Seconds()) > 0.15 {
			t.Fatalf("at %v: %v from %v (%v)", now, got, r.At, d.LastError())
		}
		if r.At != last {
			fresh++
		}
		last = r.At
	}
	if fresh < 80 || fresh > 90 { // one tick in ten or eleven is a search
		t.Errorf("%d fresh readings in 95 ticks", fresh)
	}
}

func TestAConversionThatNeverEndsIsNoAnswer(t *testing.T) {
	m := newMemory()
	d, err := max31865.New(m, &max31865.DefaultOpts)
	if err != nil {
		t.Fatal(err)
	}
	m.result(10000, 0)
	d.Read(0)
	m.read(d, haltest.Tick)
	m.read(d, 2*haltest.Tick)
	for now := 3 * haltest.Tick; now < time.Second; now += haltest.Tick { // one shot stays set
		r := d.Read(now)
		if late := now-2*haltest.Tick > 200*time.Millisecond; (r.Quality == unit.NoAnswer) != late && now > 500*time.Millisecond {
			t.Fatalf("at %v: %v", now, r.Quality)
		}
	}
	if err := d.LastError(); err == nil || !strings.Contains(err.Error(), "does not end") {
		t.Error(err)
	}
}

var errBus = errors.New("the bus is gone")

func TestABusThatFailsInAnyTransactionIsToldAndComesBack(t *testing.T) {
	for _, o := range []max31865.Opts{max31865.DefaultOpts, pt1000()} {
		for fails := range 60 {
			c := chip.NewMax31865("x").Wire(o.NominalOhms, o.RefOhms, o.LeadOhms)
			tap, n := &haltest.Tap{SPI: c}, 0
			tap.Before(func() error {
				if n++; n-1 == fails {
					return errBus
				}
				return nil
			})
			d, err := max31865.New(tap, &o)
			if fails < 3 {
				if !errors.Is(err, errBus) || d != nil {
					t.Errorf("transaction %d: %v", fails, err)
				}
				continue
			}
			if err != nil {
				t.Fatal(err)
			}
			told := false
			var r unit.Reading
			for now := time.Duration(0); now < 5*time.Second; now += haltest.Tick {
				if now == 2*time.Second {
					c.Inject(chip.Open) // so that statuses are cleared as well
				}
				if now == 3*time.Second {
					c.Inject(chip.None)
				}
				c.Advance(now, 120+0.05*float64(now/haltest.Tick%7), 25)
				if r = d.Read(now); r.Quality == unit.NoAnswer {
					told = told || errors.Is(d.LastError(), errBus)
				}
			}
			if !told && n > fails || !r.Usable() {
				t.Errorf("transaction %d of %d: told %v, in the end %v, %v", fails, n, told, r.Quality, d.LastError())
			}
		}
	}
}

func TestEveryFlippedBitOfItsConfigurationIsFound(t *testing.T) {
	for _, o := range []max31865.Opts{max31865.DefaultOpts, pt1000()} {
		for _, at := range []int{0, 3, 4, 5, 6} {
			for bit := range 8 {
				if at == 0 && bit >= 1 && bit <= 3 || at == 0 && bit == 5 { // bits that clear themselves
					continue
				}
				m := newMemory()
				d, err := max31865.New(m, &o)
				if err != nil {
					t.Fatal(err)
				}
				m.result(10000, 0)
				for now := time.Duration(0); now < 500*time.Millisecond; now += haltest.Tick {
					m.read(d, now)
				}
				m.reg[at] ^= 1 << bit
				if r := m.read(d, 500*time.Millisecond); r.Quality != unit.NoAnswer || !strings.Contains(d.LastError().Error(), "lost") {
					t.Errorf("register %d, bit %d: %v", at, bit, r.Quality)
				}
				if err := d.Configure(); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
}

func TestHaltTakesTheCurrentOffAndConfigureBringsItBack(t *testing.T) {
	m := newMemory()
	d, err := max31865.New(m, &max31865.DefaultOpts)
	if err != nil {
		t.Fatal(err)
	}
	if err := d.Halt(); err != nil || m.reg[0]&0x80 != 0 || d.Read(0).Quality != unit.NoAnswer {
		t.Errorf("%v, configuration %02x", err, m.reg[0])
	}
	if err := d.Configure(); err != nil || d.Read(haltest.Tick).Quality != unit.NotRead {
		t.Errorf("%v, %v", err, d.LastError())
	}
	m.Answer = func(_, _ []byte) error { return errBus }
	if err := d.Halt(); !errors.Is(err, errBus) || d.String() != "MAX31865{player}" {
		t.Errorf("%v: %v", d, err)
	}
	if _, err := max31865.New(&haltest.Player{}, &max31865.DefaultOpts); err == nil || !strings.Contains(err.Error(), "lost") {
		t.Errorf("a line that is stuck low: %v", err)
	}
}

func TestWhileMotionIsExpectedFiveSecondsOfOneValueAreFrozen(t *testing.T) {
	d, c := wired(t, max31865.DefaultOpts)
	d.ExpectMotion(true)
	for now := time.Duration(0); now < 7*time.Second; now += haltest.Tick {
		c.Advance(now, 150, 25)
		d.Read(now)
	}
	if err := d.LastError(); err == nil || !strings.Contains(err.Error(), "repeats one value") {
		t.Error(err)
	}
}

func TestOptionsThatMakeNoSenseAreRefused(t *testing.T) {
	for words, change := range map[string]func(*max31865.Opts){
		"10 to 10000": func(o *max31865.Opts) { o.NominalOhms = 1 }, "NaN": func(o *max31865.Opts) { o.NominalOhms = math.NaN() },
		"above 138.5 up to": func(o *max31865.Opts) { o.RefOhms = 100 }, "2, 3 and 4": func(o *max31865.Opts) { o.Wires = 5 },
		"0 to 10 is allowed with two": func(o *max31865.Opts) { o.LeadOhms = 2 }, "leads have 20": func(o *max31865.Opts) { o.Wires, o.LeadOhms = 2, 20 },
		"50 and 60": func(o *max31865.Opts) { o.MainsHz = 400 }, "5MHz": func(o *max31865.Opts) { o.Clock = 6 * physic.MegaHertz },
		"1s to 10m": func(o *max31865.Opts) { o.FrozenAfter = time.Hour },
	} {
		o := max31865.DefaultOpts
		change(&o)
		if d, err := max31865.New(chip.NewMax31865("x"), &o); d != nil || err == nil || !strings.Contains(err.Error(), words) {
			t.Errorf("%s: %v", words, err)
		}
	}
	c := chip.NewMax31865("x")
	_, _ = max31865.New(c, &max31865.DefaultOpts)
	if _, err := max31865.New(c, &max31865.DefaultOpts); err == nil {
		t.Error("two drivers on one chip")
	}
}

// The configuration register (datasheet, table 2, from memory), for each wiring.
func TestTheConfigurationIsThatOfTheRegisterMap(t *testing.T) {
	for want, change := range map[byte]func(*max31865.Opts){
		0x81: func(*max31865.Opts) {}, 0x91: func(o *max31865.Opts) { o.Wires = 3 }, 0x80: func(o *max31865.Opts) { o.MainsHz = 60 },
	} {
		o := max31865.DefaultOpts
		change(&o)
		m := newMemory()
		if _, err := max31865.New(m, &o); err != nil || m.reg[0] != want {
			t.Errorf("%+v: %02x, want %02x (%v)", o, m.reg[0], want, err)
		}
		// −60 and 845 °C are 76.33 and 389.05 Ω of a Pt100.
		if high, low := int(m.reg[3])*128+int(m.reg[4])/2, int(m.reg[5])*128+int(m.reg[6])/2; high != 29645 || low != 5817 {
			t.Errorf("thresholds %d, %d", high, low)
		}
	}
}

// Whatever a chip answers at whatever times: a number comes only from a result that is sound by itself beside the driver's own
// configuration, and every reading without one is explained. Four bytes for each read: the result, the status, the time in
// steps of 20 ms; and in the highest bit of the time whether the chip is still busy.
func FuzzRead(f *testing.F) {
	f.Add(false, []byte{0x27, 0x10, 0, 5, 0x27, 0x12, 0, 5, 0x27, 0x14, 0, 5, 0x27, 0x14, 0x08, 5, 0x27, 0x14, 0, 133})
	f.Add(true, []byte{0x27, 0x10, 0, 5, 0x27, 0x12, 0, 5, 0x27, 0x14, 0, 5, 0x27, 0x14, 0x44, 5, 0x00, 0x00, 0, 5})
	f.Fuzz(func(t *testing.T, auto bool, script []byte) {
		o := max31865.DefaultOpts
		o.Auto = auto
		m := newMemory()
		d, err := max31865.New(m, &o)
		if err != nil {
			t.Fatal(err)
		}
		now := time.Duration(0)
		for script = script[:min(len(script), 400)]; len(script) >= 4; script = script[4:] {
			m.reg[1], m.reg[2], m.reg[7] = script[0], script[1], script[2]
			now += time.Duration(script[3]%128) * 20 * time.Millisecond
			if script[3] < 128 {
				m.reg[0] &^= 0x2C
			}
			r := d.Read(now)
			if got, ok := r.Temp(); ok && !(got >= -55 && got <= 850) || ok != (d.LastError() == nil) || r.At > now {
				t.Fatalf("at %v: %v (%v), %v", now, got, r.Quality, d.LastError())
			}
			if q := max31865.Status(script[2]).Quality(); r.Usable() && r.At == now && q != unit.Good {
				t.Fatalf("a number beside %v", max31865.Status(script[2]))
			}
		}
	})
}

func BenchmarkRead(b *testing.B) { haltest.BenchmarkThermometer(b, spec(max31865.DefaultOpts)) }
