package ads1115

import (
	"errors"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
)

// busy is bit OS of the configuration register. Read, it is 0 while a conversion runs; written, 1 starts one.
const busy = 0x8000

// errStarted ends periph's transaction after it has started a conversion. It never leaves this package.
var errStarted = errors.New("conversion started")

// starter is the bus that periph's driver sees.
type starter struct {
	bus    i2c.Bus
	config uint16 // as last written
}

// String returns the name of the real bus.
func (s *starter) String() string { return s.bus.String() }

// SetSpeed is the real bus's business.
func (s *starter) SetSpeed(f physic.Frequency) error { return s.bus.SetSpeed(f) }

// Tx passes a transaction on. If it was a write to the configuration register that worked, it says so by errStarted.
func (s *starter) Tx(addr uint16, w, r []byte) error {
	if err := s.bus.Tx(addr, w, r); err != nil {
		return err
	}
	if len(w) == 3 && w[0] == 1 {
		s.config = uint16(w[1])<<8 | uint16(w[2])
		return errStarted
	}
	return nil
}
