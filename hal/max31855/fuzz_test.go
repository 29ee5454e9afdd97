package max31855_test

import (
	"errors"
	"math"
	"testing"
	"time"

	"trivet/hal/emf"
	"trivet/hal/haltest"
	"trivet/hal/max31855"
	"trivet/process/unit"
	"trivet/testdata/facts"
)

func FuzzDecode(f *testing.F) {
	for _, row := range facts.Rows(f, "max31855_frames.csv") {
		f.Add(hex(f, row[0]))
	}
	s := newSecond()
	f.Fuzz(func(t *testing.T, raw uint32) {
		if wrong := s.disagree(raw); wrong != "" {
			t.Fatal(wrong)
		}
		frame := max31855.Decode(raw)
		for _, letter := range emf.Types {
			c, ok := max31855.Linearize(emf.Type(letter), frame.Hot, frame.Cold)
			if low, high, _ := emf.Type(letter).Range(); ok && !(c >= low && c <= high) {
				t.Fatalf("%08X as type %c is %v", raw, letter, c)
			}
		}
	})
}

var errBus = errors.New("the bus is gone")

// longestScript bounds the work of one input: 64 reads.
const longestScript = 64 * 5

// Whatever a chip answers at whatever times: a number comes only from a frame that is sound by itself, is the one that frame
// stands for, and every reading without a number is explained. A script is five bytes for each read: four of the frame, and
// one for the time since the last read in steps of 50 ms and, in its two highest bits, for what the caller does before.
func FuzzRead(f *testing.F) {
	for _, row := range facts.Rows(f, "max31855_frames.csv") {
		raw := hex(f, row[0])
		var script []byte
		for range 10 {
			script = append(script, byte(raw>>24), byte(raw>>16), byte(raw>>8), byte(raw), 2)
		}
		f.Add(byte('K'), script)
	}
	f.Add(byte('T'), []byte{0x64, 0, 0x19, 0, 0x02, 0x64, 0, 0x19, 0, 0x42, 0x64, 0, 0x19, 0, 0x82, 0x64, 0, 0x19, 0, 0xC2})
	f.Fuzz(func(t *testing.T, suffix byte, script []byte) {
		script = script[:min(len(script), longestScript)]
		opts := max31855.DefaultOpts
		opts.Type = emf.Type(suffix)
		var raw uint32
		var busErr error
		p := &haltest.Player{Answer: func(_, r []byte) error {
			copy(r, []byte{byte(raw >> 24), byte(raw >> 16), byte(raw >> 8), byte(raw)})
			return busErr
		}}
		d, err := max31855.New(p, &opts)
		if err != nil {
			if opts.Type.Known() && opts.Type != emf.B {
				t.Fatal(err)
			}
			return
		}
		now := time.Duration(0)
		for ; len(script) >= 5; script = script[5:] {
			raw = uint32(script[0])<<24 | uint32(script[1])<<16 | uint32(script[2])<<8 | uint32(script[3])
			now += time.Duration(script[4]%64) * 50 * time.Millisecond
			busErr = nil
			switch script[4] / 64 {
			case 1:
				d.ExpectMotion(true)
			case 2:
				d.ExpectMotion(false)
			case 3:
				busErr = errBus
			}
			checkReading(t, d, d.Read(now), now, raw, opts.Type, busErr)
		}
	})
}

func checkReading(t *testing.T, d *max31855.Dev, r unit.Reading, now time.Duration, raw uint32, typ emf.Type, busErr error) {
	t.Helper()
	frame := max31855.Decode(raw)
	got, ok := r.Temp()
	want, there := max31855.Linearize(typ, frame.Hot, frame.Cold)
	switch {
	case r.At != now:
		t.Fatalf("%08X: read at %v, says %v", raw, now, r.At)
	case ok && (busErr != nil || frame.Quality() != unit.Good || !there || got != want || !(got >= -55 && got <= 1000)):
		t.Fatalf("%08X (bus: %v) gives %v; the frame is %v and stands for %v", raw, busErr, got, frame.Quality(), want)
	case busErr != nil && r.Quality != unit.NoAnswer:
		t.Fatalf("the bus is gone, and the reading is %v", r.Quality)
	case ok != (d.LastError() == nil):
		t.Fatalf("%08X: usable %v, explained as %v", raw, ok, d.LastError())
	case busErr == nil && frame.Quality() == unit.NoAnswer && r.Quality != unit.NoAnswer && !(raw == 0 && r.Quality == unit.NotRead):
		t.Fatalf("%08X cannot be an answer, and the reading is %v", raw, r.Quality)
	}
	if cold, ok := d.ColdJunction().Temp(); ok && (busErr != nil || !(cold >= 0 && cold <= 60) || math.Abs(float64(cold-frame.Cold)) > 0) {
		t.Fatalf("%08X (bus: %v) gives a cold junction of %v", raw, busErr, cold)
	}
}
