package unit

import "time"

// Quality says whether a reading may be believed, and if not, why not.
// The zero value is NotRead, so forgetting to fill in a reading can never look like a measurement.
type Quality uint8

// The qualities a reading can have. The words returned by String are stored and sent: do not rename them.
const (
	NotRead      Quality = iota // nothing has been read yet
	Good                        // may be used
	Open                        // thermocouple not connected
	ShortGround                 // thermocouple touches ground
	ShortSupply                 // thermocouple touches the supply
	NoAnswer                    // the chip did not answer, or answered with something it can never say (all zeros, all ones, reserved bits)
	Frozen                      // the chip repeats one raw value where noise or drive must have changed it
	Stale                       // the last good conversion is too old
	OutOfRange                  // outside what the chip or the couple can measure
	ColdJunction                // cold-junction temperature implausible, so the compensated value is worthless
	Implausible                 // moved faster than heat can move it
	qualities                   // how many there are
)

var qualityWords = [qualities]string{
	NotRead: "not_read", Good: "good", Open: "open", ShortGround: "short_to_ground", ShortSupply: "short_to_supply",
	NoAnswer: "no_answer", Frozen: "frozen", Stale: "stale", OutOfRange: "out_of_range",
	ColdJunction: "cold_junction", Implausible: "implausible",
}

// String returns the stable word used on the wire and in records.
func (q Quality) String() string {
	if q < qualities {
		return qualityWords[q]
	}
	return "unknown"
}

var qualityReasons = [qualities]string{
	NotRead: "nothing has been read yet", Good: "", Open: "the thermocouple is not connected",
	ShortGround: "the thermocouple touches ground", ShortSupply: "the thermocouple touches the supply",
	NoAnswer: "the amplifier does not answer", Frozen: "the amplifier repeats one value",
	Stale: "the last measurement is too old", OutOfRange: "the value is outside what can be measured",
	ColdJunction: "the cold-junction temperature is implausible", Implausible: "the value moved faster than heat can move it",
}

// Reason returns the quality as half a sentence for the operator; it is empty for Good.
func (q Quality) Reason() string {
	if q < qualities {
		return qualityReasons[q]
	}
	return "the quality is unknown"
}

// Reading is one measurement of one sensor: its quality first, and its number only to those who ask for both.
type Reading struct {
	Quality Quality
	At      time.Duration // monotonic, since the start of the process
	temp    Celsius
}

// Measured returns a good reading, or an out-of-range one if c cannot be a temperature near a rework heater.
// The bounds −55…1000 °C are a judgement: the coldest cold junction the amplifiers are rated for, and an element near burn-out.
func Measured(at time.Duration, c Celsius) Reading {
	if !(c >= -55 && c <= 1000) { // this way round NaN fails
		return Reading{Quality: OutOfRange, At: at}
	}
	return Reading{Quality: Good, At: at, temp: c}
}

// Unusable returns a reading that has a reason in place of a number.
func Unusable(at time.Duration, why Quality) Reading {
	if why == Good {
		why = NotRead // there is no good reading without a number
	}
	return Reading{Quality: why, At: at}
}

// Temp returns the temperature and whether it may be used.
func (r Reading) Temp() (Celsius, bool) { return r.temp, r.Quality == Good }

// Usable reports whether the reading carries a temperature.
func (r Reading) Usable() bool { return r.Quality == Good }
