package max31856_test

import (
	"errors"
	"testing"
	"time"

	"trivet/hal/emf"
	"trivet/hal/max31856"
	"trivet/process/unit"
)

func FuzzDecode(f *testing.F) {
	for _, r := range examples(f) {
		var b [6]byte
		copy(b[2:], r.raw)
		f.Add(b[:])
	}
	f.Add([]byte{0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF})
	s := newSecond()
	f.Fuzz(func(t *testing.T, raw []byte) {
		var b [6]byte
		copy(b[:], raw)
		frame := max31856.Decode(b)
		hot := s.hot[0][b[2]] + s.hot[1][b[3]] + s.hot[2][b[4]]
		cold := s.cold[0][b[0]] + s.cold[1][b[1]]
		if float64(frame.Hot()) != hot || float64(frame.Cold()) != cold || byte(frame.Status) != b[5] {
			t.Fatalf("% x is %+v, the second decoder says %v and %v °C", b, frame, hot, cold)
		}
		if want := s.qualities(cold)[b[5]]; !frame.Dead && frame.Quality() != want || frame.Dead && frame.Quality() != unit.NoAnswer {
			t.Fatalf("% x is %v, the second decoder says %v", b, frame.Quality(), want)
		}
	})
}

var errBus = errors.New("the bus is gone")

// longestScript bounds the work of one input: 64 reads.
const longestScript = 64 * 8

// Whatever a chip answers at whatever times: a number comes only from a burst that is sound by itself, beside a configuration
// that is ours as far as it was looked at, and every reading without a number is explained. A script is eight bytes for each
// read: the burst, the time since the last read in steps of 25 ms, and what happens before: 1 to 10 change that register of
// the configuration, 11 mends it, 12 loses the bus for this read, 13 halts the chip.
func FuzzRead(f *testing.F) {
	good := []byte{0x19, 0, 0x0D, 0x90, 0, 0, 8, 0}
	var long []byte
	for i := range 16 {
		long = append(long, good...)
		long[len(long)-4] = byte(i) << 5
	}
	f.Add(byte('K'), byte(0x11), long)
	f.Add(byte('J'), byte(0x32), append(append(append([]byte{}, long...), 0x19, 0, 0x0D, 0x90, 0, 0, 40, 3), long...))
	f.Add(byte('T'), byte(0x51), append(append([]byte{}, long...), 0xE9, 0, 0x0D, 0x90, 0, 1, 8, 12))
	f.Fuzz(func(t *testing.T, letter, setting byte, script []byte) {
		script = script[:min(len(script), longestScript)]
		opts := max31856.DefaultOpts
		opts.Type, opts.MainsHz = emf.Type(letter), 50+int(setting%2)*10
		opts.Average, opts.OpenTest = 1<<(setting/2%8), int(setting/16%4)
		m := newMemory()
		d, err := max31856.New(m, &opts)
		want, allowed := config(opts)
		if (err == nil) != allowed {
			t.Fatalf("%+v: %v", opts, err)
		}
		if err != nil {
			return
		}
		answer := m.Answer
		now := time.Duration(0)
		for ; len(script) >= 8; script = script[8:] {
			copy(m.reg[10:], script[:6])
			now += time.Duration(script[6]) * 25 * time.Millisecond
			m.Answer = answer
			var busErr error
			switch op := script[7]; {
			case op >= 1 && op <= 10:
				m.reg[op-1] ^= 0x40
			case op == 11:
				if err := d.Configure(); err != nil || [10]byte(m.reg[:10]) != want {
					t.Fatalf("configured to % x: %v", m.reg[:10], err)
				}
			case op == 12:
				busErr = errBus
				m.Answer = func(_, _ []byte) error { return errBus }
			case op == 13:
				if err := d.Halt(); err != nil || m.reg[0] >= 128 {
					t.Fatalf("halted with CR0 %02x: %v", m.reg[0], err)
				}
			}
			lost := [10]byte(m.reg[:10]) != want
			gap := time.Duration(script[6]) * 25 * time.Millisecond
			checkReading(t, d, d.Read(now), now, [6]byte(script[:6]), busErr, lost && (gap >= time.Second || script[7] == 13))
		}
	})
}

// mustKnow is set where the driver has to have looked at a configuration that is lost.
func checkReading(t *testing.T, d *max31856.Dev, r unit.Reading, now time.Duration, raw [6]byte, busErr error, mustKnow bool) {
	t.Helper()
	frame := max31856.Decode(raw)
	got, ok := r.Temp()
	switch {
	case r.At != now:
		t.Fatalf("% x: read at %v, says %v", raw, now, r.At)
	case ok && (busErr != nil || mustKnow || frame.Quality() != unit.Good || got != frame.Hot() || !(got >= -55 && got <= 1000)):
		t.Fatalf("% x (bus: %v, configuration lost: %v) gives %v; the burst is %v", raw, busErr, mustKnow, got, frame.Quality())
	case busErr != nil && r.Quality != unit.NoAnswer:
		t.Fatalf("the bus is gone, and the reading is %v", r.Quality)
	case ok != (d.LastError() == nil):
		t.Fatalf("% x: usable %v, explained as %v", raw, ok, d.LastError())
	}
	if cold, ok := d.ColdJunction().Temp(); ok && (busErr != nil || mustKnow || cold != frame.Cold() || !(cold >= 0 && cold <= 60)) {
		t.Fatalf("% x (bus: %v, configuration lost: %v) gives a cold junction of %v", raw, busErr, mustKnow, cold)
	}
}
