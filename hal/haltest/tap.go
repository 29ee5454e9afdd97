package haltest

import (
	"sync"

	"periph.io/x/conn/v3"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"
)

// Tap is a bus with somebody listening: everything goes through to the real or emulated one, is counted, and may be held up or
// refused. Either I2C or SPI is set. It may be used by several goroutines.
type Tap struct {
	I2C i2c.Bus
	SPI spi.Port

	mu    sync.Mutex
	conn  spi.Conn
	count int
	bytes int
	log   [][]byte
	keep  bool
	// Before, if set, is called before each transaction, outside any lock; an error is what the transaction ends with.
	before func() error
}

// Before has f called before each transaction. What it returns, unless nil, is what the transaction ends with.
func (p *Tap) Before(f func() error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.before = f
}

// Traffic returns how many transactions there were since it was last asked, and how many bytes stood on the wires, addresses of
// an I²C bus included.
func (p *Tap) Traffic() (transactions, bytes int) {
	p.mu.Lock()
	defer p.mu.Unlock()
	transactions, bytes = p.count, p.bytes
	p.count, p.bytes = 0, 0
	return transactions, bytes
}

// Listen keeps what is written from now on, for Written.
func (p *Tap) Listen() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.keep, p.log = true, nil
}

// Written returns what was written in each transaction since Listen.
func (p *Tap) Written() [][]byte {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.log
}

func (p *Tap) pass(w []byte, bytes int) error {
	p.mu.Lock()
	p.count++
	p.bytes += bytes
	if p.keep {
		p.log = append(p.log, append([]byte(nil), w...))
	}
	before := p.before
	p.mu.Unlock()
	if before == nil {
		return nil
	}
	return before()
}

// String names the bus behind.
func (p *Tap) String() string {
	if p.I2C != nil {
		return p.I2C.String()
	}
	return p.SPI.String()
}

// SetSpeed is the business of the bus behind.
func (p *Tap) SetSpeed(f physic.Frequency) error { return p.I2C.SetSpeed(f) }

// Connect connects the port behind. A second time it is another program's start, on the same connection.
func (p *Tap) Connect(f physic.Frequency, m spi.Mode, bits int) (spi.Conn, error) {
	if p.conn != nil {
		return (*tapped)(p), nil
	}
	c, err := p.SPI.Connect(f, m, bits)
	if err != nil {
		return nil, err
	}
	p.conn = c
	return (*tapped)(p), nil
}

// Tx is one transaction on the I²C bus.
func (p *Tap) Tx(addr uint16, w, r []byte) error {
	n := len(w) + len(r)
	if len(w) > 0 {
		n++
	}
	if len(r) > 0 {
		n++
	}
	if err := p.pass(w, n); err != nil {
		return err
	}
	return p.I2C.Tx(addr, w, r)
}

// tapped is a connected port.
type tapped Tap

func (c *tapped) String() string                  { return c.conn.String() }
func (c *tapped) Duplex() conn.Duplex             { return c.conn.Duplex() }
func (c *tapped) TxPackets(ps []spi.Packet) error { return c.conn.TxPackets(ps) }
func (c *tapped) Tx(w, r []byte) error {
	if err := (*Tap)(c).pass(w, max(len(w), len(r))); err != nil {
		return err
	}
	return c.conn.Tx(w, r)
}

var (
	_ spi.Port = (*Tap)(nil)
	_ i2c.Bus  = (*Tap)(nil)
)
