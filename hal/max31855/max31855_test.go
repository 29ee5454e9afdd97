package max31855_test

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"periph.io/x/conn/v3/physic"

	"trivet/hal/emf"
	"trivet/hal/haltest"
	"trivet/hal/max31855"
	"trivet/process/unit"
	"trivet/sim/chip"
	"trivet/testdata/facts"
)

func hex(t testing.TB, s string) uint32 {
	t.Helper()
	v, err := strconv.ParseUint(s, 16, 32)
	if err != nil {
		t.Fatal(err)
	}
	return uint32(v)
}

// Source: MAX31855 datasheet 19-5793, tables 2 to 5; composed rows follow its bit map.
func TestEveryFrameOfTheDatasheetDecodes(t *testing.T) {
	want := map[string]max31855.Fault{
		"none": 0, "OC": max31855.Open, "SCG": max31855.ShortGround, "SCV": max31855.ShortSupply,
		"INCONSISTENT": max31855.Inconsistent, "BUS": max31855.Reserved,
	}
	for _, row := range facts.Rows(t, "max31855_frames.csv") {
		f := max31855.Decode(hex(t, row[0]))
		if row[1] != "NA" && float64(f.Hot) != facts.Number(t, row[1]) {
			t.Errorf("%s: hot is %v, want %s", row[0], float64(f.Hot), row[1])
		}
		if row[2] != "NA" && float64(f.Cold) != facts.Number(t, row[2]) {
			t.Errorf("%s: cold is %v, want %s", row[0], float64(f.Cold), row[2])
		}
		var flags max31855.Fault
		for _, name := range strings.Split(row[3], "+") {
			flags |= want[name]
		}
		switch row[0] {
		case "00000000":
			flags = max31855.Silent // the note beside the row
		case "FFFFFFFF":
			flags |= max31855.Open | max31855.ShortGround | max31855.ShortSupply
		case "01901901":
			flags |= max31855.Open
		}
		if f.Fault != flags {
			t.Errorf("%s: fault is %v, want %v", row[0], f.Fault, flags)
		}
		if good := f.Quality() == unit.Good; good && flags != 0 {
			t.Errorf("%s has fault %v and counts as good", row[0], flags)
		}
	}
}

func TestAFrameThatNobodySentIsNoAnswerBeforeAnythingElse(t *testing.T) {
	for raw, want := range map[uint32]unit.Quality{
		0x00000000: unit.NoAnswer, 0xFFFFFFFF: unit.NoAnswer, 0x01921900: unit.NoAnswer, 0x01901908: unit.NoAnswer,
		0x01911900: unit.NoAnswer, 0x01901901: unit.NoAnswer,
		0x00011901: unit.Open, 0x00011902: unit.ShortGround, 0x00011904: unit.ShortSupply, 0x00011907: unit.Open,
		0x0190FFF0: unit.ColdJunction, 0x01903C10: unit.ColdJunction, 0x01907F00: unit.ColdJunction, 0x0190C900: unit.ColdJunction,
		0x01900000: unit.Good, 0x01903C00: unit.Good, 0x00001900: unit.Good, 0x01501790: unit.Good,
	} {
		if got := max31855.Decode(raw).Quality(); got != want {
			t.Errorf("%08X is %v, want %v", raw, got, want)
		}
	}
}

// The straight line errs by up to 3.7 °C; what is left is half a step of the chip, which the table allows 0.128 °C for.
func TestLinearizationIsExactToTheChipsOwnStep(t *testing.T) {
	for _, row := range facts.Rows(t, "max31855_linearization.csv") {
		want, cold, raw := facts.Number(t, row[0]), facts.Number(t, row[1]), facts.Number(t, row[4])
		got, ok := max31855.Linearize(emf.Type('K'), unit.Celsius(raw), unit.Celsius(cold))
		if !ok || math.Abs(float64(got)-want) > 0.13 || math.Abs(float64(got)-facts.Number(t, row[6])) > 0.002 {
			t.Errorf("%v °C with the chip at %v °C: %.4f (%v), table says %s", want, cold, float64(got), ok, row[6])
		}
	}
}

func spec(typ emf.Type) haltest.Spec {
	return haltest.Spec{
		New: func(tb testing.TB) haltest.Bench {
			c := chip.NewMax31855("spi-sim").Suffix(typ)
			opts := max31855.DefaultOpts
			opts.Type = typ
			d, err := max31855.New(c, &opts)
			if err != nil {
				tb.Fatal(err)
			}
			return haltest.Bench{Sensor: d, World: c}
		},
		Error:  0.2,                    // half a step, and half a step of the cold junction
		Settle: 400 * time.Millisecond, // power-up, one conversion
		Faults: []haltest.Expect{
			{Fault: chip.Open, Quality: unit.Open, Within: haltest.Tick},
			{Fault: chip.ShortGround, Quality: unit.ShortGround, Within: haltest.Tick},
			{Fault: chip.ShortSupply, Quality: unit.ShortSupply, Within: haltest.Tick},
			{Fault: chip.Dead, Quality: unit.NoAnswer},
			{Fault: chip.AllZeros, Quality: unit.NoAnswer},
			{Fault: chip.AllOnes, Quality: unit.NoAnswer},
			{Fault: chip.FrozenFrame, Quality: unit.Frozen, Within: max31855.DefaultOpts.FrozenAfter},
			{Fault: chip.Reversed, Quality: unit.OutOfRange, Within: haltest.Tick}, // 180 °C turned round is −160 °C
		},
	}
}

func TestItIsAThermometer(t *testing.T) {
	for _, typ := range "KJNTERS" {
		s := spec(emf.Type(typ))
		if typ == 'R' || typ == 'S' {
			// Near 0 °C these couples give half of what their straight line says, so that a step of the chip is half a degree.
			s.Error = 0.4
		}
		t.Run(string(typ), func(t *testing.T) { haltest.RunThermometer(t, s) })
	}
}

// wired is a driver on a chip that has power and has converted.
func wired(t *testing.T) (*max31855.Dev, *chip.Max31855) {
	t.Helper()
	b := spec(emf.Type('K')).New(t)
	c := b.World.(*chip.Max31855)
	c.Advance(0, 25, 25)
	c.Advance(time.Second, 25, 25)
	return b.Sensor.(*max31855.Dev), c
}

func TestACoupleTurnedRoundLooksRightWhenColdAndFallsWhenHeated(t *testing.T) {
	d, c := wired(t)
	c.Inject(chip.Reversed)
	for i, hot := range []float64{25, 45, 65} {
		now := time.Duration(i+2) * time.Second
		c.Advance(now, hot, 25)
		r := d.Read(now)
		// The couple is not a straight line, so that the mirror image is off by a degree.
		if got, ok := r.Temp(); !ok || math.Abs(float64(got)-(50-hot)) > 1.5 {
			t.Errorf("at %v °C it reads %v (%v)", hot, got, r.Quality)
		}
	}
}

func TestHowSoonAStillFrameIsFrozenDependsOnWhatIsKnown(t *testing.T) {
	for _, c := range []struct {
		name  string
		tell  func(*max31855.Dev)
		after time.Duration // 0: never
	}{
		{"nothing known", func(*max31855.Dev) {}, 30 * time.Second},
		{"motion expected", func(d *max31855.Dev) { d.ExpectMotion(true) }, 5 * time.Second},
		{"no motion expected", func(d *max31855.Dev) { d.ExpectMotion(false) }, 0},
	} {
		d, w := wired(t)
		now := time.Second
		d.Read(now)
		c.tell(d)
		var at time.Duration
		for range 20000 {
			now += haltest.Tick
			w.Advance(now, 25, 25) // a world without noise
			if d.Read(now).Quality == unit.Frozen {
				at = now - time.Second
				break
			}
		}
		if math.Abs((at - c.after).Seconds()) > 0.3 {
			t.Errorf("%s: frozen after %v, want %v", c.name, at, c.after)
		}
	}
}

func TestTwoEqualReadingsFarApartProveNothing(t *testing.T) {
	d, c := wired(t)
	d.Read(time.Second)
	c.Advance(2*time.Minute, 25, 25)
	if r := d.Read(2 * time.Minute); !r.Usable() {
		t.Errorf("got %v", r.Quality)
	}
}

func TestTheColdJunctionComesWithItsOwnReason(t *testing.T) {
	d, c := wired(t)
	if d.ColdJunction().Quality != unit.NotRead {
		t.Errorf("before any read: %v", d.ColdJunction().Quality)
	}
	for i, want := range []struct {
		cold  float64
		fault chip.Fault
		q     unit.Quality
		hot   unit.Quality
	}{
		{31.5, chip.None, unit.Good, unit.Good}, {31.5, chip.Open, unit.Good, unit.Open}, {70, chip.None, unit.ColdJunction, unit.ColdJunction},
		{-5, chip.None, unit.ColdJunction, unit.ColdJunction}, {70, chip.Open, unit.ColdJunction, unit.Open}, {31.5, chip.AllOnes, unit.NoAnswer, unit.NoAnswer}, {0, chip.None, unit.Good, unit.Good},
	} {
		now := time.Duration(i+2) * time.Second
		c.Inject(want.fault)
		c.Advance(now, 100, want.cold)
		hot := d.Read(now)
		got, _ := d.ColdJunction().Temp()
		if hot.Quality != want.hot || d.ColdJunction().Quality != want.q || want.q == unit.Good && math.Abs(float64(got)-want.cold) > 0.04 {
			t.Errorf("%+v: cold junction %v (%v), junction %v", want, got, d.ColdJunction().Quality, hot.Quality)
		}
	}
}

func TestEveryBadReadingIsExplained(t *testing.T) {
	d, c := wired(t)
	for i, want := range []struct {
		fault chip.Fault
		cold  float64
		words string
	}{
		{chip.None, 25, ""}, {chip.Open, 25, "not connected"}, {chip.Dead, 25, "no such device"}, {chip.AllZeros, 25, "all bits zero"},
		{chip.AllOnes, 25, "reserved bit"}, {chip.None, 80, "0.0 °C to 60.0 °C is plausible"}, {chip.None, 25, ""},
	} {
		now := time.Duration(i+2) * time.Second
		c.Inject(want.fault)
		c.Advance(now, 25, want.cold)
		d.Read(now)
		if err := d.LastError(); want.words == "" && err != nil || want.words != "" && (err == nil || !strings.Contains(err.Error(), want.words) || !strings.Contains(err.Error(), "spi-sim")) {
			t.Errorf("%v: %v, want %q", want.fault, err, want.words)
		}
	}
}

func TestSenseGivesTheSameTemperatureInNanokelvin(t *testing.T) {
	d, c := wired(t)
	c.Advance(2*time.Second, 217, 25)
	var env physic.Env
	if err := d.Sense(&env); err != nil {
		t.Fatal(err)
	}
	if got := env.Temperature.Celsius(); math.Abs(got-217) > 0.2 {
		t.Errorf("sensed %v °C", got)
	}
	c.Inject(chip.AllZeros)
	before := env
	if err := d.Sense(&env); err == nil || env != before {
		t.Errorf("a dead line gave %v and %v", env.Temperature, err)
	}
}

func TestOptionsThatMakeNoSenseAreRefusedWithWhatIsAllowed(t *testing.T) {
	for name, change := range map[string]func(*max31855.Opts){
		"type": func(o *max31855.Opts) { o.Type = emf.Type('B') }, "no type": func(o *max31855.Opts) { o.Type = 0 },
		"clock": func(o *max31855.Opts) { o.Clock = 6 * physic.MegaHertz }, "no clock": func(o *max31855.Opts) { o.Clock = 0 },
		"frozen": func(o *max31855.Opts) { o.FrozenAfter = time.Millisecond },
	} {
		opts := max31855.DefaultOpts
		change(&opts)
		if d, err := max31855.New(chip.NewMax31855("x"), &opts); err == nil || d != nil || !strings.HasPrefix(err.Error(), "max31855: ") {
			t.Errorf("%s: %v", name, err)
		}
	}
	c := chip.NewMax31855("x")
	if _, err := max31855.New(c, &max31855.DefaultOpts); err != nil {
		t.Fatal(err)
	}
	if _, err := max31855.New(c, &max31855.DefaultOpts); err == nil || errors.Unwrap(err) == nil {
		t.Errorf("two drivers on one chip: %v", err)
	}
}

func TestAReasonIsExplainedInWordsAndBits(t *testing.T) {
	for raw, words := range map[uint32]string{
		0x01911900: "frame 01911900: fault bits disagree", 0x01901908: "reserved bit set", 0x00011904: "touches the supply", 0x00011902: "touches ground", 0x00011901: "not connected",
		0x7FFC1900: "the chip says 2047.8 °C, which no couple of type K can have here", 0x4B001900: "the chip says 1200.0 °C",
	} {
		p := &haltest.Player{Answer: func(_, r []byte) error {
			copy(r, []byte{byte(raw >> 24), byte(raw >> 16), byte(raw >> 8), byte(raw)})
			return nil
		}}
		d, err := max31855.New(p, &max31855.DefaultOpts)
		if err != nil {
			t.Fatal(err)
		}
		d.Read(time.Second)
		if err := d.LastError(); err == nil || !strings.Contains(err.Error(), words) || !strings.Contains(err.Error(), d.String()) {
			t.Errorf("%08X: %v, want %q", raw, err, words)
		}
		var env physic.Env
		if err := d.Sense(&env); err == nil || !strings.Contains(err.Error(), words) {
			t.Errorf("%08X sensed: %v, want %q", raw, err, words)
		}
	}
	if got := (max31855.Open | max31855.Silent).String(); got != "open, all bits zero" || max31855.Fault(0).String() != "none" {
		t.Errorf("faults are called %q and %q", got, max31855.Fault(0))
	}
}

func TestTheSmallestStepIsAQuarterDegreeAndNothingStopsTheChip(t *testing.T) {
	d, c := wired(t)
	var env physic.Env
	d.Precision(&env)
	if env != (physic.Env{Temperature: physic.Celsius / 4}) || d.String() != "MAX31855K{spi-sim}" {
		t.Errorf("%v has a precision of %v", d, env.Temperature)
	}
	if err := d.Halt(); err != nil {
		t.Fatal(err)
	}
	c.Advance(2*time.Second, 100, 25)
	if got, ok := d.Read(2 * time.Second).Temp(); !ok || math.Abs(float64(got)-100) > 0.2 {
		t.Errorf("after Halt it reads %v, %v", got, ok)
	}
}

func TestLinearizeHasNothingToSayWithoutALineOrAColdJunction(t *testing.T) {
	for _, c := range []struct {
		typ       emf.Type
		hot, cold unit.Celsius
	}{{emf.B, 500, 25}, {0, 500, 25}, {'k', 500, 25}, {emf.K, 500, -300}, {emf.K, 500, unit.Celsius(math.NaN())}, {emf.K, unit.Celsius(math.NaN()), 25}, {emf.R, 500, -60}, {emf.K, unit.Celsius(math.Inf(1)), 25}} {
		if got, ok := max31855.Linearize(c.typ, c.hot, c.cold); ok {
			t.Errorf("%+v gives %v", c, got)
		}
	}
}

// A brown-out: the chip is silent as after power-up, and the driver, which has seen it convert, takes that for no answer.
func TestAChipThatBrownsOutIsNoAnswerUntilItConvertsAgain(t *testing.T) {
	d, c := wired(t)
	if r := d.Read(time.Second); !r.Usable() {
		t.Fatal(r.Quality)
	}
	c.Inject(chip.ResetChip)
	c.Inject(chip.None)
	now := time.Second
	for range 2 { // 200 ms of power-up
		now += haltest.Tick
		c.Advance(now, 100, 25)
		if r := d.Read(now); r.Quality != unit.NoAnswer {
			t.Errorf("at %v: %v", now, r.Quality)
		}
	}
	now += haltest.Tick
	c.Advance(now, 100, 25)
	if got, ok := d.Read(now).Temp(); !ok || math.Abs(float64(got)-100) > 0.2 {
		t.Errorf("afterwards it reads %v, %v", got, d.LastError())
	}
}

func BenchmarkDecode(b *testing.B) {
	b.ReportAllocs()
	raw := uint32(0x0F541F80)
	for b.Loop() {
		raw += 1 << 18
		f := max31855.Decode(raw)
		_ = f.Quality()
	}
}

func BenchmarkRead(b *testing.B) { haltest.BenchmarkThermometer(b, spec(emf.Type('K'))) }

func ExampleLinearize() {
	// The chip says 241.75 °C while its own cold junction is at 25 °C.
	c, ok := max31855.Linearize(emf.Type('K'), 241.75, 25)
	fmt.Println(c, ok)
	// Output: 244.9 °C true
}
