package max31856_test

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"periph.io/x/conn/v3"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"trivet/hal/emf"
	"trivet/sim/chip"
)

// The driver is tested on an emulated chip; here the emulated chip is tested against the register map (datasheet
// 19-7534, table 6; testdata/facts), value by value.

func connected(t *testing.T) (*chip.Max31856, spi.Conn) {
	t.Helper()
	p := chip.NewMax31856("spi-sim")
	c, err := p.Connect(physic.MegaHertz, spi.Mode1, 8)
	if err != nil {
		t.Fatal(err)
	}
	return p, c
}

func put(t *testing.T, c spi.Conn, at byte, values ...byte) {
	t.Helper()
	if err := c.Tx(append([]byte{at + 128}, values...), nil); err != nil {
		t.Fatal(err)
	}
}

func get(t *testing.T, c spi.Conn, at byte, n int) []byte {
	t.Helper()
	w, r := make([]byte, 1+n), make([]byte, 1+n)
	w[0] = at
	if err := c.Tx(w, r); err != nil {
		t.Fatal(err)
	}
	return r[1:]
}

func TestEveryWritableRegisterOfTheEmulatedChipKeepsEveryValueAndTheOthersNone(t *testing.T) {
	_, c := connected(t)
	for at := range byte(16) {
		for value := range 256 {
			before := get(t, c, 0, 16)
			put(t, c, at, byte(value))
			want := bytes.Clone(before)
			switch {
			case at == 0:
				want[0] = byte(value)
				if value/2%2 == 1 { // FAULTCLR clears the status and then itself
					want[0], want[15] = byte(value-2), 0
				}
			case at <= 0x0B: // 0Ah and 0Bh take a cold junction measured elsewhere
				want[at] = byte(value)
			}
			if got := get(t, c, 0, 16); !bytes.Equal(got, want) {
				t.Fatalf("%02x written to %02xh: registers % x, want % x", value, at, got, want)
			}
		}
	}
}

// All 2¹⁶ settings of CR0 and CR1: when the first result is there, and that there is none where none is asked for.
// Typical times as in the table below, of the datasheet by way of public drivers; the open test from memory.
func TestTheEmulatedChipTakesItsTimeInEverySetting(t *testing.T) {
	samples := map[int]int{0: 1, 1: 2, 2: 4, 3: 8, 4: 16, 5: 16, 6: 16, 7: 16}
	microseconds := map[int][2]int{0: {143000, 33330}, 1: {169000, 40000}} // by the mains filter: first sample, each further one
	openTest := [4]int{0, 13300, 33400, 113400}
	for cr0 := range 256 {
		for cr1 := range 256 {
			p, c := connected(t)
			p.Advance(0, 200, 25)
			put(t, c, 1, byte(cr1))
			put(t, c, 0, byte(cr0))
			base := microseconds[cr0%2]
			length := base[0] + (samples[cr1/16%8]-1)*base[1] + openTest[cr0/16%4]
			if cr0/8%2 == 1 { // cold junction off: 25 ms less, and its register stays 0
				length -= 25000
			}
			due := time.Duration(length) * time.Microsecond
			p.Advance(due-time.Microsecond, 200, 25)
			early := get(t, c, 0x0C, 3)
			p.Advance(due, 200, 25)
			result := get(t, c, 0x0C, 3)
			asked, couple := cr0/64 != 0, cr1%16 < 8 // automatic or one shot; from 8 on the type field means a voltage mode
			if !bytes.Equal(early, []byte{0, 0, 0}) || asked && couple != !bytes.Equal(result, []byte{0, 0, 0}) {
				t.Fatalf("CR0 %02x CR1 %02x: % x before %v, % x then", cr0, cr1, early, due, result)
			}
			if oneShot := cr0/64 == 1; asked && oneShot && get(t, c, 0, 1)[0]/64%2 != 0 {
				t.Fatalf("CR0 %02x: the request for one conversion stands after it", cr0)
			}
		}
	}
}

// The mask decides about the FAULT pin, which is not emulated: the status says the same under all of its 256 values.
func TestNoMaskHidesAStatus(t *testing.T) {
	for mask := range 256 {
		p, c := connected(t)
		p.Advance(0, 200, 25)
		put(t, c, 0, 0x91, 0x03, byte(mask), 20, 0x80, 0x06, 0x00) // cold junction above 20 °C, junction above 96 °C
		p.Advance(time.Second, 200, 25)
		if got := get(t, c, 0x0F, 1)[0]; got != 0x28 {
			t.Fatalf("mask %02x: status %02x, want 28", mask, got)
		}
	}
}

// All 2¹⁶ thresholds of each side against a junction at 200.03125 °C, half a step of a threshold above the code 0C80h, and
// all 2⁸ of the cold junction's against 25 °C.
func TestEveryThresholdIsTheTemperatureOfTheRegisterMap(t *testing.T) {
	p, c := connected(t)
	now := time.Duration(0)
	p.Advance(now, 200.03125, 25)
	put(t, c, 0, 0x81, 0x03)
	step := func() byte {
		now += 98 * time.Millisecond
		p.Advance(now+time.Second, 200.03125, 25)
		return get(t, c, 0x0F, 1)[0]
	}
	for code := range 1 << 16 {
		celsius := float64(code) / 16
		if code >= 1<<15 {
			celsius -= 4096
		}
		put(t, c, 5, byte(code/256), byte(code%256), byte(code/256), byte(code%256))
		if got := step(); (got&0x08 != 0) != (200.03125 > celsius) || (got&0x04 != 0) != (200.03125 < celsius) {
			t.Fatalf("thresholds %04x, %v °C: status %02x", code, celsius, got)
		}
	}
	for code := range 1 << 8 {
		celsius := float64(code)
		if code >= 1<<7 {
			celsius -= 256
		}
		put(t, c, 3, byte(code), byte(code))
		if got := step(); (got&0x20 != 0) != (25 > celsius) || (got&0x10 != 0) != (25 < celsius) {
			t.Fatalf("cold thresholds %02x: status %02x", code, got)
		}
	}
	for code := range 1 << 8 { // the offset: ±8 °C in steps of a sixteenth, and the cold junction has steps of 1/64
		offset := float64(code) / 16
		if code >= 1<<7 {
			offset -= 16
		}
		put(t, c, 9, byte(code))
		step()
		if r := get(t, c, 0x0A, 2); float64(r[0])+float64(r[1])/256 != 25+offset {
			t.Fatalf("offset %02x: cold junction % x, want %v °C", code, r, 25+offset)
		}
	}
}

func TestInInterruptModeAStatusStandsUntilItIsCleared(t *testing.T) {
	p, c := connected(t)
	p.Advance(0, 25, 25)
	put(t, c, 0, 0x95, 0x03, 0, 0x7F, 0xC0, 0x06, 0x40) // interrupt mode, junction above 100 °C
	p.Advance(time.Second, 200, 25)
	p.Advance(2*time.Second, 25, 25)
	if got := get(t, c, 0x0F, 1)[0]; got != 0x08 {
		t.Fatalf("cooled down again: status %02x, want 08", got)
	}
	p.Inject(chip.ShortSupply)
	p.Advance(3*time.Second, 25, 25)
	p.Inject(chip.None)
	p.Advance(4*time.Second, 25, 25)
	if got := get(t, c, 0x0F, 1)[0]; got != 0x0A {
		t.Fatalf("after an overvoltage: status %02x, want 0a", got)
	}
	put(t, c, 0, 0x97)
	if got := get(t, c, 0x0F, 1)[0]; got != 0 {
		t.Errorf("cleared: status %02x", got)
	}
}

func TestAnEmulatedChipThatIsConfiguredBeforeItHasPowerConvertsFromThenOn(t *testing.T) {
	p, c := connected(t)
	put(t, c, 0, 0x81)
	p.Advance(time.Hour, 200, 25)
	if r := get(t, c, 0x0C, 3); !bytes.Equal(r, []byte{0, 0, 0}) {
		t.Errorf("at once it has % x", r)
	}
	p.Advance(time.Hour+169*time.Millisecond, 200, 25)
	if r := get(t, c, 0x0C, 3); bytes.Equal(r, []byte{0, 0, 0}) {
		t.Error("a conversion later it has nothing")
	}
}

// The lower ends of the chip's ranges (datasheet, from memory): held there, and said so. The upper ends, and the lower ones
// of J, R and S, are where the couples themselves end.
func TestBeyondTheRangeOfItsTypeTheEmulatedChipHoldsTheEndAndSaysSo(t *testing.T) {
	for _, w := range []struct {
		typ       emf.Type
		hot, want float64
		outside   bool
	}{
		{emf.B, 20, 50, true}, {emf.B, 300, 300, false}, {emf.B, 1815, 1815, false}, {emf.E, -230, -200, true}, {emf.E, 990, 990, false},
		{emf.J, -205, -205, false}, {emf.J, 1190, 1190, false}, {emf.K, -230, -200, true}, {emf.K, 1370, 1370, false}, {emf.N, -230, -200, true},
		{emf.N, 1290, 1290, false}, {emf.R, -45, -45, false}, {emf.R, 1760, 1760, false}, {emf.S, -45, -45, false}, {emf.S, 1760, 1760, false},
		{emf.T, -230, -200, true}, {emf.T, 390, 390, false},
	} {
		p, c := connected(t)
		p.Couple(w.typ)
		p.Advance(0, 25, 25)
		put(t, c, 0, 0x81, byte(strings.IndexByte("BEJKNRST", byte(w.typ))))
		p.Advance(time.Second, w.hot, 25)
		r := get(t, c, 0x0C, 4)
		got := float64(int8(r[0]))*16 + float64(r[1])/16 + float64(r[2])/4096
		if got < w.want-0.02 || got > w.want+0.02 || (r[3]&0x40 != 0) != w.outside {
			t.Errorf("%v at %v °C: %v °C, status %02x, want %v °C, out of range %v", w.typ, w.hot, got, r[3], w.want, w.outside)
		}
	}
}

// A K couple on a chip that is set to T: from 53 mV on no T couple could be meant.
func TestAVoltageBeyondItsTypeIsHeldAtTheUpperEnd(t *testing.T) {
	p, c := connected(t)
	p.Advance(0, 25, 25)
	put(t, c, 0, 0x81, 7)
	p.Advance(time.Second, 1300, 25)
	if r := get(t, c, 0x0C, 4); !bytes.Equal(r, []byte{0x19, 0, 0, 0x40}) {
		t.Errorf("result and status % x, want 400 °C and out of range", r)
	}
}

func TestTheEmulatedBusAnswersAsAnSPIBus(t *testing.T) {
	p, c := connected(t)
	if c.Duplex() != conn.Full || c.String() != p.String() || p.String() != "spi-sim" {
		t.Errorf("%v, %v, %v", c.Duplex(), c, p)
	}
	r := make([]byte, 2)
	if err := c.TxPackets([]spi.Packet{{W: []byte{0x81, 0x07}}, {W: []byte{0x01, 0}, R: r}}); err != nil || r[1] != 0x07 {
		t.Errorf("%v, % x", err, r)
	}
	if err := c.TxPackets([]spi.Packet{{W: []byte{0x01, 0}, R: make([]byte, 3)}}); err == nil {
		t.Error("a packet of unequal lengths passed")
	}
	if err := c.Tx(nil, r); err != nil || !bytes.Equal(r, []byte{0, 0}) {
		t.Errorf("without an address: % x, %v", r, err)
	}
	for f, want := range map[chip.Fault]string{chip.None: "none", chip.ResetChip: "reset_chip", chip.ResetChip + 1: "unknown"} {
		if f.String() != want {
			t.Errorf("fault %d is called %v, want %s", f, f, want)
		}
	}
}
