package chip_test

import (
	"encoding/binary"
	"math"
	"testing"
	"time"

	"trivet/sim/chip"
)

// converter is an ADS1115 on a bus at 0x4a.
func converter(t testing.TB) (*chip.Ads1115, *chip.I2CBus) {
	t.Helper()
	a, b := chip.NewAds1115(), chip.NewI2CBus("i2c-sim")
	if err := b.Add(0x4a, a); err != nil {
		t.Fatal(err)
	}
	return a, b
}

func get(t testing.TB, b *chip.I2CBus, at byte) uint16 {
	t.Helper()
	var r [2]byte
	if err := b.Tx(0x4a, []byte{at}, r[:]); err != nil {
		t.Fatal(err)
	}
	return binary.BigEndian.Uint16(r[:])
}

func put(t testing.TB, b *chip.I2CBus, at byte, v uint16) {
	t.Helper()
	if err := b.Tx(0x4a, []byte{at, byte(v >> 8), byte(v)}, nil); err != nil {
		t.Fatal(err)
	}
}

// Bits of the configuration, for tests: start, single-ended input, ±2.048 V, single, 128 per second, comparator off.
func config(input uint16) uint16 { return 0x8000 | (4+input)<<12 | 2<<9 | 0x100 | 4<<5 | 3 }

func TestAConverterWakesIdleInTheStateOfItsDatasheet(t *testing.T) {
	_, b := converter(t)
	for at, want := range map[byte]uint16{0: 0, 1: 0x8583, 2: 0x8000, 3: 0x7FFF} {
		if got := get(t, b, at); got != want {
			t.Errorf("register %d is %04x, want %04x", at, got, want)
		}
	}
}

func TestAConversionTakesItsTimeAndUntilThenTheOldResultStands(t *testing.T) {
	a, b := converter(t)
	a.SetVolts(0, 1)
	a.SetVolts(1, -0.5)
	put(t, b, 1, config(0))
	a.Advance(10 * ms)
	if get(t, b, 0) != 16000 || get(t, b, 1)&0x8000 == 0 {
		t.Fatalf("1 V is %d", get(t, b, 0))
	}
	put(t, b, 1, config(1))
	for now := 10 * ms; now < 30*ms; now += 100 * time.Microsecond {
		a.Advance(now)
		idle, code := get(t, b, 1)&0x8000 != 0, int16(get(t, b, 0))
		if done := now-10*ms >= time.Second/128; idle != done || code != map[bool]int16{true: -8000, false: 16000}[done] {
			t.Fatalf("%v after the start: idle %v, result %d", now-10*ms, idle, code)
		}
	}
}

func TestTheConverterClipsAndQuantizesByItsRange(t *testing.T) {
	a, b := converter(t)
	now := time.Duration(0)
	for _, c := range []struct {
		gain  uint16
		volts float64
		code  int16
	}{{2, 2.5, 32767}, {2, -3, -32768}, {2, 1.7e-5, 0}, {2, 3.2e-5, 1}, {0, 3, 16000}, {1, 3, 24000}, {3, 0.1, 3200}, {4, 0.1, 6400}, {5, 0.1, 12800}, {7, 0.1, 12800}} {
		now += 20 * ms
		a.Advance(now)
		a.SetVolts(3, c.volts)
		put(t, b, 1, config(3)&^(7<<9)|c.gain<<9)
		now += 20 * ms
		a.Advance(now)
		if got := int16(get(t, b, 0)); got != c.code {
			t.Errorf("gain code %d, %v V: %d, want %d", c.gain, c.volts, got, c.code)
		}
	}
}

func TestTheConverterMeasuresDifferencesAndGoesOnByItselfInContinuousMode(t *testing.T) {
	a, b := converter(t)
	a.SetVolts(0, 1.5)
	a.SetVolts(1, 0.5)
	put(t, b, 1, config(0)&^(7<<12)&^0x100) // input 0 minus 1, continuous
	a.Advance(10 * ms)
	if got := int16(get(t, b, 0)); got != 16000 {
		t.Errorf("1.5 V − 0.5 V is %d", got)
	}
	a.SetVolts(1, 1)
	a.Advance(30 * ms)
	if got := int16(get(t, b, 0)); got != 8000 {
		t.Errorf("1.5 V − 1 V is %d", got)
	}
}

func TestAnAddressIsTakenOnceAndNobodyElseAnswers(t *testing.T) {
	_, b := converter(t)
	for _, addr := range []uint16{0x4a, 0x47, 0x4c, 0x1ff} {
		if err := b.Add(addr, chip.NewAds1115()); err == nil {
			t.Errorf("%#x was taken", addr)
		}
	}
	for _, addr := range []uint16{0x48, 0x1ff} {
		if err := b.Tx(addr, []byte{0}, make([]byte, 2)); err == nil {
			t.Errorf("somebody answered at %#x", addr)
		}
	}
}

func TestAFaultOfOneAmplifierLeavesTheOtherAloneAndOneOfTheConverterDoesNot(t *testing.T) {
	a, b := converter(t)
	x, y := a.Input(0).Wire(0, 5), a.Input(1).Wire(0, 5)
	now := time.Duration(0)
	read := func(input uint16) float64 {
		put(t, b, 1, config(input))
		now += 20 * ms
		x.Advance(now, 100, 25)
		y.Advance(now, 200, 25)
		return float64(int16(get(t, b, 0))) / 16000
	}
	read(0)
	x.Inject(chip.Open)
	x.Advance(now, 100, 25)
	if got := read(0); got < 2 {
		t.Errorf("an open couple is at %v V, not at the rail", got)
	}
	if got := read(1); math.Abs(got-chip.AD8495Volts(200)) > 1e-4 {
		t.Errorf("the other is at %v V", got)
	}
	y.Inject(chip.Dead)
	x.Inject(chip.None) // must not bring the converter back
	if err := b.Tx(0x4a, []byte{1}, make([]byte, 2)); err == nil {
		t.Error("a dead converter answers")
	}
	y.Inject(chip.None)
	if got := read(0); math.Abs(got-chip.AD8495Volts(100)) > 1e-4 {
		t.Errorf("afterwards %v V", got)
	}
}
