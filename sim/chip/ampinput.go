package chip

import (
	"time"

	"trivet/hal/emf"
)

// AD8495Volts returns what an ideal AD8495 puts out for a type K junction at hotC °C, reference pin at ground, in volts.
// V = 122.4·E_K + 2.6 mV: gain and trim are from memory of the datasheet, whose printed table they give to the millivolt.
func AD8495Volts(hotC float64) float64 { return amplified(volts(emf.Type('K'), hotC)) }

// amplified is the output in volts for an input of so many mV, cold junction already made up for.
func amplified(mV float64) float64 { return (122.4*mV + 2.6) / 1000 }

// How close the output comes to its rails, in volts (datasheet from memory).
const (
	aboveGround = 0.025
	belowSupply = 0.1
)

// AmpInput is one AD8495 with its couple on one input of an ADS1115. Its cold-junction compensation is ideal.
//
// Open drives the output to the upper rail. ShortGround and ShortSupply lie on the signal line between the amplifier and
// the converter: a couple that is itself shorted reads as the amplifier's own temperature and cannot be told from a cold
// joint. Dead, AllZeros, AllOnes and ResetChip strike the whole converter.
type AmpInput struct {
	couple
	ads         *Ads1115
	channel     int
	ref, supply float64 // V
}

// An amplifier's wiring unless Wire says otherwise, in volts: reference pin at ground, as the plainest board has it.
const (
	defaultRef    = 0
	defaultSupply = 3.3
)

// Wire sets the voltages at the reference pin and at the supply and returns the amplifier. Allowed is a reference from 0 up
// to the supply, and that up to 6.144 V; what is not allowed leaves the wiring as it is.
func (i *AmpInput) Wire(ref, supply float64) *AmpInput {
	if ref >= 0 && ref < supply && supply <= 6.144 {
		i.ref, i.supply = ref, supply
	}
	return i
}

// At returns the converter and which of its inputs the amplifier is on.
func (i *AmpInput) At() (ads *Ads1115, input int) { return i.ads, i.channel }

// Inject puts a fault on, in place of the one before. None takes it off.
func (i *AmpInput) Inject(f Fault) {
	i.fault = f
	switch f {
	case Dead, AllZeros, AllOnes, ResetChip:
		i.ads.Inject(f)
		i.ads.by = i
	default:
		if i.ads.by == i { // do not take off what somebody else put on
			i.ads.Inject(None)
		}
	}
}

// Advance tells what the world is like now: the junction and the amplifier itself, in °C.
func (i *AmpInput) Advance(now time.Duration, hotC, coldC float64) {
	i.now, i.hot, i.cold = now, hotC, coldC
	i.ads.Advance(now)
	if i.fault == FrozenFrame {
		return // the voltage stays what it was
	}
	i.ads.SetVolts(i.channel, i.output())
}

func (i *AmpInput) output() float64 {
	switch i.fault {
	case Open:
		return i.supply - belowSupply
	case ShortGround:
		return 0
	case ShortSupply:
		return i.supply
	}
	// The amplifier adds what a couple at its own temperature would give: only the junction is left.
	v := i.ref + amplified(i.terminals()+volts(i.wire, i.cold))
	return max(aboveGround, min(v, i.supply-belowSupply))
}
