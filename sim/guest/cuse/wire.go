package cuse

import (
	"encoding/binary"
	"fmt"

	"golang.org/x/sys/unix"
)

// Numbers of the kernel's protocol (uapi/linux/fuse.h, version 7.31).
const (
	opOpen, opRead, opWrite, opRelease, opFsync, opFlush = 14, 15, 16, 18, 20, 25
	opInterrupt, opIoctl, opPoll, opInit                 = 36, 39, 40, 4096

	major, minor  = 7, 31
	unrestricted  = 1 << 0 // cuse_init: ioctls may name memory of the caller
	retry         = 1 << 2 // ioctl: ask again with these pieces of the caller's memory
	maxPieces     = 256    // FUSE_IOCTL_MAX_IOV
	inHeaderSize  = 40
	outHeaderSize = 16
	ioctlInSize   = 32
	maxData       = 128 << 10 // 32 pages: what one ioctl may carry
)

// request is what the kernel asks.
type request struct {
	op     uint32
	unique uint64
	body   []byte
}

// parse takes one request apart.
func parse(b []byte) (request, error) {
	le := binary.LittleEndian
	if len(b) < inHeaderSize || int(le.Uint32(b)) != len(b) {
		return request{}, fmt.Errorf("cuse: a request of %d bytes is torn", len(b))
	}
	return request{op: le.Uint32(b[4:]), unique: le.Uint64(b[8:]), body: b[inHeaderSize:]}, nil
}

// answer composes a reply. An error number other than 0 stands alone.
func answer(unique uint64, errno unix.Errno, body []byte) []byte {
	if errno != 0 {
		body = nil
	}
	out := make([]byte, outHeaderSize, outHeaderSize+len(body))
	le := binary.LittleEndian
	le.PutUint32(out, uint32(outHeaderSize+len(body)))
	le.PutUint32(out[4:], uint32(-int32(errno)))
	le.PutUint64(out[8:], unique)
	return append(out, body...)
}

// initBody is the reply to the first request: who we are and what the node is to be called.
func initBody(node string) []byte {
	b := make([]byte, 72)
	le := binary.LittleEndian
	le.PutUint32(b, major)
	le.PutUint32(b[4:], minor)
	le.PutUint32(b[12:], unrestricted)
	le.PutUint32(b[16:], maxData)
	le.PutUint32(b[20:], maxData)
	return append(b, "DEVNAME="+node+"\x00"...)
}

// Piece is a piece of the caller's memory.
type Piece struct {
	At  uint64
	Len int
}

// Call is one ioctl as far as it is known: the memory that was asked for comes with a later attempt.
type Call struct {
	Cmd uint32
	Arg uint64
	In  []byte // what was read from the caller's memory, piece after piece
	Out int    // how many bytes may be written to it
}

// Result is what becomes of a call: an error, a wish for memory (then the call comes again with it), or an answer with what is
// written into the caller's memory.
type Result struct {
	Errno  unix.Errno
	Again  bool
	Reads  []Piece
	Writes []Piece
	Value  int32
	Data   []byte
}

func ioctlCall(body []byte) (Call, error) {
	if len(body) < ioctlInSize {
		return Call{}, fmt.Errorf("cuse: an ioctl of %d bytes is torn", len(body))
	}
	le := binary.LittleEndian
	c := Call{Cmd: le.Uint32(body[12:]), Arg: le.Uint64(body[16:]), Out: int(le.Uint32(body[28:]))}
	in := int(le.Uint32(body[24:]))
	if in > len(body)-ioctlInSize {
		return Call{}, fmt.Errorf("cuse: an ioctl with %d bytes promises %d", len(body)-ioctlInSize, in)
	}
	c.In = body[ioctlInSize : ioctlInSize+in]
	return c, nil
}

// ioctlBody composes the reply to an ioctl.
func ioctlBody(r Result) []byte {
	b := make([]byte, 16, 16+len(r.Data)+16*(len(r.Reads)+len(r.Writes)))
	le := binary.LittleEndian
	if !r.Again {
		le.PutUint32(b, uint32(r.Value))
		return append(b, r.Data...)
	}
	le.PutUint32(b[4:], retry)
	le.PutUint32(b[8:], uint32(len(r.Reads)))
	le.PutUint32(b[12:], uint32(len(r.Writes)))
	for _, list := range [2][]Piece{r.Reads, r.Writes} {
		for _, p := range list {
			b = le.AppendUint64(b, p.At)
			b = le.AppendUint64(b, uint64(p.Len))
		}
	}
	return b
}
