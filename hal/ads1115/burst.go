package ads1115

import (
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
)

// Burst is a converter all of whose inputs are converted within one Poll, at 860 per second, which is for levels that must be
// known as they are at the end of a tick. It does not sleep: between start and result it asks whether the conversion is done,
// which takes about as long as the conversion, 1.2 ms. For each input that is 2.2 ms on a bus at 100 kHz and 1.5 ms at 400 kHz
// (computed from the bytes).
//
// A conversion this short does not average out the mains; whoever uses it has a signal that is smooth already.
type Burst struct{ dev *Dev }

const (
	burstRate = 860 * physic.Hertz
	// tries is how often a conversion is asked whether it is done: enough for 1.3 ms on a bus at 400 kHz, where asking once
	// takes 0.11 ms, and at 100 kHz at most 7 ms for a converter that never ends.
	tries = 16
)

// NewBurst prepares a converter at addr, 0 for the default. It sends nothing: the first Poll does.
func NewBurst(bus i2c.Bus, addr uint16) (*Burst, error) {
	d, err := New(bus, &Opts{Addr: addr, Rate: burstRate})
	if err != nil {
		return nil, err
	}
	return &Burst{dev: d}, nil
}

// Add has an input converted in every Poll from now on, see Dev.Add.
func (b *Burst) Add(c Channel, s Sink) (perCode float64, err error) { return b.dev.Add(c, s) }

// String implements conn.Resource.
func (b *Burst) String() string { return b.dev.String() }

// Halt implements conn.Resource. The converter stops by itself after each conversion.
func (b *Burst) Halt() error { return nil }

// Poll converts every input. When the converter does not answer the others are not tried.
func (b *Burst) Poll(now time.Duration) {
	d := b.dev
	for range d.inputs {
		if d.start(now); d.pending < 0 {
			return
		}
		for n := 0; !d.collect(now); n++ {
			if n == tries {
				d.giveUp(now, errLate)
				break
			}
		}
	}
}
