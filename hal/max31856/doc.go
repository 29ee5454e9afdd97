// Package max31856 drives a MAX31856 thermocouple converter over SPI.
//
// The chip wakes up unsafe: it does not convert, does not look for an open couple, and masks every fault. New configures it, reads
// the configuration back, and Read does so again once a second, because a chip that lost its supply for a moment keeps answering
// with its last temperature.
//
// Two properties to know. An open couple is looked for once in 16 conversions, about every 1.6 s. An over- or under-voltage at the
// input stops all conversions and leaves the last temperature in the register; the status says so and Read never returns it.
//
// # Datasheet
//
// https://www.analog.com/media/en/technical-documentation/data-sheets/MAX31856.pdf
package max31856
