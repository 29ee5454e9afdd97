package ad8495_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"periph.io/x/conn/v3/physic"

	"trivet/hal/ad8495"
	"trivet/hal/haltest"
	"trivet/process/unit"
	"trivet/sim/chip"
)

// The driver is tested on an emulated converter; here the emulated converter is tested against the register map
// (datasheet SBAS444, from memory; gains and rates as in periph's driver of the same chip).

func word(t *testing.T, bus *chip.I2CBus, at byte) uint16 {
	t.Helper()
	var r [2]byte
	if err := bus.Tx(0x48, []byte{at}, r[:]); err != nil {
		t.Fatal(err)
	}
	return uint16(r[0])*256 + uint16(r[1])
}

func set(t *testing.T, bus *chip.I2CBus, at byte, v uint16) {
	t.Helper()
	if err := bus.Tx(0x48, []byte{at, byte(v / 256), byte(v % 256)}, nil); err != nil {
		t.Fatal(err)
	}
}

func alone(t *testing.T) (*chip.Ads1115, *chip.I2CBus) {
	t.Helper()
	ads, bus := chip.NewAds1115(), chip.NewI2CBus("i2c-sim")
	if err := bus.Add(0x48, ads); err != nil {
		t.Fatal(err)
	}
	return ads, bus
}

// All 2¹⁶ configurations: which input, on which scale, how soon, once or for ever.
func TestEveryConfigurationOfTheEmulatedConverterMeansWhatTheRegisterMapSays(t *testing.T) {
	volts := [4]float64{0.11, 0.02, 0.05, -0.01}
	mux := [8][2]int{{0, 1}, {0, 3}, {1, 3}, {2, 3}, {0, -1}, {1, -1}, {2, -1}, {3, -1}} // second input, −1: ground
	scale := [8]float64{6.144, 4.096, 2.048, 1.024, 0.512, 0.256, 0.256, 0.256}
	rate := [8]float64{8, 16, 32, 64, 128, 250, 475, 860}
	for config := range 1 << 16 {
		ads, bus := alone(t)
		for i, v := range volts {
			ads.SetVolts(i, v)
		}
		ads.Advance(time.Second)
		set(t, bus, 1, uint16(config))
		once, starts := config/256%2 == 1, config >= 1<<15
		due := time.Second + time.Duration(float64(time.Second)/rate[config/32%8])
		ads.Advance(due - time.Microsecond)
		if early := word(t, bus, 0); early != 0 || (word(t, bus, 1) < 1<<15) != (starts || !once) {
			t.Fatalf("%04x: before it is due: result %04x, configuration %04x", config, early, word(t, bus, 1))
		}
		ads.Advance(due)
		want := 0.0
		if starts || !once {
			want = volts[mux[config/4096%8][0]]
			if other := mux[config/4096%8][1]; other >= 0 {
				want -= volts[other]
			}
		}
		steps := want / scale[config/512%8] * 32768
		got := word(t, bus, 0)
		if d := float64(int16(got)) - steps; d < -0.5001 || d > 0.5001 {
			t.Fatalf("%04x: %d, want %.2f", config, int16(got), steps)
		}
		if status := word(t, bus, 1); status&0x7FFF != uint16(config)&0x7FFF || (status >= 1<<15) != once {
			t.Fatalf("%04x: afterwards the configuration reads %04x", config, status)
		}
	}
}

func TestTheEmulatedConverterKeepsItsThresholdsAndClipsItsResult(t *testing.T) {
	ads, bus := alone(t)
	if low, high, config := word(t, bus, 2), word(t, bus, 3), word(t, bus, 1); low != 0x8000 || high != 0x7FFF || config != 0x8583 {
		t.Errorf("wakes with thresholds %04x, %04x, configuration %04x", low, high, config)
	}
	set(t, bus, 2, 0x1234)
	set(t, bus, 3, 0x4321)
	set(t, bus, 0, 0x5555) // the result is read-only
	if result, low, high := word(t, bus, 0), word(t, bus, 2), word(t, bus, 3); result != 0 || low != 0x1234 || high != 0x4321 {
		t.Errorf("result %04x, thresholds %04x, %04x", result, low, high)
	}
	now := time.Duration(0)
	for v, want := range map[float64]uint16{5: 0x7FFF, -5: 0x8000, 0: 0, 2.048: 0x4000} {
		ads.SetVolts(1, v)
		ads.SetVolts(4, 99)
		ads.SetVolts(-1, 99)
		set(t, bus, 1, 0x8000|5<<12|1<<9|0x100|7<<5|3)
		now += time.Second
		ads.Advance(now)
		if got := word(t, bus, 0); got != want {
			t.Errorf("%v V: %04x, want %04x", v, got, want)
		}
	}
}

func TestABusHasOnlyWhatWasPutOnItAndEachAddressOnce(t *testing.T) {
	ads, bus := alone(t)
	for addr, words := range map[uint16]string{0x48: "taken", 0x47: "0x48 to 0x4b", 0x4c: "0x48 to 0x4b"} {
		if err := bus.Add(addr, ads); err == nil || !strings.Contains(err.Error(), words) || !strings.HasPrefix(err.Error(), "i2c-sim: ") {
			t.Errorf("%#x: %v", addr, err)
		}
	}
	for _, addr := range []uint16{0x49, 0x3FF, 200} {
		if err := bus.Tx(addr, nil, nil); err == nil {
			t.Errorf("somebody answers at %#x", addr)
		}
	}
	if err := bus.SetSpeed(400 * physic.KiloHertz); err != nil || bus.String() != "i2c-sim" {
		t.Errorf("%v, %s", err, bus)
	}
}

// A fault of one amplifier's own does not mend what another has broken for all.
func TestWhoBreaksTheConverterMendsIt(t *testing.T) {
	ads, bus := alone(t)
	ads.Input(0).Inject(chip.Dead)
	ads.Input(1).Inject(chip.Open)
	ads.Input(1).Inject(chip.None)
	if err := bus.Tx(0x48, []byte{1}, nil); err == nil {
		t.Error("a dead converter answers because another amplifier is well")
	}
	ads.Input(4).Inject(chip.None) // input 4 is input 0 again
	if err := bus.Tx(0x48, []byte{1}, nil); err != nil {
		t.Error(err)
	}
	ads.Inject(chip.AllOnes)
	if word(t, bus, 1) != 0xFFFF {
		t.Error("the line is not stuck high")
	}
}

// Wiring that cannot be is left as it is: the output must never be above what a converter's input stands.
func TestAnAmplifierCannotBeWiredBeyondItsSupply(t *testing.T) {
	d := wired(t, 1)
	for _, w := range [][2]float64{{5, 5}, {-1, 3}, {1, 12}} {
		d.amps[0].Wire(w[0], w[1])
	}
	for now := time.Duration(0); now < time.Second; now += haltest.Tick {
		d.tick(now, 100)
	}
	if got, ok := d.dev.Input(0).Read(time.Second).Temp(); !ok || got < 99.8 || got > 100.3 {
		t.Errorf("reads %v (%v)", got, d.dev.Input(0).LastError())
	}
}

func TestWhatIsLeftOutOfTheOptionsIsThatOfTheDefault(t *testing.T) {
	c := &converter{code: 0x2000}
	o := ad8495.Opts{Channels: []ad8495.ChannelOpts{{Channel: 3}}}
	addr := uint16(0)
	d, err := ad8495.New(&haltest.I2CPlayer{Answer: func(a uint16, w, r []byte) error {
		addr = a
		return c.answer(a, w, r)
	}}, &o)
	if err != nil {
		t.Fatal(err)
	}
	d.Poll(0)
	// Start; input 3 against ground; ±4.096 V, the least that reaches the rail of 3.2 V; once; 16 per second.
	if want := uint16(0x8000 | 7<<12 | 1<<9 | 1<<8 | 1<<5); addr != 0x48 || c.asked&^0x1F != want {
		t.Errorf("asked address %#x for %04x, want 0x48 and %04x", addr, c.asked, want)
	}
	if p := d.Input(0).Period(); p != 100*time.Millisecond {
		t.Errorf("period is %v", p)
	}
	if d.String() != "ADS1115{player(0x48)}" || d.Input(0).String() != "AD8495 on ADS1115{player(0x48)}, input 3" || d.Halt() != nil {
		t.Errorf("called %v and %v", d, d.Input(0))
	}
}

func TestEveryReasonIsExplained(t *testing.T) {
	o := wirings()[1] // 1.25 V at the reference pin, ±4.096 V, rail at 4.9 V
	c := &converter{}
	d := c.wire(t, o)
	if err := d.Input(0).LastError(); err == nil || !strings.Contains(err.Error(), "nothing has been read yet") {
		t.Errorf("before any conversion: %v", err)
	}
	now := time.Duration(0)
	read := func(code uint16) (unit.Quality, error) {
		c.code = code
		d.Poll(now)
		now += haltest.Tick
		d.Poll(now)
		return d.Input(0).Read(now).Quality, d.Input(0).LastError()
	}
	for code, want := range map[uint16]string{0x7FFF: "open: output at 4.096 V", 0x0010: "short_to_ground: output at 0.002 V", 0xFF00: "short_to_ground: output at -0.032 V", 0x0400: "out_of_range: output at 0.128 V"} {
		quality, words, _ := strings.Cut(want, ": ")
		if q, err := read(code); q.String() != quality || err == nil || !strings.Contains(err.Error(), words) {
			t.Errorf("code %04x: %v, %v, want %s", code, q, err, want)
		}
	}
	for range 500 { // a code that stands still for more than half a minute
		if q, err := read(0x4000); q == unit.Frozen {
			if err == nil || !strings.Contains(err.Error(), "repeats one value") {
				t.Errorf("frozen: %v", err)
			}
			return
		}
	}
	t.Error("never counted as frozen")
}

func TestABusOfOursPassesTheSpeedOnAndNothingElseIsLost(t *testing.T) {
	errSlow := errors.New("too slow")
	bus := &slowBus{err: errSlow}
	if _, err := ad8495.New(bus, &ad8495.DefaultOpts); err != nil {
		t.Fatal(err)
	}
	d, err := ad8495.New(bus, &ad8495.Opts{Channels: []ad8495.ChannelOpts{{Channel: 0}}})
	if err != nil || !strings.Contains(d.String(), "slow bus") {
		t.Errorf("%v, %v", d, err)
	}
	d.Poll(0)
	if err := d.Input(0).LastError(); !errors.Is(err, errSlow) {
		t.Errorf("a start that failed is told as %v", err)
	}
}

type slowBus struct{ err error }

func (b *slowBus) String() string                  { return "slow bus" }
func (b *slowBus) SetSpeed(physic.Frequency) error { return b.err }
func (b *slowBus) Tx(_ uint16, _, _ []byte) error  { return b.err }
