// Package max31855 reads a thermocouple through a Maxim MAX31855 over SPI. It reads; it never judges how fast a board may
// heat or whether heat must stop.
//
// The chip converts by a straight line through 0 °C and 1000 °C and so reads 2.4 to 3.7 °C low between 217 and 300 °C,
// where solder melts. Read undoes that: it works out the voltage that the chip must have seen and converts it by the
// ITS-90 reference function (package emf).
//
// The chip cannot be written to and has no identity, so that a dead data line is told from an answer by content
// alone: all zeros (0 °C at a chip of exactly 0 °C) and all ones are never believed. It does not report every short to
// ground either; a plausible room temperature is no proof that the couple is connected.
//
// # Datasheet
//
// Maxim 19-5793, "MAX31855 cold-junction compensated thermocouple-to-digital converter".
package max31855
