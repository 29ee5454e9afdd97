package cuse

import (
	"bytes"
	"encoding/binary"
	"errors"
	"testing"

	"golang.org/x/sys/unix"
	"periph.io/x/conn/v3"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"
)

// caller is a program's memory and the kernel between it and a handler: it does what fs/fuse/file.c does with an unrestricted ioctl, and
// counts how often it was asked.
type caller struct {
	t      *testing.T
	memory []byte // an address is an index
	asked  int
}

func (c *caller) ioctl(h Handler, cmd uint32, arg uint64) (int32, unix.Errno) {
	c.t.Helper()
	call := Call{Cmd: cmd, Arg: arg}
	var writes []Piece
	for c.asked = 1; c.asked < 6; c.asked++ {
		r := h.Ioctl(call)
		if !r.Again {
			at := 0
			for _, p := range writes {
				at += copy(c.memory[p.At:p.At+uint64(p.Len)], r.Data[min(at, len(r.Data)):])
			}
			return r.Value, r.Errno
		}
		call.In, call.Out = nil, 0
		for _, p := range r.Reads {
			call.In = append(call.In, c.memory[p.At:p.At+uint64(p.Len)]...)
		}
		writes = r.Writes
		for _, p := range writes {
			call.Out += p.Len
		}
	}
	c.t.Fatal("the handler asks for memory without end")
	return 0, 0
}

func (c *caller) put(at int, b []byte) { copy(c.memory[at:], b) }

// echo is a chip that answers each byte with its complement.
type echo struct {
	mode  spi.Mode
	speed physic.Frequency
	joins int
	log   [][]byte
	err   error
}

func (e *echo) Connect(f physic.Frequency, m spi.Mode, _ int) (spi.Conn, error) {
	e.joins++
	e.mode, e.speed = m, f
	return e, nil
}
func (e *echo) String() string               { return "echo" }
func (e *echo) Duplex() conn.Duplex          { return conn.Full }
func (e *echo) TxPackets([]spi.Packet) error { return nil }
func (e *echo) Tx(w, r []byte) error {
	e.log = append(e.log, bytes.Clone(w))
	for i := range r {
		r[i] = ^w[i]
	}
	return e.err
}

func quiet() {}

// transfer composes a struct spi_ioc_transfer (uapi/linux/spi/spidev.h).
func transfer(tx, rx uint64, n int, speed uint32, release byte) []byte {
	b := make([]byte, 32)
	le := binary.LittleEndian
	le.PutUint64(b, tx)
	le.PutUint64(b[8:], rx)
	le.PutUint32(b[16:], uint32(n))
	le.PutUint32(b[20:], speed)
	b[26] = release
	return b
}

// Numbers as a C program gets them from the header: _IOW('k', nr, size).
func iow(nr, size uint32) uint32 { return 1<<30 | size<<16 | 'k'<<8 | nr }
func ior(nr, size uint32) uint32 { return 2<<30 | size<<16 | 'k'<<8 | nr }

func TestATransferIsOneTransactionWithTheChip(t *testing.T) {
	e := &echo{}
	s := &SPI{Port: e, Lock: quiet, Unlock: quiet}
	c := &caller{t: t, memory: make([]byte, 1024)}
	c.put(8, []byte{1})
	if _, errno := c.ioctl(s, iow(1, 1), 8); errno != 0 {
		t.Fatal(errno)
	}
	c.put(100, []byte{0x80, 0x12, 0x34})
	c.put(16, transfer(100, 200, 3, 2_000_000, 0))
	n, errno := c.ioctl(s, iow(0, 32), 16)
	if errno != 0 || n != 3 {
		t.Fatalf("%d, %v", n, errno)
	}
	if got := c.memory[200:203]; !bytes.Equal(got, []byte{0x7f, 0xed, 0xcb}) {
		t.Errorf("received % x", got)
	}
	if e.mode != spi.Mode1 || e.speed != 2*physic.MegaHertz || c.asked != 3 {
		t.Errorf("mode %v at %v, asked %d times", e.mode, e.speed, c.asked)
	}
}

func TestTransfersAreJoinedUnlessChipSelectIsReleased(t *testing.T) {
	for _, v := range []struct {
		release byte
		want    int
	}{{0, 1}, {1, 2}} {
		e := &echo{}
		s := &SPI{Port: e, Lock: quiet, Unlock: quiet}
		c := &caller{t: t, memory: make([]byte, 1024)}
		c.put(100, []byte{1, 2, 3})
		c.put(16, append(transfer(100, 0, 1, 1e6, v.release), transfer(101, 200, 2, 1e6, 0)...))
		if _, errno := c.ioctl(s, iow(0, 64), 16); errno != 0 {
			t.Fatal(errno)
		}
		if len(e.log) != v.want || !bytes.Equal(c.memory[200:202], []byte{^byte(2), ^byte(3)}) {
			t.Errorf("release %d: %d transactions, received % x", v.release, len(e.log), c.memory[200:202])
		}
	}
}

func TestReadingAndWritingAloneWork(t *testing.T) {
	e := &echo{}
	s := &SPI{Port: e, Lock: quiet, Unlock: quiet}
	c := &caller{t: t, memory: make([]byte, 1024)}
	c.put(16, transfer(0, 200, 4, 1e6, 0))
	if _, errno := c.ioctl(s, iow(0, 32), 16); errno != 0 || !bytes.Equal(c.memory[200:204], []byte{255, 255, 255, 255}) {
		t.Errorf("% x, %v", c.memory[200:204], errno)
	}
	c.put(100, []byte{9})
	c.put(16, transfer(100, 0, 1, 1e6, 0))
	if _, errno := c.ioctl(s, iow(0, 32), 16); errno != 0 || !bytes.Equal(e.log[1], []byte{9}) {
		t.Errorf("%v, %v", e.log, errno)
	}
}

func TestWhatSpidevRefusesIsRefused(t *testing.T) {
	e := &echo{}
	s := &SPI{Port: e, Lock: quiet, Unlock: quiet}
	c := &caller{t: t, memory: make([]byte, 8192)}
	c.put(8, []byte{0x40}) // a mode bit that no chip of ours knows
	if _, errno := c.ioctl(s, iow(1, 1), 8); errno != unix.EINVAL {
		t.Errorf("mode: %v", errno)
	}
	c.put(8, []byte{16})
	if _, errno := c.ioctl(s, iow(3, 1), 8); errno != unix.EINVAL {
		t.Errorf("bits: %v", errno)
	}
	c.put(16, transfer(100, 0, bufsiz+1, 1e6, 0))
	if _, errno := c.ioctl(s, iow(0, 32), 16); errno != unix.EMSGSIZE {
		t.Errorf("length: %v", errno)
	}
	if _, errno := c.ioctl(s, iow(0, 31), 16); errno != unix.EINVAL {
		t.Errorf("half a transfer: %v", errno)
	}
	if _, errno := c.ioctl(s, 0x5401, 16); errno != unix.ENOTTY {
		t.Errorf("a terminal's ioctl: %v", errno)
	}
	e.err = errors.New("dead")
	c.put(16, transfer(100, 0, 1, 1e6, 0))
	if _, errno := c.ioctl(s, iow(0, 32), 16); errno != unix.EIO {
		t.Errorf("a dead chip: %v", errno)
	}
	if _, errno := c.ioctl(s, ior(3, 1), 8); errno != 0 || c.memory[8] != 8 {
		t.Errorf("bits read back: %d, %v", c.memory[8], errno)
	}
}

// message composes a struct i2c_msg (uapi/linux/i2c.h).
func message(addr, flags uint16, n int, at uint64) []byte {
	b := make([]byte, 16)
	le := binary.LittleEndian
	le.PutUint16(b, addr)
	le.PutUint16(b[2:], flags)
	le.PutUint16(b[4:], uint16(n))
	le.PutUint64(b[8:], at)
	return b
}

func (c *caller) rdwr(b *I2C, messages ...[]byte) (int32, unix.Errno) {
	head := make([]byte, 16)
	binary.LittleEndian.PutUint64(head, 64)
	binary.LittleEndian.PutUint32(head[8:], uint32(len(messages)))
	c.put(16, head)
	c.put(64, bytes.Join(messages, nil))
	return c.ioctl(b, i2cRdwr, 16)
}

func TestAWriteWithAReadBehindItIsOneTransaction(t *testing.T) {
	calls := 0
	b := &I2C{Lock: quiet, Unlock: quiet, Tx: func(addr uint16, w, r []byte) error {
		calls++
		if addr != 0x48 || !bytes.Equal(w, []byte{1}) || len(r) != 2 {
			t.Errorf("%#x % x, %d", addr, w, len(r))
		}
		copy(r, []byte{0xAB, 0xCD})
		return nil
	}}
	c := &caller{t: t, memory: make([]byte, 1024)}
	c.put(300, []byte{1})
	n, errno := c.rdwr(b, message(0x48, 0, 1, 300), message(0x48, 1, 2, 400))
	if errno != 0 || n != 2 || calls != 1 || !bytes.Equal(c.memory[400:402], []byte{0xAB, 0xCD}) {
		t.Errorf("%d, %v, %d transactions, % x", n, errno, calls, c.memory[400:402])
	}
}

func TestNobodyAtAnAddressIsNoSuchDevice(t *testing.T) {
	b := &I2C{Lock: quiet, Unlock: quiet, Tx: func(uint16, []byte, []byte) error { return errors.New("nobody") }}
	c := &caller{t: t, memory: make([]byte, 1024)}
	if _, errno := c.rdwr(b, message(0x20, 0, 1, 300)); errno != unix.ENXIO {
		t.Errorf("%v", errno)
	}
	if _, errno := c.rdwr(b); errno != unix.EINVAL {
		t.Errorf("no message at all: %v", errno)
	}
	if _, errno := c.ioctl(b, i2cFuncs, 500); errno != 0 || c.memory[500] != i2cFuncPlain {
		t.Errorf("functions %d, %v", c.memory[500], errno)
	}
	if _, errno := c.ioctl(b, i2cSlave, 0x48); errno != 0 {
		t.Errorf("address: %v", errno)
	}
	if _, errno := c.ioctl(b, 0x0720, 0); errno != unix.ENOTTY {
		t.Errorf("SMBus: %v", errno)
	}
}

func TestATornRequestIsRefused(t *testing.T) {
	whole := make([]byte, inHeaderSize+ioctlInSize)
	binary.LittleEndian.PutUint32(whole, uint32(len(whole)))
	binary.LittleEndian.PutUint32(whole[4:], opIoctl)
	r, err := parse(whole)
	if err != nil || r.op != opIoctl {
		t.Fatalf("%+v, %v", r, err)
	}
	if _, err := parse(whole[:50]); err == nil {
		t.Error("half a request was taken")
	}
	binary.LittleEndian.PutUint32(r.body[24:], 1) // promises a byte that is not there
	if _, err := ioctlCall(r.body); err == nil {
		t.Error("an ioctl that promises more than it brings was taken")
	}
}

// TestTheAnswersHaveTheKernelsLayout compares with uapi/linux/fuse.h: an error stands alone and negative; a retry is 16 bytes and
// then 16 for each piece, those to read before those to write.
func TestTheAnswersHaveTheKernelsLayout(t *testing.T) {
	le := binary.LittleEndian
	a := answer(7, unix.EIO, []byte{1, 2})
	if len(a) != 16 || le.Uint32(a) != 16 || int32(le.Uint32(a[4:])) != -5 || le.Uint64(a[8:]) != 7 {
		t.Errorf("% x", a)
	}
	b := ioctlBody(Result{Again: true, Reads: []Piece{{0x1000, 4}}, Writes: []Piece{{0x2000, 8}}})
	if len(b) != 48 || le.Uint32(b[4:]) != retry || le.Uint32(b[8:]) != 1 || le.Uint32(b[12:]) != 1 || le.Uint64(b[16:]) != 0x1000 || le.Uint64(b[40:]) != 8 {
		t.Errorf("% x", b)
	}
	i := initBody("spidev0.0")
	if len(i) != 72+len("DEVNAME=spidev0.0")+1 || le.Uint32(i) != 7 || i[len(i)-1] != 0 {
		t.Errorf("% x", i)
	}
}
