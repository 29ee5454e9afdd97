package cuse

import (
	"encoding/binary"

	"golang.org/x/sys/unix"
)

// Ioctls of i2c-dev (uapi/linux/i2c-dev.h, uapi/linux/i2c.h).
const (
	i2cRetries, i2cTimeout, i2cSlave, i2cTenBit = 0x0701, 0x0702, 0x0703, 0x0704
	i2cFuncs, i2cRdwr                           = 0x0705, 0x0707
	i2cFuncPlain                                = 1 // I2C_FUNC_I2C: whole messages, no SMBus
	i2cRead                                     = 1 // flag of a message
	i2cMaxMessages                              = 42
	i2cHead, i2cMessage                         = 16, 16 // bytes of struct i2c_rdwr_ioctl_data and struct i2c_msg
)

// I2C is a bus on one node. Tx is one transaction with the device at an address; its error means that nobody has acknowledged.
type I2C struct {
	Tx           func(addr uint16, w, r []byte) error
	Lock, Unlock func()
}

// Ioctl answers what a program asks of /dev/i2c-N.
func (b *I2C) Ioctl(c Call) Result {
	switch c.Cmd {
	case i2cRetries, i2cTimeout, i2cSlave, i2cTenBit:
		return Result{}
	case i2cFuncs:
		if c.Out < 8 {
			return Result{Again: true, Writes: []Piece{{c.Arg, 8}}}
		}
		return Result{Data: binary.LittleEndian.AppendUint64(nil, i2cFuncPlain)}
	case i2cRdwr:
		return b.rdwr(c)
	}
	return Result{Errno: unix.ENOTTY}
}

// rdwr is I2C_RDWR: a head names an array of messages, and each of these a buffer. Three attempts ask for all of it.
func (b *I2C) rdwr(c Call) Result {
	head := Piece{c.Arg, i2cHead}
	if len(c.In) < i2cHead {
		return Result{Again: true, Reads: []Piece{head}}
	}
	le := binary.LittleEndian
	n := int(le.Uint32(c.In[8:]))
	if n < 1 || n > i2cMaxMessages {
		return Result{Errno: unix.EINVAL}
	}
	array := Piece{le.Uint64(c.In), n * i2cMessage}
	if len(c.In) < i2cHead+array.Len {
		return Result{Again: true, Reads: []Piece{head, array}}
	}
	reads, writes := []Piece{head, array}, []Piece(nil)
	need, out := i2cHead+array.Len, 0
	messages := c.In[i2cHead : i2cHead+array.Len]
	for at := 0; at < len(messages); at += i2cMessage {
		p := Piece{le.Uint64(messages[at+8:]), int(le.Uint16(messages[at+4:]))}
		switch {
		case p.Len == 0:
		case le.Uint16(messages[at+2:])&i2cRead != 0:
			writes, out = append(writes, p), out+p.Len
		default:
			reads, need = append(reads, p), need+p.Len
		}
	}
	if len(c.In) != need || c.Out != out {
		return Result{Again: true, Reads: reads, Writes: writes}
	}
	data, errno := b.messages(messages, c.In[i2cHead+array.Len:])
	return Result{Errno: errno, Value: int32(n), Data: data}
}

// messages does the messages. A write with a read behind it to the same address is one transaction with a repeated start.
func (b *I2C) messages(array, sent []byte) ([]byte, unix.Errno) {
	b.Lock()
	defer b.Unlock()
	le := binary.LittleEndian
	var received []byte
	for at := 0; at < len(array); at += i2cMessage {
		addr := le.Uint16(array[at:])
		var w, r []byte
		take := func(m []byte) bool {
			n, read := int(le.Uint16(m[4:])), le.Uint16(m[2:])&i2cRead != 0
			if read {
				r = make([]byte, n)
			} else {
				w, sent = sent[:n], sent[n:]
			}
			return read
		}
		if read := take(array[at:]); !read && at+i2cMessage < len(array) {
			if next := array[at+i2cMessage:]; le.Uint16(next) == addr && le.Uint16(next[2:])&i2cRead != 0 {
				take(next)
				at += i2cMessage
			}
		}
		if err := b.Tx(addr, w, r); err != nil {
			return nil, unix.ENXIO
		}
		received = append(received, r...)
	}
	return received, 0
}
