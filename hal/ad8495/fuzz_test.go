package ad8495_test

import (
	"testing"
	"time"

	"periph.io/x/conn/v3/physic"

	"trivet/hal/ad8495"
	"trivet/hal/haltest"
	"trivet/process/unit"
)

// longestScript bounds the work of one input: 64 polls.
const longestScript = 64 * 4

// Whatever a converter answers at whatever times: a number comes only from the code that was fetched under the configuration
// that was asked for, is that code's number by a second computation, and every reading without one is explained.
// A script is four bytes for each poll: the code, the time since the last poll in steps of 10 ms, and what the converter
// does: 0 converts, 1 is still busy, 2 to 4 answer another configuration, 5 is gone, 6 answers zeros, 7 ones.
func FuzzPoll(f *testing.F) {
	var long []byte
	for i := range 40 {
		long = append(long, 0x20, byte(i/8), 10, 0)
	}
	for op := range byte(8) {
		f.Add(op, uint16(1<<op), append(append(append([]byte{}, long[:32]...), 0x20, 0, 10, op), long...))
	}
	f.Fuzz(func(t *testing.T, wiring byte, rateHz uint16, script []byte) {
		script = script[:min(len(script), longestScript)]
		o := wirings()[wiring%8]
		o.Rate = physic.Frequency(rateHz) * physic.Hertz
		if wiring >= 128 { // a second amplifier, wired alike
			o.Channels = append(o.Channels, o.Channels[0])
			o.Channels[1].Channel = 0
		}
		c := &converter{}
		d, err := ad8495.New(&haltest.I2CPlayer{Answer: c.answer}, &o)
		if err != nil {
			if rateHz >= 16 && rateHz <= 860 || rateHz == 0 {
				t.Fatal(err)
			}
			return
		}
		now := time.Duration(0)
		for ; len(script) >= 4; script = script[4:] {
			c.code = uint16(script[0])*256 + uint16(script[1])
			now += time.Duration(script[2]) * 10 * time.Millisecond
			op := script[3] % 8
			c.busy, c.foreign, c.err, c.collected = op == 1, op >= 2 && op != 5, nil, false
			before := c.asked
			switch op {
			case 2, 3, 4: // another input, another range, another rate
				c.config = before ^ [...]uint16{0x1000, 0x0200, 0x0020}[op-2] | 0x8000
			case 5:
				c.err = errBus
			case 6:
				c.config = 0
			case 7:
				c.config = 0xFFFF
			}
			d.Poll(now)
			checkInputs(t, d, c, o, now, before, op)
		}
	})
}

func checkInputs(t *testing.T, d *ad8495.Dev, c *converter, o ad8495.Opts, now time.Duration, asked uint16, op byte) {
	t.Helper()
	if c.collected && op != 0 {
		t.Fatalf("a result was fetched from a converter that does %d", op)
	}
	for i := range o.Channels {
		in := d.Input(i)
		r := in.Read(now)
		got, ok := r.Temp()
		switch {
		case ok && op == 5 || ok && (op == 6 || op == 7) && asked != 0:
			t.Fatalf("input %d reads %v, and nobody answers", i, got)
		case ok && !(got >= -55 && got <= 1000 && r.At <= now && now-r.At <= 5*in.Period()/2):
			t.Fatalf("input %d reads %v, %v old", i, got, now-r.At)
		case !ok && r.Quality != unit.Stale && r.Quality != unit.NotRead && in.LastError() == nil:
			t.Fatalf("input %d is %v, and that is not explained", i, r.Quality)
		}
		// The input whose conversion was collected is the one that the configuration asked for names.
		if c.collected && int(asked/4096%8)-4 == o.Channels[i].Channel {
			want, temp := second(asked, c.code, o, o.Channels[i])
			if r.Quality != want && r.Quality != unit.Stale && r.Quality != unit.Frozen || ok && !(got > unit.Celsius(temp-1e-5) && got < unit.Celsius(temp+1e-5)) {
				t.Fatalf("input %d, code %04x: %v (%v), want %v (%v)", i, c.code, float64(got), r.Quality, temp, want)
			}
		}
	}
}
