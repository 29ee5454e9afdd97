// Package max6675 reads type K thermocouples through a Maxim MAX6675 over SPI. It reads; it never judges how fast a board may heat
// or whether heat must stop.
//
// The chip has steps of 0.25 °C from 0 to 1023.75 °C, a bit for an open couple, and nothing else: no temperature of its own, no
// bit for a couple that touches something. It suits a nozzle or an area; the joint that steers deserves better.
//
// # Not faster than it converts
//
// A transaction ends the conversion under way, which takes up to 0.22 s. Asked in every tick of 0.1 s the chip would repeat one
// value for ever and look well (hazard study, S-07). So Read goes to the bus only when Opts.Every has passed, also after a
// failure, and returns the last reading with its own time until then.
//
// # Its straight line
//
// The chip takes a couple for 41 µV/°C throughout, and adds its own temperature. Linearize undoes that by the reference function;
// read as it is, the value would be 2 °C off at 245 °C. It has to assume what the chip's own temperature is: 25 °C. At
// 45 °C that costs 0.1 °C, at 5 °C 0.45 °C (computed from the reference function).
//
// # Datasheet
//
// Maxim 19-2235, "MAX6675 cold-junction-compensated K-thermocouple-to-digital converter", from memory.
package max6675
