package chip_test

import (
	"bytes"
	"math"
	"testing"
	"time"

	"periph.io/x/conn/v3/spi"

	"trivet/sim/chip"
)

func TestA6675ConvertsOnlyWhileItIsLeftAlone(t *testing.T) {
	c := chip.NewMax6675("x")
	conn := connect(t, c, spi.Mode0)
	var r [2]byte
	if err := conn.Tx(nil, r[:]); err != nil || r != [2]byte{} {
		t.Errorf("before its first conversion % x, %v", r, err)
	}
	for now := time.Duration(0); now < 3*time.Second; now += 100 * ms { // asked every 100 ms
		c.Advance(now, 100, 25)
		if err := conn.Tx(nil, r[:]); err != nil || r != [2]byte{} {
			t.Fatalf("at %v: % x, %v", now, r, err)
		}
	}
	c.Advance(3*time.Second+219*ms, 100, 25)
	c.Advance(3*time.Second+220*ms, 100, 25)
	_ = conn.Tx(nil, r[:])
	// 25 °C and (4.096 − 1.000) mV / 41 µV/°C = 75.5 °C: 100.5 °C, 402 steps.
	if code := (int(r[0])<<8 | int(r[1])) >> 3; code != 402 || r[1]&7 != 0 {
		t.Errorf("code %d, frame % x", code, r)
	}
}

func TestA31865WakesWithoutBiasAndReadsNothing(t *testing.T) {
	c := chip.NewMax31865("x")
	conn := connect(t, c, spi.Mode1)
	if got := registers(t, conn, 0, 8); !bytes.Equal(got, []byte{0, 0, 0, 0xFF, 0xFF, 0, 0, 0}) {
		t.Errorf("wakes with % x", got)
	}
	c.Advance(0, 100, 25)
	write(t, conn, 0, 0x21) // one conversion, no bias
	c.Advance(time.Second, 100, 25)
	if got := registers(t, conn, 0, 3); got[0] != 0x01 || got[1] != 0 || got[2] != 0 {
		t.Errorf("without bias % x", got)
	}
	write(t, conn, 1, 9, 9) // the result is read-only
	if got := registers(t, conn, 1, 2); got[0] != 0 || got[1] != 0 {
		t.Errorf("% x was written", got)
	}
}

// Times from memory of the datasheet: one conversion 62.5 ms at 50 Hz and 52 at 60, running ones 20 and 16.7 ms.
func TestA31865ConvertsInItsOwnTimeByIEC60751(t *testing.T) {
	for _, c := range []struct {
		config      byte
		first, next time.Duration
	}{{0xC1, 62500 * time.Microsecond, 20 * ms}, {0xC0, 52 * ms, 16700 * time.Microsecond}, {0xA1, 62500 * time.Microsecond, 0}} {
		p := chip.NewMax31865("x")
		conn := connect(t, p, spi.Mode3)
		p.Advance(0, 0, 25)
		write(t, conn, 0, c.config)
		var at []time.Duration
		last := registers(t, conn, 1, 2)
		for now := 100 * time.Microsecond; now < 200*ms; now += 100 * time.Microsecond {
			p.Advance(now, now.Seconds()*500, 25)
			if r := registers(t, conn, 1, 2); !bytes.Equal(r, last) {
				at, last = append(at, now), r
			}
		}
		if at[0] != c.first || c.next == 0 && len(at) != 1 || c.next != 0 && at[1]-at[0] != c.next {
			t.Errorf("%02x: results at %v", c.config, at)
		}
	}
	p := chip.NewMax31865("x")
	conn := connect(t, p, spi.Mode1)
	now := time.Duration(0)
	for celsius, ohms := range map[float64]float64{-200: 18.52, -100: 60.26, 0: 100, 100: 138.51, 300: 212.05, 850: 390.48} { // IEC 60751
		p.Advance(now, celsius, 25)
		write(t, conn, 0, 0xA1)
		now += time.Second
		p.Advance(now, celsius, 25)
		r := registers(t, conn, 1, 2)
		if got := float64(int(r[0])<<7|int(r[1])>>1) * 430 / 32768; math.Abs(got-ohms) > 0.012 {
			t.Errorf("%v °C: %v Ω, want %v", celsius, got, ohms)
		}
	}
}

func TestA31865TellsAStatusUntilItIsClearedAndOvervoltageStopsIt(t *testing.T) {
	p := chip.NewMax31865("x")
	conn := connect(t, p, spi.Mode1)
	p.Advance(0, 100, 25)
	write(t, conn, 3, 0x60, 0, 0x40, 0) // thresholds above and below what follows
	now := time.Duration(0)
	step := func(fault chip.Fault, config byte, want byte) {
		t.Helper()
		p.Inject(fault)
		write(t, conn, 0, config)
		for range 2 {
			now += 100 * ms
			p.Advance(now, 100, 25)
		}
		if got := registers(t, conn, 7, 1)[0]; got != want || registers(t, conn, 2, 1)[0]&1 != min(want, 1) {
			t.Errorf("%v, %02x: status %02x, want %02x", fault, config, got, want)
		}
	}
	step(chip.None, 0xA1, 0)
	step(chip.Open, 0x85, 0x28) // the search, which knows nothing of thresholds
	if got := registers(t, conn, 0, 1)[0]; got != 0x81 {
		t.Errorf("after the search %02x", got)
	}
	step(chip.Open, 0xA1, 0xA8)
	step(chip.None, 0xA1, 0xA8)
	step(chip.None, 0x83, 0)
	step(chip.ShortGround, 0xA1, 0x40)
	step(chip.None, 0x83, 0)
	step(chip.ShortSupply, 0xA1, 0x04)
	if got := registers(t, conn, 0, 1)[0]; got != 0xA1 {
		t.Errorf("under overvoltage a conversion ended: %02x", got)
	}
}
