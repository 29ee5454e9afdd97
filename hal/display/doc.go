// Package display shows a few words on a small screen at the machine: what state it is in. It shows what it is given, on whoever's
// time is left: a screen that is slow, dead or not there changes nothing else, and nothing on it is needed to be safe.
//
// The screen has an SSD1306 on I²C, 128×64 or 128×32, driven by periph's driver of that name. That sends all that has changed at once,
// which for a whole screen at 100 kHz keeps the bus for 95 ms. So what it is given is changed bit by bit: a chunk of 16 columns
// in one page in each Poll, 24 bytes on the bus, 2.2 ms at 100 kHz. Between two chunks others may have the bus. A whole screen
// takes 64 polls, a changed word a few.
//
// After a failure the screen is left alone for some seconds, then set up anew; and so it is once a minute, since it does not
// tell when it has lost its picture. Setting up is one transaction, 34 bytes on the bus, 3.1 ms at 100 kHz. The picture that periph sends after that, all of it
// at once, is kept from the bus: it is the negative of the one that is wanted, so that all of that follows in chunks.
//
// periph's driver allocates memory. Poll is for a goroutine that may do that, not for the control loop's tick.
package display
