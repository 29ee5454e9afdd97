package chip_test

import (
	"bytes"
	"encoding/binary"
	"math"
	"strings"
	"testing"
	"time"

	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"trivet/hal/emf"
	"trivet/sim/chip"
)

const ms = time.Millisecond

func connect(t testing.TB, p spi.Port, m spi.Mode) spi.Conn {
	t.Helper()
	c, err := p.Connect(physic.MegaHertz, m, 8)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func frame(t testing.TB, c spi.Conn) uint32 {
	t.Helper()
	var r [4]byte
	if err := c.Tx(make([]byte, 4), r[:]); err != nil {
		t.Fatal(err)
	}
	return binary.BigEndian.Uint32(r[:])
}

func registers(t testing.TB, c spi.Conn, at byte, n int) []byte {
	t.Helper()
	w, r := make([]byte, 1+n), make([]byte, 1+n)
	w[0] = at
	if err := c.Tx(w, r); err != nil {
		t.Fatal(err)
	}
	return r[1:]
}

func write(t testing.TB, c spi.Conn, at byte, values ...byte) {
	t.Helper()
	if err := c.Tx(append([]byte{at | 0x80}, values...), nil); err != nil {
		t.Fatal(err)
	}
}

// Frames composed from the bit map of datasheet 19-5793; 858 and 967 quarters of a degree are
// what its straight line makes of 217 and 245 °C (facts: 214.4 and 241.8 °C).
func TestA31855ConvertsByItsStraightLine(t *testing.T) {
	p := chip.NewMax31855("x")
	c := connect(t, p, spi.Mode0)
	for i, want := range []struct {
		hot, cold float64
		frame     uint32
	}{{25, 25, 0x01901900}, {217, 25, 858<<18 | 0x1900}, {245, 25, 967<<18 | 0x1900}, {245, 0, 964 << 18}} {
		p.Advance(time.Duration(i)*time.Second, want.hot, want.cold)
		p.Advance(time.Duration(i)*time.Second+500*ms, want.hot, want.cold)
		if got := frame(t, c); got != want.frame {
			t.Errorf("%v °C: frame %08X, want %08X", want.hot, got, want.frame)
		}
	}
}

func TestA31855IsSilentUntilItsFirstConversionAndThenConvertsEvery100ms(t *testing.T) {
	p := chip.NewMax31855("x")
	c := connect(t, p, spi.Mode0)
	changes, last := 0, uint32(0)
	for now := time.Duration(0); now <= 1200*ms; now += ms {
		p.Advance(now, 25+float64(now/ms), 25)
		if f := frame(t, c); f != last {
			changes, last = changes+1, f
			if changes == 1 && now != 200*ms {
				t.Errorf("first frame at %v", now)
			}
		}
	}
	if changes != 11 {
		t.Errorf("%d conversions in 1.2 s, want 11", changes)
	}
}

func TestA31856WakesInTheStateOfItsDatasheetAndConvertsNothing(t *testing.T) {
	p := chip.NewMax31856("x")
	c := connect(t, p, spi.Mode1)
	for now := time.Duration(0); now < 2*time.Second; now += 100 * ms {
		p.Advance(now, 200, 25)
	}
	want := []byte{0x00, 0x03, 0xFF, 0x7F, 0xC0, 0x7F, 0xFF, 0x80, 0x00, 0x00, 0, 0, 0, 0, 0, 0}
	if got := registers(t, c, 0, 16); !bytes.Equal(got, want) {
		t.Errorf("% x", got)
	}
	write(t, c, 0x0C, 1, 2, 3, 4) // result and status are read-only
	if got := registers(t, c, 0x0C, 4); !bytes.Equal(got, make([]byte, 4)) {
		t.Errorf("% x was written", got)
	}
	if got := registers(t, c, 0x0F, 3); !bytes.Equal(got, []byte{0, 0x00, 0x03}) {
		t.Errorf("addresses do not wrap round: % x", got)
	}
}

// Typical times of the datasheet by way of public drivers: first / next 169 / 98 ms at 50 Hz, 143 / 82 ms at 60 Hz; each
// further sample 40 / 20 and 33.33 / 16.67 ms.
func TestA31856ConvertsInItsOwnTime(t *testing.T) {
	for _, c := range []struct {
		cr0, cr1    byte
		first, next time.Duration
	}{{0x81, 0x03, 169 * ms, 98 * ms}, {0x80, 0x03, 143 * ms, 82 * ms}, {0x81, 0x23, 289 * ms, 158 * ms}, {0x91, 0x03, 183 * ms, 98 * ms}, {0x80, 0x43, 643 * ms, 333 * ms}} {
		p := chip.NewMax31856("x")
		conn := connect(t, p, spi.Mode3)
		p.Advance(0, 25, 25)
		write(t, conn, 1, c.cr1)
		write(t, conn, 0, c.cr0)
		var at []time.Duration
		var last []byte
		for now := ms; len(at) < 3 && now < 3*time.Second; now += ms {
			p.Advance(now, 25+float64(now/ms), 25)
			if r := registers(t, conn, 0x0C, 3); !bytes.Equal(r, last) {
				if last != nil {
					at = append(at, now)
				}
				last = r
			}
		}
		if len(at) < 3 || (at[0]-c.first).Abs() > 2*ms || (at[1]-at[0]-c.next).Abs() > 2*ms {
			t.Errorf("CR0 %02x CR1 %02x: results at %v, want the first after %v, the next after %v", c.cr0, c.cr1, at, c.first, c.next)
		}
	}
}

func hot(r []byte) float64 {
	return float64(int32(r[0])<<24|int32(r[1])<<16|int32(r[2])<<8) / 256 / 4096
}

func TestA31856FindsAnOpenCoupleOnlyAtItsTestAndNeverWithoutIt(t *testing.T) {
	for _, test := range []bool{true, false} {
		p := chip.NewMax31856("x")
		c := connect(t, p, spi.Mode1)
		p.Advance(0, 200, 25)
		cr0 := byte(0x81)
		if test {
			cr0 |= 0x10
		}
		write(t, c, 0, cr0)
		var found time.Duration
		for now := 100 * ms; now < 5*time.Second; now += 10 * ms {
			if now == 500*ms {
				p.Inject(chip.Open)
			}
			p.Advance(now, 200, 25)
			if r := registers(t, c, 0x0C, 4); r[3]&1 != 0 && found == 0 {
				found = now - 500*ms
			} else if now > 700*ms && math.Abs(hot(r)-25) > 0.1 {
				t.Fatalf("an open couple reads %v, not like the cold junction", hot(r))
			}
		}
		if !test && found != 0 || test && !(found > 200*ms && found < 1700*ms) {
			t.Errorf("test %v: found after %v", test, found)
		}
	}
}

func TestUnderOvervoltageA31856KeepsItsLastResult(t *testing.T) {
	p := chip.NewMax31856("x")
	c := connect(t, p, spi.Mode1)
	p.Advance(0, 200, 25)
	write(t, c, 0, 0x91)
	p.Advance(time.Second, 200, 25)
	before := registers(t, c, 0x0A, 6)
	p.Inject(chip.ShortSupply)
	for now := 1100 * ms; now < 3*time.Second; now += 100 * ms {
		p.Advance(now, 300, 40)
		if r := registers(t, c, 0x0A, 6); !bytes.Equal(r[:5], before[:5]) || r[5] != 0x02 {
			t.Fatalf("% x, before % x", r, before)
		}
	}
	p.Inject(chip.None)
	p.Advance(3*time.Second, 300, 40)
	p.Advance(4*time.Second, 300, 40)
	if r := registers(t, c, 0x0A, 6); math.Abs(hot(r[2:])-300) > 0.02 || r[5] != 0 {
		t.Errorf("afterwards % x", r)
	}
}

func TestA31856ConvertsByTheTypeInItsRegisterWhateverTheWire(t *testing.T) {
	p := chip.NewMax31856("x").Couple(emf.Type('J'))
	c := connect(t, p, spi.Mode1)
	p.Advance(0, 217, 25)
	write(t, c, 0, 0x91, 0x02)
	p.Advance(time.Second, 217, 25)
	if got := hot(registers(t, c, 0x0C, 3)); math.Abs(got-217) > 0.02 {
		t.Errorf("J as J reads %v", got)
	}
	write(t, c, 1, 0x03)
	p.Advance(2*time.Second, 217, 25)
	if got := hot(registers(t, c, 0x0C, 3)); math.Abs(got-217) < 40 {
		t.Errorf("J as K reads %v", got)
	}
}

func TestStatusBitsFollowTheThresholdsAndTheRanges(t *testing.T) {
	p := chip.NewMax31856("x")
	c := connect(t, p, spi.Mode1)
	p.Advance(0, 25, 25)
	write(t, c, 0, 0x91, 0x03, 0, 40, 0, 0x10, 0x40, 0x03, 0x20) // cold 0…40, hot 50…260 °C
	for i, w := range []struct {
		hot, cold float64
		sr        byte
	}{{200, 25, 0}, {270, 25, 0x08}, {40, 25, 0x04}, {200, 45, 0x20}, {200, -5, 0x10}, {-230, 25, 0x44}, {200, 25, 0}} {
		p.Advance(time.Duration(i+1)*time.Second, w.hot, w.cold)
		if sr := registers(t, c, 0x0F, 1)[0]; sr != w.sr {
			t.Errorf("%v °C, cold %v °C: status %02x, want %02x", w.hot, w.cold, sr, w.sr)
		}
	}
}

func TestAPortRefusesWhatTheChipCouldNotUnderstand(t *testing.T) {
	for name, connect := range map[string]func() error{
		"mode":  func() error { _, err := chip.NewMax31855("x").Connect(physic.MegaHertz, spi.Mode1, 8); return err },
		"mode6": func() error { _, err := chip.NewMax31856("x").Connect(physic.MegaHertz, spi.Mode0, 8); return err },
		"bits":  func() error { _, err := chip.NewMax31855("x").Connect(physic.MegaHertz, spi.Mode0, 16); return err },
		"clock": func() error { _, err := chip.NewMax31855("x").Connect(6*physic.MegaHertz, spi.Mode0, 8); return err },
		"twice": func() error {
			p := chip.NewMax31855("x")
			if _, err := p.Connect(physic.MegaHertz, spi.Mode0, 8); err != nil {
				return nil
			}
			_, err := p.Connect(physic.MegaHertz, spi.Mode0, 8)
			return err
		},
	} {
		if err := connect(); err == nil || !strings.HasPrefix(err.Error(), "x: ") {
			t.Errorf("%s: %v", name, err)
		}
	}
	c := connect(t, chip.NewMax31855("x"), spi.Mode0)
	if err := c.Tx(make([]byte, 3), make([]byte, 4)); err == nil {
		t.Error("three bytes out and four in")
	}
	if err := c.TxPackets([]spi.Packet{{W: []byte{0}, KeepCS: true}}); err == nil {
		t.Error("chip select was held")
	}
}

func TestAWorldThatRunsAwayBreaksNoChip(t *testing.T) {
	a, b, ads := chip.NewMax31855("a"), chip.NewMax31856("b"), chip.NewAds1115()
	c := connect(t, b, spi.Mode1)
	b.Advance(0, 25, 25)
	write(t, c, 0, 0x91)
	for i, v := range []float64{math.NaN(), math.Inf(1), math.Inf(-1), 1e9, -1e9, 25} {
		now := time.Duration(i+1) * time.Second
		a.Advance(now, v, -v)
		b.Advance(now, v, v)
		ads.Input(0).Advance(now, v, v)
	}
	if got := hot(registers(t, c, 0x0C, 3)); got != 25 {
		t.Errorf("afterwards it reads %v", got)
	}
}

func TestATransactionMakesNoGarbage(t *testing.T) {
	p := chip.NewMax31856("x")
	c := connect(t, p, spi.Mode1)
	w, r := make([]byte, 7), make([]byte, 7)
	now := time.Duration(0)
	for f := chip.None; f <= chip.ResetChip; f++ {
		p.Inject(f)
		if n := testing.AllocsPerRun(100, func() {
			now += 100 * ms
			p.Advance(now, 100, 25)
			_ = c.Tx(w, r)
		}); n != 0 {
			t.Errorf("%v: %v allocations", f, n)
		}
	}
}
