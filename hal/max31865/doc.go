// Package max31865 reads platinum resistance thermometers, Pt100 and Pt1000, through a Maxim MAX31865 over SPI. It reads; it never
// judges how fast a board may heat or whether heat must stop.
//
// The chip gives the ratio of the element's resistance to that of a reference resistor in steps of 1/32768; for a Pt100 with 430 Ω
// that is 0.034 °C. Temperature comes from it by the Callendar–Van Dusen equation of IEC 60751. With two wires the leads are measured
// too: tell LeadOhms.
//
// # A conversion at a time
//
// By default each Read collects the conversion that the one before has started, after the chip has said that it is done, and
// starts the next. So no reading can be a repetition, and the element carries current only while it is converted for. With
// Auto the chip converts by itself every 20 ms and does not say when.
//
// Once a second the time of one conversion goes to the chip's own search for broken and shorted wires, which it does in less than
// a millisecond. What it finds stands until a later search finds nothing.
//
// # A chip that has lost itself
//
// Each Read fetches the configuration together with the result, eight registers in one transaction. A chip that woke from a
// brown-out does not convert and has other thresholds; that is reported and not mended. Configure mends it.
//
// # Datasheet
//
// Maxim 19-6478, "MAX31865 RTD-to-digital converter": register map, times and fault bits from memory.
package max31865
