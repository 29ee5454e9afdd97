package chip

import (
	"fmt"
	"math"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"

	"trivet/hal/emf"
	"trivet/process/unit"
)

// I2CBus is an emulated bus with chips at addresses.
type I2CBus struct {
	name    string
	devices map[uint16]*Ads1115
}

var _ i2c.Bus = (*I2CBus)(nil)

// NewI2CBus returns an empty bus.
func NewI2CBus(name string) *I2CBus { return &I2CBus{name: name, devices: map[uint16]*Ads1115{}} }

// Add puts a chip on the bus.
func (b *I2CBus) Add(addr uint16, d *Ads1115) { b.devices[addr] = d }

// Tx does one transaction with the chip at addr.
func (b *I2CBus) Tx(addr uint16, w, r []byte) error {
	d, ok := b.devices[addr]
	if !ok {
		return errDead
	}
	return d.tx(w, r)
}

// SetSpeed accepts any speed.
func (b *I2CBus) SetSpeed(physic.Frequency) error { return nil }

func (b *I2CBus) String() string { return b.name }

// Ads1115 emulates an ADS1115 in single-shot mode: four inputs, gain, data rate, ready bit. Inputs have thermocouple amplifiers
// before them (AmpInput).
type Ads1115 struct {
	inputs [4]AmpInput
	fault  Fault
	config uint16
	result int16
	now    time.Duration
	ready  time.Duration // when the conversion that is running is done
	busy   bool
	ptr    byte
}

// reset1115 is the configuration after power-up (data sheet, from memory).
const reset1115 = 0x8583

// NewAds1115 returns a chip that has just been powered.
func NewAds1115() *Ads1115 {
	a := &Ads1115{config: reset1115}
	for i := range a.inputs {
		a.inputs[i] = AmpInput{adc: a, volts: 0.125}
	}
	return a
}

// Input returns input i, 0 to 3.
func (a *Ads1115) Input(i int) *AmpInput { return &a.inputs[i&3] }

// full scale in V by gain code (periph's table of the same chip; data sheet).
var range1115 = [8]float64{6.144, 4.096, 2.048, 1.024, 0.512, 0.256, 0.256, 0.256}
var rate1115 = [8]int{8, 16, 32, 64, 128, 250, 475, 860}

func (a *Ads1115) advance(now time.Duration) {
	a.now = now
	if a.busy && now >= a.ready {
		a.busy = false
		a.config |= 0x8000
		if a.fault != FrozenFrame {
			a.result = a.convert()
		}
	}
}

// convert measures the input the multiplexer is at now. Only the four single-ended inputs are wired.
func (a *Ads1115) convert() int16 {
	mux := a.config >> 12 & 7
	v := 0.0
	if mux >= 4 {
		v = a.inputs[mux-4].volts
	}
	fs := range1115[a.config>>9&7]
	return int16(clamp(math.Round(v/fs*32768), -32768, 32767))
}

func (a *Ads1115) tx(w, r []byte) error {
	if a.fault == Dead {
		return errDead
	}
	if len(w) > 0 {
		a.ptr = w[0] & 3
		if len(w) == 3 && a.ptr == 1 {
			a.config = uint16(w[1])<<8 | uint16(w[2])
			if a.config&0x8000 != 0 {
				a.config &^= 0x8000 // reads 0 while it converts
				a.busy = true
				a.ready = a.now + time.Second/time.Duration(rate1115[a.config>>5&7])
			}
		} else if len(w) != 1 && len(w) != 3 {
			return fmt.Errorf("chip: ADS1115 takes one or three bytes, not %d", len(w))
		}
	}
	if len(r) == 0 {
		return nil
	}
	v := uint16(a.result)
	if a.ptr == 1 {
		v = a.config
	}
	switch a.fault {
	case AllZeros:
		v = 0
	case AllOnes:
		v = 0xFFFF
	}
	for i := range r {
		r[i] = byte(v >> (8 - 8*(i&1)))
	}
	return nil
}

// AmpInput is an AD8495 with its couple, at one input of an ADS1115.
type AmpInput struct {
	adc   *Ads1115
	volts float64
	fault Fault
}

// rail is how far the amplifier's output can go on a 3.3 V supply.
const rail = 3.28

// AD8495Volts is the output of an AD8495 with its reference at 0 V and the couple's hot end at hotC: 122.4·E_K + 2.6 mV (the gain and
// the offset of the maker's trim at 25 °C; the same model as the published table of ideal outputs).
func AD8495Volts(hotC float64) float64 {
	e, _ := emf.Type('K').Voltage(unit.Celsius(clamp(hotC, -270, 1372)))
	return (122.4*e + 2.6) / 1000
}

// Advance lets time pass until now, with the couple's hot end at hotC. The amplifier compensates its own cold end.
func (p *AmpInput) Advance(now time.Duration, hotC, coldC float64) {
	switch p.fault {
	case Open, ShortSupply:
		p.volts = rail // an open couple drives the output to the upper rail
	case ShortGround:
		p.volts = 0
	case Reversed:
		p.volts = clamp(AD8495Volts(2*coldC-hotC), 0.0, rail)
	default:
		p.volts = clamp(AD8495Volts(hotC), 0.0, rail)
	}
	p.adc.advance(now)
}

// Inject puts a fault on the couple, or, for faults of the bus, on the whole converter.
func (p *AmpInput) Inject(f Fault) {
	switch f {
	case Dead, AllZeros, AllOnes, FrozenFrame:
		p.adc.fault = f
	case ResetChip:
		p.adc.config, p.adc.busy = reset1115, false
	default:
		p.fault, p.adc.fault = f, None
	}
}
