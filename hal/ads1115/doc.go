// Package ads1115 polls up to four inputs of a Texas Instruments ADS1115 over I²C through periph's driver (package ads1x15)
// without ever waiting for a conversion. It knows volts; what a voltage means is known to whoever added the input.
//
// periph's driver starts a conversion, sleeps for about its length, and takes whatever then stands in the result register, which
// after a slow conversion is the previous input's. A sleep has no place in a control loop's tick, and the previous input's
// value even less. So periph composes the request (input, gain, rate) and sends it; the bus that this package gives it lets
// that transaction through and then ends it with a private error, so that the driver returns without sleeping. The next
// Poll reads the configuration register, checks that the conversion is done (bit OS) and that input and gain are those
// that were asked for, and only then reads the result.
//
// # Datasheet
//
// Texas Instruments ADS1115, SBAS444.
package ads1115
