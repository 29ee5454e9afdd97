// Package gpiochip requests single lines of Linux GPIO chips from the kernel: outputs that begin at a level of our choosing and are
// never anything but outputs, and inputs. It decides nothing, and looking for a line (Find, List) touches none.
//
// It exists because three things that a general library does are not allowed on a line that holds a heater relay. All three were seen in
// the kernel's own trace with periph's character-device driver: the first high drives the line low before, because the request carries
// no value; reading an output makes it an input with pull-up; asking for its function does the same. Here the request and the first level
// are one call to the kernel, and an Out has nothing to read.
//
// Lines are named by the label of their chip and their own name ("pinctrl-bcm2711/GPIO17"), because the numbers behind /dev/gpiochip
// depend on which driver came up first.
//
// # What the kernel does not promise
//
// What a line does after its owner has gone is the chip driver's business. Most leave it as it was; a killed program then leaves a relay
// on until something else drops it. The one-shot behind the heartbeat is for that. Whether a chip really has the pull resistors that
// are asked for is not told either. Use resistors where a level matters before the program runs.
//
// # Sources
//
// Layouts, flags and ioctl numbers: linux/gpio.h of Linux 5.10, where version 2 of this interface came in; the layouts are compared in a
// test with those that golang.org/x/sys generates from the header.
package gpiochip
