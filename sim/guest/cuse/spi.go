package cuse

import (
	"encoding/binary"

	"golang.org/x/sys/unix"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"
)

// Ioctls of spidev (uapi/linux/spi/spidev.h): type 'k'; the number is in the low byte, the size of the argument in bits 16–29, the
// direction above.
const (
	spiType                                        = 'k'
	spiMessage, spiMode, spiLSB, spiBits, spiSpeed = 0, 1, 2, 3, 4
	spiMode32                                      = 5
	spiTransfer                                    = 32 // bytes of struct spi_ioc_transfer
	directionWrite, directionRead                  = 1, 2
	spiKnownModes                                  = 0x3  // CPHA and CPOL; periph also sets nothing else for a chip with four wires
	spiModeBits                                    = 0xff // what the one-byte form can say
	bufsiz                                         = 4096 // spidev's default
	spiDefaultSpeed                                = 500000
)

// SPI is a chip on a node of its own. Lock and Unlock are held around each transaction.
type SPI struct {
	Port interface {
		Connect(f physic.Frequency, mode spi.Mode, bits int) (spi.Conn, error)
	}
	Lock, Unlock func()

	mode   byte
	speed  uint32
	conn   spi.Conn
	joined spi.Mode
}

// Ioctl answers what a program asks of /dev/spidevB.C.
func (s *SPI) Ioctl(c Call) Result {
	number, size, dir := c.Cmd&0xff, int(c.Cmd>>16&0x3fff), c.Cmd>>30
	if c.Cmd>>8&0xff != spiType {
		return Result{Errno: unix.ENOTTY}
	}
	if number == spiMessage && dir == directionWrite {
		return s.message(c, size)
	}
	if dir == directionRead {
		if c.Out < size {
			return Result{Again: true, Writes: []Piece{{c.Arg, size}}}
		}
		return Result{Data: s.get(number, size)}
	}
	if len(c.In) < size {
		return Result{Again: true, Reads: []Piece{{c.Arg, size}}}
	}
	return Result{Errno: s.set(number, c.In)}
}

func (s *SPI) get(number uint32, size int) []byte {
	var v uint32
	switch number {
	case spiMode, spiMode32:
		v = uint32(s.mode)
	case spiBits:
		v = 8
	case spiSpeed:
		v = s.speed
	}
	return binary.LittleEndian.AppendUint32(nil, v)[:min(size, 4)]
}

func (s *SPI) set(number uint32, in []byte) unix.Errno {
	switch number {
	case spiMode, spiMode32:
		if in[0]&^spiKnownModes != 0 {
			return unix.EINVAL
		}
		s.mode = in[0]
	case spiBits:
		if in[0] != 8 && in[0] != 0 {
			return unix.EINVAL
		}
	case spiLSB:
		if in[0] != 0 {
			return unix.EINVAL
		}
	case spiSpeed:
		s.speed = binary.LittleEndian.Uint32(in)
	default:
		return unix.ENOTTY
	}
	return 0
}

// message is SPI_IOC_MESSAGE(n): an array of transfers, each naming two buffers. The first two attempts ask for them.
func (s *SPI) message(c Call, size int) Result {
	if size == 0 || size%spiTransfer != 0 {
		return Result{Errno: unix.EINVAL}
	}
	array := Piece{c.Arg, size}
	if len(c.In) < size {
		return Result{Again: true, Reads: []Piece{array}}
	}
	reads, writes := []Piece{array}, []Piece(nil)
	le := binary.LittleEndian
	need, out, total := size, 0, 0
	for at := 0; at < size; at += spiTransfer {
		t := c.In[at:]
		n := int(le.Uint32(t[16:]))
		if total += n; n > bufsiz || total > bufsiz {
			return Result{Errno: unix.EMSGSIZE}
		}
		if from := le.Uint64(t); from != 0 && n > 0 {
			reads, need = append(reads, Piece{from, n}), need+n
		}
		if to := le.Uint64(t[8:]); to != 0 && n > 0 {
			writes, out = append(writes, Piece{to, n}), out+n
		}
	}
	if len(c.In) != need || c.Out != out {
		return Result{Again: true, Reads: reads, Writes: writes}
	}
	data, errno := s.transfer(c.In[:size], c.In[size:])
	return Result{Errno: errno, Value: int32(total), Data: data}
}

// transfer does the transfers. Those joined without a release of chip select are one transaction to the chip.
func (s *SPI) transfer(array, sent []byte) ([]byte, unix.Errno) {
	le := binary.LittleEndian
	var received, w []byte
	type part struct{ from, n int }
	var wanted []part
	for at := 0; at < len(array); at += spiTransfer {
		t := array[at:]
		n := int(le.Uint32(t[16:]))
		from := len(w)
		w = append(w, make([]byte, n)...)
		if le.Uint64(t) != 0 && n > 0 {
			sent = sent[copy(w[from:], sent[:n]):]
		}
		if le.Uint64(t[8:]) != 0 && n > 0 {
			wanted = append(wanted, part{from, n})
		}
		if last := at+spiTransfer >= len(array); !last && t[26] == 0 { // cs_change: release chip select after this one
			continue
		}
		r := make([]byte, len(w))
		if errno := s.transact(w, r, le.Uint32(t[20:])); errno != 0 {
			return nil, errno
		}
		for _, p := range wanted {
			received = append(received, r[p.from:p.from+p.n]...)
		}
		w, wanted = w[:0], wanted[:0]
	}
	return received, 0
}

// transact is everything between two edges of chip select. A chip that understands neither mode nor clock does not answer.
func (s *SPI) transact(w, r []byte, speed uint32) unix.Errno {
	s.Lock()
	defer s.Unlock()
	if speed == 0 {
		speed = s.speed
	}
	if speed == 0 {
		speed = spiDefaultSpeed
	}
	if s.conn == nil {
		conn, err := s.Port.Connect(physic.Frequency(speed)*physic.Hertz, spi.Mode(s.mode), 8)
		if err != nil {
			return unix.EINVAL
		}
		s.conn, s.joined = conn, spi.Mode(s.mode)
	}
	if spi.Mode(s.mode) != s.joined {
		return unix.EINVAL
	}
	if err := s.conn.Tx(w, r); err != nil {
		return unix.EIO
	}
	return 0
}
