// Package guest holds what the host and the emulated guest of the rig must agree on: the names of lines and nodes, and the
// lines by which the guest tells what came out. It does nothing by itself.
//
// The rig is a Linux kernel in software emulation, with GPIO lines from the kernel's own simulator and SPI and I²C nodes that
// the chip models of sim/chip answer. What drives a real machine drives this one through the same device nodes. The kernel's trace of
// every call to a line is the witness, so that no promise rests on what the program says of itself.
//
// The rig proves the way from the program to the kernel's interface: requests and their order, levels, errors, vanished nodes, latencies
// on an emulated clock. It proves nothing about electricity, bus timing, or what a certain board does with a line that is let go.
package guest
