// Package max31856 reads a thermocouple through a Maxim MAX31856 over SPI. It reads; it never judges how fast a board may
// heat or whether heat must stop.
//
// The chip linearizes by itself. What needs care is its state: after power-up it converts nothing, does not look for an
// open couple and masks every fault, so that a brown-out turns it into a chip that answers and measures nothing. The
// driver writes the whole configuration, reads it back, and does so again every second. What it finds lost it reports
// and does not mend: Configure does, when whoever is responsible for the heat says so.
//
// Under over- or undervoltage at its input the chip stops converting and keeps its last result. The status register is
// therefore read with every result, and a result beside such a status is never used.
//
// # Datasheet
//
// Maxim 19-7534, "MAX31856 precision thermocouple to digital converter with linearization".
package max31856
