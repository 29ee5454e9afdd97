package max31856_test

import (
	"encoding/hex"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"trivet/hal/emf"
	"trivet/hal/haltest"
	"trivet/hal/max31856"
	"trivet/process/unit"
	"trivet/sim/chip"
	"trivet/testdata/facts"
)

type row struct {
	register string
	raw      []byte
	value    float64
}

// examples reads the rows; source of each is named in the file (mostly datasheet 19-7534, from memory, arithmetic checked).
func examples(t testing.TB) []row {
	t.Helper()
	var rows []row
	for _, c := range facts.Rows(t, "max31856_examples.csv") {
		raw, err := hex.DecodeString(c[1])
		if err != nil {
			t.Fatal(err)
		}
		v, err := strconv.ParseFloat(c[2], 64)
		if err != nil {
			t.Fatal(err)
		}
		rows = append(rows, row{register: c[0], raw: raw, value: v})
	}
	return rows
}

func TestEveryPublishedCodeHasItsValue(t *testing.T) {
	for _, r := range examples(t) {
		var got float64
		switch name, _, _ := strings.Cut(r.register, "["); name {
		case "LTCB":
			got = float64(max31856.Decode([6]byte{1, 1, r.raw[0], r.raw[1], r.raw[2]}).Hot())
		case "CJT":
			got = float64(max31856.Decode([6]byte{r.raw[0], r.raw[1]}).Cold())
		case "LTHFT", "LTLFT": // registers the driver only writes; the emulator's thresholds follow the same scale
			got = float64(int16(r.raw[0])<<8|int16(r.raw[1])) * 0.0625
		case "CJHF", "CJLF":
			got = float64(int8(r.raw[0]))
		case "CJTO":
			got = float64(int8(r.raw[0])) * 0.0625
		default:
			t.Fatalf("register %s is in no test", r.register)
		}
		if got != r.value {
			t.Errorf("%s %x is %v, published %v", r.register, r.raw, got, r.value)
		}
	}
}

func TestLowBitsThatMeanNothingAreDropped(t *testing.T) {
	if f := max31856.Decode([6]byte{0x19, 0x03, 0x01, 0x90, 0x1F, 0}); f.Hot() != 25 || f.Cold() != 25 {
		t.Errorf("hot %v, cold %v", float64(f.Hot()), float64(f.Cold()))
	}
}

func TestAStatusMakesTheResultBesideItWorthless(t *testing.T) {
	for status, want := range map[max31856.Status]unit.Quality{
		0: unit.Good, max31856.Open: unit.Open, max31856.Volts: unit.ShortSupply, max31856.Volts | max31856.Open: unit.ShortSupply,
		max31856.HotHigh: unit.OutOfRange, max31856.HotLow: unit.OutOfRange, max31856.HotRange: unit.OutOfRange,
		max31856.ColdHigh: unit.ColdJunction, max31856.ColdLow: unit.ColdJunction, max31856.ColdRange | max31856.HotRange: unit.ColdJunction,
	} {
		if got := max31856.Decode([6]byte{0x19, 0, 0x0D, 0x90, 0, byte(status)}).Quality(); got != want {
			t.Errorf("status %v is %v, want %v", status, got, want)
		}
	}
	for raw, want := range map[[6]byte]unit.Quality{
		{}: unit.NoAnswer, {0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF}: unit.NoAnswer,
		{0, 0, 0x0D, 0x90}: unit.Good, {0x3C, 0x00, 0x0D, 0x90}: unit.Good, {0x3C, 0x04, 0x0D, 0x90}: unit.ColdJunction, {0xFF, 0xFC, 0x0D, 0x90}: unit.ColdJunction,
	} {
		if got := max31856.Decode(raw).Quality(); got != want {
			t.Errorf("% x is %v, want %v", raw, got, want)
		}
	}
}

func spec(opts max31856.Opts) haltest.Spec {
	return haltest.Spec{
		New: func(tb testing.TB) haltest.Bench {
			c := chip.NewMax31856("spi-sim").Couple(opts.Type)
			d, err := max31856.New(c, &opts)
			if err != nil {
				tb.Fatal(err)
			}
			return haltest.Bench{Sensor: d, World: c, Mend: d.Configure}
		},
		Error:  0.02,
		Settle: 600 * time.Millisecond,
		Faults: []haltest.Expect{
			{Fault: chip.Open, Quality: unit.Open, Within: 1800 * time.Millisecond}, // 16 conversions of 98 ms and the test
			{Fault: chip.ShortGround, Quality: unit.ShortSupply},                    // one flag for both
			{Fault: chip.ShortSupply, Quality: unit.ShortSupply},
			{Fault: chip.Dead, Quality: unit.NoAnswer},
			{Fault: chip.AllZeros, Quality: unit.NoAnswer},
			{Fault: chip.AllOnes, Quality: unit.NoAnswer},
			{Fault: chip.FrozenFrame, Quality: unit.Frozen, Within: time.Second}, // hazard study: R1
			{Fault: chip.ResetChip, Quality: unit.NoAnswer},
			{Fault: chip.Reversed, Quality: unit.OutOfRange, Within: 2 * haltest.Tick}, // 180 °C turned round is −150 °C
		},
	}
}

func TestItIsAThermometer(t *testing.T) {
	s := spec(max31856.DefaultOpts)
	for i := range s.Faults {
		if s.Faults[i].Fault == chip.Open {
			// The test that would find the couple whole again is as rare: recovery is looked at on its own.
			s.Faults = append(s.Faults[:i], s.Faults[i+1:]...)
			break
		}
	}
	haltest.RunThermometer(t, s)
	s = spec(max31856.DefaultOpts)
	s.Settle = 2 * time.Second
	s.Faults = s.Faults[:1]
	t.Run("rare open test", func(t *testing.T) { haltest.RunThermometer(t, s) })
	for _, typ := range "JTNE" {
		opts := max31856.DefaultOpts
		opts.Type, opts.MainsHz, opts.OpenTest, opts.Average = emf.Type(typ), 60, 2, 4
		s := spec(opts)
		s.Faults = nil
		t.Run(string(typ), func(t *testing.T) { haltest.RunThermometer(t, s) })
	}
}

// wired is a driver on a chip that converts a noiseless world.
func wired(t *testing.T, opts max31856.Opts) (*max31856.Dev, *chip.Max31856) {
	t.Helper()
	b := spec(opts).New(t)
	return b.Sensor.(*max31856.Dev), b.World.(*chip.Max31856)
}

func TestAChipThatLostItsConfigurationIsNotMendedInSilence(t *testing.T) {
	d, c := wired(t, max31856.DefaultOpts)
	now := time.Duration(0)
	step := func() unit.Reading {
		now += haltest.Tick
		c.Advance(now, 200+float64(now/haltest.Tick%7), 25)
		return d.Read(now)
	}
	for range 10 {
		step()
	}
	c.Inject(chip.ResetChip)
	c.Inject(chip.None)
	for range 100 {
		if r := step(); r.Quality != unit.NoAnswer {
			t.Fatalf("at %v: %v", now, r.Quality)
		}
	}
	if err := d.LastError(); err == nil || !strings.Contains(err.Error(), "lost its configuration") {
		t.Errorf("explained as %v", err)
	}
	if err := d.Configure(); err != nil {
		t.Fatal(err)
	}
	if r := step(); r.Quality != unit.NotRead {
		t.Errorf("right after Configure: %v", r.Quality)
	}
	for range 5 {
		step()
	}
	if r := step(); !r.Usable() {
		t.Errorf("after a conversion: %v", r.Quality)
	}
}

// A chip can wake from a brown-out with old registers nobody cleared: only the configuration tells.
type forgetful struct {
	*chip.Max31856
	conn spi.Conn
	lie  bool
}

func (f *forgetful) Connect(hz physic.Frequency, m spi.Mode, bits int) (spi.Conn, error) {
	c, err := f.Max31856.Connect(hz, m, bits)
	f.conn = c
	return &forgetfulConn{Conn: c, f: f}, err
}

type forgetfulConn struct {
	spi.Conn
	f *forgetful
}

func (c *forgetfulConn) Tx(w, r []byte) error {
	err := c.Conn.Tx(w, r)
	if c.f.lie && w[0] == 0 && len(r) > 1 {
		r[1] = 0 // CR0 as after a reset, all else as before
	}
	return err
}

func TestTheConfigurationIsReadBackEverySecond(t *testing.T) {
	f := &forgetful{Max31856: chip.NewMax31856("spi-sim")}
	d, err := max31856.New(f, &max31856.DefaultOpts)
	if err != nil {
		t.Fatal(err)
	}
	var lost time.Duration
	for now := time.Duration(0); now < 5*time.Second; now += haltest.Tick {
		f.lie = now >= 2100*time.Millisecond
		f.Advance(now, 100+now.Seconds(), 25)
		if r := d.Read(now); now > time.Second && r.Quality == unit.NoAnswer && lost == 0 {
			lost = now
		} else if lost != 0 && r.Usable() {
			t.Fatalf("at %v a reading of a chip that lost its configuration at %v", now, lost)
		}
	}
	if !(lost >= 2100*time.Millisecond && lost <= 3200*time.Millisecond) {
		t.Errorf("noticed at %v", lost)
	}
}

func TestAChipThatDoesNotKeepItsConfigurationIsRefused(t *testing.T) {
	for _, f := range []chip.Fault{chip.AllZeros, chip.AllOnes, chip.Dead} {
		c := chip.NewMax31856("spi-sim")
		c.Inject(f)
		if d, err := max31856.New(c, &max31856.DefaultOpts); err == nil || d != nil || !strings.HasPrefix(err.Error(), "max31856: ") {
			t.Errorf("%v: %v", f, err)
		}
	}
}

func TestReadingFasterThanTheChipConvertsDoesNotMakeItFrozen(t *testing.T) {
	d, c := wired(t, max31856.DefaultOpts)
	hot := 100.0
	for now := time.Duration(0); now < 10*time.Second; now += time.Millisecond {
		if now%(98*time.Millisecond) == 0 {
			hot += 0.02
		}
		c.Advance(now, hot, 25)
		if r := d.Read(now); r.Quality == unit.Frozen {
			t.Fatalf("frozen at %v", now)
		}
	}
}

func TestTwoEqualReadingsFarApartProveNothing(t *testing.T) {
	d, c := wired(t, max31856.DefaultOpts)
	for _, now := range []time.Duration{0, time.Second, 2 * time.Minute, 4 * time.Minute} {
		c.Advance(now, 100, 25)
		if r := d.Read(now); now > 0 && !r.Usable() {
			t.Errorf("at %v: %v", now, r.Quality)
		}
	}
}

func TestUnderOvervoltageTheLastResultIsNeverUsed(t *testing.T) {
	d, c := wired(t, max31856.DefaultOpts)
	now := time.Duration(0)
	for range 10 {
		now += haltest.Tick
		c.Advance(now, 200, 25)
		d.Read(now)
	}
	c.Inject(chip.ShortSupply)
	for range 20 {
		now += haltest.Tick
		c.Advance(now, 300, 25)
		if r := d.Read(now); r.Quality != unit.ShortSupply || d.ColdJunction().Usable() {
			t.Fatalf("at %v: %v, cold junction %v", now, r.Quality, d.ColdJunction().Quality)
		}
	}
	if err := d.LastError(); err == nil || !strings.Contains(err.Error(), "undervoltage") {
		t.Errorf("explained as %v", err)
	}
}

func TestAnOpenCoupleDoesNotMakeAnImplausibleColdJunctionGood(t *testing.T) {
	for raw, want := range map[[6]byte]unit.Quality{
		{0x19, 0, 0, 0, 0, byte(max31856.Open)}: unit.Good, {0x46, 0, 0, 0, 0, byte(max31856.Open)}: unit.ColdJunction,
		{0xF6, 0, 0, 0, 0, byte(max31856.Open)}: unit.ColdJunction, {0x19, 0, 0, 0, 0, byte(max31856.Open | max31856.ColdRange)}: unit.ColdJunction,
	} {
		m := newMemory()
		d, err := max31856.New(m, &max31856.DefaultOpts)
		if err != nil {
			t.Fatal(err)
		}
		copy(m.reg[10:], raw[:])
		d.Read(0)
		if r := d.Read(time.Second); r.Quality != unit.Open || d.ColdJunction().Quality != want {
			t.Errorf("% x: junction %v, cold junction %v, want %v", raw, r.Quality, d.ColdJunction().Quality, want)
		}
	}
}

func TestTheWrongTypeReadsWrongByWhatTheHazardStudySays(t *testing.T) {
	// S-11: at 217 °C a K couple read as J shows −24 %, a J couple read as K +33 % (of the rise above the cold junction).
	for _, c := range []struct {
		wire, set emf.Type
		share     float64
	}{{'K', 'J', -0.24}, {'J', 'K', 0.33}} {
		opts := max31856.DefaultOpts
		opts.Type = c.set
		d, w := wired(t, opts)
		w.Couple(c.wire)
		w.Advance(0, 217, 25)
		d.Read(0)
		w.Advance(time.Second, 217, 25)
		got, ok := d.Read(time.Second).Temp()
		if share := (float64(got) - 217) / (217 - 25); !ok || math.Abs(share-c.share) > 0.03 {
			t.Errorf("%v read as %v: %v, %+.3f", c.wire, c.set, got, share)
		}
	}
}

func TestOptionsThatMakeNoSenseAreRefusedWithWhatIsAllowed(t *testing.T) {
	for name, change := range map[string]func(*max31856.Opts){
		"type": func(o *max31856.Opts) { o.Type = emf.Type('X') }, "no type": func(o *max31856.Opts) { o.Type = 0 },
		"mains": func(o *max31856.Opts) { o.MainsHz = 55 }, "average": func(o *max31856.Opts) { o.Average = 3 }, "average 32": func(o *max31856.Opts) { o.Average = 32 },
		"open test": func(o *max31856.Opts) { o.OpenTest = 0 }, "clock": func(o *max31856.Opts) { o.Clock = 6 * physic.MegaHertz },
		"frozen": func(o *max31856.Opts) { o.FrozenConversions = 1 },
	} {
		opts := max31856.DefaultOpts
		change(&opts)
		if _, err := max31856.New(chip.NewMax31856("x"), &opts); err == nil || !strings.HasPrefix(err.Error(), "max31856: ") || !strings.Contains(err.Error(), "allowed") {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestSenseGivesTheSameTemperatureInNanokelvin(t *testing.T) {
	d, c := wired(t, max31856.DefaultOpts)
	c.Advance(0, 217, 25)
	c.Advance(time.Second, 217, 25)
	var env physic.Env
	if err := d.Sense(&env); err != nil || math.Abs(env.Temperature.Celsius()-217) > 0.01 {
		t.Errorf("%v °C, %v", env.Temperature.Celsius(), err)
	}
	c.Inject(chip.ResetChip)
	if err := d.Sense(&env); err == nil {
		t.Error("sensed by a chip that has lost its configuration")
	}
}

func TestAHaltedChipGivesNothingUntilItIsConfigured(t *testing.T) {
	d, c := wired(t, max31856.DefaultOpts)
	c.Advance(0, 100, 25)
	d.Read(0)
	c.Advance(time.Second, 100, 25)
	if r := d.Read(time.Second); !r.Usable() {
		t.Fatal(r.Quality)
	}
	if err := d.Halt(); err != nil {
		t.Fatal(err)
	}
	c.Advance(1100*time.Millisecond, 100, 25)
	if r := d.Read(1100 * time.Millisecond); r.Usable() {
		t.Error("a halted chip measures")
	}
}

func BenchmarkDecode(b *testing.B) {
	b.ReportAllocs()
	raw := [6]byte{0x19, 0, 0x0D, 0x90, 0, 0}
	for b.Loop() {
		raw[3]++
		f := max31856.Decode(raw)
		_ = f.Quality()
	}
}

func BenchmarkRead(b *testing.B) { haltest.BenchmarkThermometer(b, spec(max31856.DefaultOpts)) }
