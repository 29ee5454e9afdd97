package max31865_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"periph.io/x/conn/v3/physic"

	"trivet/hal/haltest"
	"trivet/hal/max31865"
	"trivet/process/unit"
)

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
