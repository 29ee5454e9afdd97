// Package expander is what all chips have in common that put outputs and inputs behind a bus. It keeps an image of what was asked
// for, writes it in one transaction, and asks the chip at every poll whether it still holds it. It decides nothing, and no line
// of it belongs on heat-enable or heartbeat: a bus that hangs must not hold the heat on.
//
// # Off first
//
// A fresh bank has no outputs. A line becomes one when somebody asks for it; then its level for off is written before its
// direction is, so that there is no moment in which it is driven on.
//
// # Off never waits
//
// Out is carried out at once, in one transaction for all lines, if it changes something; nothing is sent when it does not. A bank
// that gathers keeps what is switched on for Flush, so that a tick has one transaction; what is switched off is sent at once all the
// same, and takes along what was kept. Two goroutines may switch: the control loop, and the safety goroutine that switches off
// what the loop no longer does. Neither waits for the other's transaction. Whoever comes second leaves its wish in the image, which
// the first one writes before it lets go of the bus.
//
// # A chip that has lost itself
//
// After a brown-out an expander is in its reset state and answers as if nothing had happened (hazard study, B-04). Poll compares
// direction and latch with what they must be. When they differ the bank is lost: everything is asked to be off, nothing can be
// switched on, inputs read as inactive, and so it stays until Configure, which whoever is responsible for the heat calls when
// the trip is reset. A bus that fails takes the same away, but only until it works again.
package expander
