// Package ad8495 reads type K thermocouples through Analog Devices AD8495 amplifiers on the inputs of a Texas Instruments
// ADS1115 converter over I²C. It reads; it never judges how fast a board may heat or whether heat must stop.
//
// The converter is polled by package ads1115, one input per tick in turn. A sensed load current may share it with amplifiers.
//
// # The amplifier
//
// The output is 5 mV/°C only nominally. It is 122.4 times the voltage of a couple whose other end is at 0 °C, plus
// 2.6 mV, plus the voltage at the reference pin; Temperature inverts that with the reference function of type K (package
// emf). Read as 5 mV/°C it would be up to 0.94 °C off between 25 and 360 °C.
//
// An open couple drives the output to the upper rail. A couple that is shorted reads as the amplifier's own temperature,
// and nothing in this package can tell it from a cold joint. An output close to ground is reported as shorted to ground: that
// is what a missing supply and a shorted signal line give. With the reference pin at ground a junction below 5 °C looks the same.
//
// The converter's inputs stand no more than its own supply; an amplifier on a higher supply needs a divider or clamp. Wiring is
// the builder's responsibility, by the datasheets and the local electrical code.
//
// # Datasheets
//
// Analog Devices AD8494/AD8495/AD8496/AD8497, Rev. C; Texas Instruments ADS1115, SBAS444.
package ad8495
