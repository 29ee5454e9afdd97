// Package hostbus opens the buses and lines of the computer that the program runs on, by the names of a machine file, and says what to do
// where one is missing. It moves nothing: what is on a bus, and what a line is for, is the caller's affair.
//
// SPI and I²C go through periph's drivers for Linux. That their initialisation returned no error says little: drivers that failed are only
// listed, so that Init puts the list into words. Lines never go through periph here, see package gpiochip.
package hostbus
