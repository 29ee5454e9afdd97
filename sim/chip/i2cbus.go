package chip

import (
	"fmt"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
)

// i2cChip answers one I²C transaction: what is written up to the repeated start, then what is read.
type i2cChip interface {
	tx(w, r []byte) error
	// addresses are those that the chip's pins can be wired to.
	addresses() (kind string, low, high uint16)
}

// I2CBus is an emulated I²C bus. One goroutine uses it.
type I2CBus struct {
	name    string
	devices [128]i2cChip
}

// NewI2CBus returns an empty bus.
func NewI2CBus(name string) *I2CBus { return &I2CBus{name: name} }

// String returns the name of the bus.
func (b *I2CBus) String() string { return b.name }

// SetSpeed accepts every speed a bus can have.
func (b *I2CBus) SetSpeed(physic.Frequency) error { return nil }

// Tx is one transaction. It fails when nobody has the address.
func (b *I2CBus) Tx(addr uint16, w, r []byte) error {
	if int(addr) >= len(b.devices) || b.devices[addr] == nil {
		return errDead
	}
	return b.devices[addr].tx(w, r)
}

// Add puts one of this package's chips on the bus, at an address that its pins allow and that nobody has yet.
func (b *I2CBus) Add(addr uint16, c i2cChip) error {
	kind, low, high := c.addresses()
	if !(addr >= low && addr <= high) {
		return fmt.Errorf("%s: address is %#02x; %s can have %#02x to %#02x", b.name, addr, kind, low, high)
	}
	if b.devices[addr] != nil {
		return fmt.Errorf("%s: address %#02x is taken", b.name, addr)
	}
	b.devices[addr] = c
	return nil
}

var _ i2c.Bus = (*I2CBus)(nil)
