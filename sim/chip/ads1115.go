package chip

import (
	"encoding/binary"
	"time"

	"trivet/hal/emf"
)

// Bits of the configuration register (datasheet from memory; gain and rate codes as in periph's driver).
const (
	adsIdle   = 0x8000 // written: start; read: no conversion under way
	adsSingle = 0x0100
	adsReset  = 0x8583
)

// Ads1115 is an emulated ADS1115: four inputs, one converter. A conversion takes 1/rate of virtual time; whoever reads
// earlier gets the result of the conversion before, as on the real chip. The comparator is not emulated.
type Ads1115 struct {
	// Slow is how much longer a conversion takes than the rate says; the real chip's clock is good to ±10 % (from memory).
	Slow float64
	// BusTime is what a transaction takes. Within a tick virtual time stands still; a driver that waits for a conversion by asking
	// again and again needs that it does not.
	BusTime time.Duration

	now       time.Duration
	due       time.Duration
	busy      bool
	volts     [4]float64
	pointer   byte
	result    int16
	config    uint16
	low, high uint16
	fault     Fault     // of the whole chip
	by        *AmpInput // who injected it
	tap       Tap
	jammed    bool   // the multiplexer stays where it is,
	stuck     uint16 // which is this code
	amps      [4]AmpInput
}

// NewAds1115 returns a converter in its reset state with an amplifier on every input.
func NewAds1115() *Ads1115 {
	a := &Ads1115{config: adsReset, low: 0x8000, high: 0x7FFF}
	for i := range a.amps {
		a.amps[i] = AmpInput{couple: couple{wire: emf.Type('K')}, ads: a, channel: i, ref: defaultRef, supply: defaultSupply}
	}
	return a
}

// Input returns the amplifier on input i, 0 to 3; a higher number wraps round.
func (a *Ads1115) Input(i int) *AmpInput { return &a.amps[i&3] }

// Advance tells the chip what time it is.
func (a *Ads1115) Advance(now time.Duration) { a.now = max(a.now, now) }

// SetVolts puts a voltage on input 0 to 3; others are ignored.
func (a *Ads1115) SetVolts(input int, v float64) {
	if input >= 0 && input < len(a.volts) {
		a.volts[input] = v
	}
}

// Inject puts a fault on the whole chip: Dead, AllZeros, AllOnes, FrozenFrame or ResetChip. None takes it off.
func (a *Ads1115) Inject(f Fault) {
	a.fault, a.by = f, nil
	if f == ResetChip {
		a.config, a.busy, a.result, a.pointer = adsReset, false, 0, 0
	}
}

// fullScale is the range in volts for the gain field; the last three codes are alike (periph's table of the same chip).
func fullScale(config uint16) float64 {
	return [8]float64{6.144, 4.096, 2.048, 1.024, 0.512, 0.256, 0.256, 0.256}[config>>9&7]
}

// length is 1/rate, stretched by the clock's error.
func (a *Ads1115) length() time.Duration {
	rate := [8]float64{8, 16, 32, 64, 128, 250, 475, 860}[a.config>>5&7]
	return time.Duration(float64(time.Second) * (1 + a.Slow) / rate)
}

// settle finishes a conversion that is due. It runs when the chip is spoken to: by then all inputs have their voltages.
func (a *Ads1115) settle() {
	if !a.busy || a.now < a.due {
		return
	}
	if a.fault != FrozenFrame {
		a.result = int16(clampRound(a.input(), fullScale(a.config)/32768, 16))
	}
	a.busy = a.config&adsSingle == 0 // continuous mode goes on
	a.due = a.now + a.length()
}

// input is the voltage that the multiplexer selects.
func (a *Ads1115) input() float64 {
	// Codes 4 to 7 are the four inputs against ground, 0 to 3 differences (datasheet, from memory).
	mux := a.config >> 12 & 7
	if a.jammed {
		mux = a.stuck
	}
	if mux >= 4 {
		return a.volts[mux-4]
	}
	pair := [4][2]int{{0, 1}, {0, 3}, {1, 3}, {2, 3}}[mux]
	return a.volts[pair[0]] - a.volts[pair[1]]
}

// Jam leaves the multiplexer on input 0 to 3 while the configuration register still says what was written; any other number frees it.
func (a *Ads1115) Jam(input int) {
	a.jammed, a.stuck = input >= 0 && input < len(a.volts), uint16(4+input&3)
}

// Tap puts t between bus and converter in place of the one before; nil takes it out.
func (a *Ads1115) Tap(t Tap) { a.tap = t }

// Meddle is what a second master does on the bus: it starts a conversion of input 0 to 3 for itself, with its own settings.
func (a *Ads1115) Meddle(input int) {
	a.config = adsIdle | uint16(4+input&3)<<12 | adsSingle | 0x0083
	a.busy, a.due = true, a.now+a.length()
}

func (a *Ads1115) tx(w, r []byte) error {
	if a.tap != nil {
		return a.tap(w, r, a.answer)
	}
	return a.answer(w, r)
}

func (a *Ads1115) answer(w, r []byte) error {
	fill(r, 0)
	switch a.fault {
	case Dead:
		return errDead
	case AllZeros:
		return nil
	case AllOnes:
		fill(r, 0xFF)
		return nil
	}
	a.now += a.BusTime
	a.settle()
	if len(w) > 0 {
		a.pointer = w[0] & 3
	}
	// A write of three bytes sets a register; one of a single byte only points at the register that is read next.
	if len(w) >= 3 {
		a.write(binary.BigEndian.Uint16(w[1:3]))
	}
	var b [2]byte
	binary.BigEndian.PutUint16(b[:], a.read())
	copy(r, b[:])
	return nil
}

func (a *Ads1115) read() uint16 {
	switch a.pointer {
	case 0:
		return uint16(a.result)
	case 1:
		if a.busy {
			return a.config &^ adsIdle
		}
		return a.config | adsIdle
	case 2:
		return a.low
	}
	return a.high
}

func (a *Ads1115) write(v uint16) {
	switch a.pointer {
	case 1:
		a.config = v
		// A new configuration abandons the conversion under way: its result never comes.
		if v&adsSingle == 0 || v&adsIdle != 0 {
			a.busy, a.due = true, a.now+a.length()
		}
	case 2:
		a.low = v
	case 3:
		a.high = v
	}
}

// addresses of an ADS1115: its address pin tied to ground, supply, or one of the bus lines.
func (a *Ads1115) addresses() (kind string, low, high uint16) { return "an ADS1115", 0x48, 0x4b }

var _ i2cChip = (*Ads1115)(nil)
