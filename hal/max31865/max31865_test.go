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

func BenchmarkRead(b *testing.B) { haltest.BenchmarkThermometer(b, spec(max31865.DefaultOpts)) }
