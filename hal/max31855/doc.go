// Package max31855 drives a MAX31855 thermocouple amplifier over SPI.
//
// The chip takes the couple's voltage for a straight line, so that between 217 °C and 300 °C its own figure for a type K couple
// is 2.4 to 3.7 °C too low. This driver undoes the line and applies the ITS-90 reference function.
//
// # Datasheet
//
// https://www.analog.com/media/en/technical-documentation/data-sheets/MAX31855.pdf
package max31855
