package haltest

import (
	"errors"

	"periph.io/x/conn/v3"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"
)

// Player is an SPI port and the connection to it, behind which there is no chip but a function: the bytes a driver sees
// can be ones that no chip would send. The zero value answers zeros.
type Player struct {
	// Answer fills r, which is cleared beforehand. w is what the driver sent.
	Answer func(w, r []byte) error
}

// Connect returns the player itself, whatever is asked for.
func (p *Player) Connect(physic.Frequency, spi.Mode, int) (spi.Conn, error) { return p, nil }

// String names the port.
func (p *Player) String() string { return "player" }

// Duplex is that of SPI.
func (p *Player) Duplex() conn.Duplex { return conn.Full }

// Tx asks Answer.
func (p *Player) Tx(w, r []byte) error {
	clear(r)
	if p.Answer == nil {
		return nil
	}
	return p.Answer(w, r)
}

// TxPackets is refused: none of our drivers needs it.
func (p *Player) TxPackets([]spi.Packet) error {
	return errors.New("player: packets are not supported")
}

// I2CPlayer is the same for an I²C bus, on which the function plays every address.
type I2CPlayer struct {
	Answer func(addr uint16, w, r []byte) error
}

// String names the bus.
func (p *I2CPlayer) String() string { return "player" }

// SetSpeed accepts every speed.
func (p *I2CPlayer) SetSpeed(physic.Frequency) error { return nil }

// Tx asks Answer.
func (p *I2CPlayer) Tx(addr uint16, w, r []byte) error {
	clear(r)
	if p.Answer == nil {
		return nil
	}
	return p.Answer(addr, w, r)
}

var (
	_ spi.Port = (*Player)(nil)
	_ spi.Conn = (*Player)(nil)
	_ i2c.Bus  = (*I2CPlayer)(nil)
)
