package gpiochip

import (
	"bytes"
	"encoding/binary"
	"time"
)

// Requests to the kernel. 'B' << 8 | number, the size of the argument at bit 16, read/write at bit 30.
const (
	getChipInfo = 0x8044B401 // out: chipInfo
	getLineInfo = 0xC100B405 // in: offset; out: lineInfo
	getLine     = 0xC250B407 // in: line request; out: its file descriptor
	getValues   = 0xC010B40E // in: mask; out: bits
	setValues   = 0xC010B40F // in: bits and mask
)

// Sizes of the arguments, B.
const (
	chipInfoSize = 68
	lineInfoSize = 256
	requestSize  = 592
	valuesSize   = 16
	nameSize     = 32 // of every name, with its closing zero
)

// Flags of a line, in both directions.
const (
	flagUsed         = 1 << 0
	flagActiveLow    = 1 << 1
	flagInput        = 1 << 2
	flagOutput       = 1 << 3
	flagOpenDrain    = 1 << 6
	flagPullUp       = 1 << 8
	flagPullDown     = 1 << 9
	flagBiasDisabled = 1 << 10
)

// What an attribute of a request carries.
const (
	attrOutputValues = 2
	attrDebounce     = 3 // µs
)

// Places in a line request. The kernel's structures have no padding that a compiler chooses.
const (
	atOffsets  = 0   // 64 × uint32
	atConsumer = 256 // 32 bytes
	atFlags    = 288 // uint64
	atNumAttrs = 296 // uint32, then 20 bytes that must be zero
	atAttrs    = 320 // 10 × (id uint32, zero uint32, value uint64, mask uint64)
	atNumLines = 560 // uint32, then 24 bytes: event buffer, padding
	atFD       = 588 // int32
)

// native is the byte order of the machine: the kernel's structures are not a wire format.
var native = binary.NativeEndian

// request describes one line that is asked for.
type request struct {
	offset   uint32
	flags    uint64
	initial  bool          // of an output: its first level
	debounce time.Duration // of an input: 0 for none
}

// encode lays the request out as the kernel reads it. An output always carries its first level.
func (r request) encode() []byte {
	b := make([]byte, requestSize)
	native.PutUint32(b[atOffsets:], r.offset)
	copy(b[atConsumer:atConsumer+nameSize-1], consumer)
	native.PutUint64(b[atFlags:], r.flags)
	native.PutUint32(b[atNumLines:], 1)
	attr := b[atAttrs:]
	switch {
	case r.flags&flagOutput != 0:
		native.PutUint32(b[atNumAttrs:], 1)
		native.PutUint32(attr, attrOutputValues)
		if r.initial {
			native.PutUint64(attr[8:], 1)
		}
		native.PutUint64(attr[16:], 1) // the first line of the request, which is the only one
	case r.debounce > 0:
		native.PutUint32(b[atNumAttrs:], 1)
		native.PutUint32(attr, attrDebounce)
		native.PutUint32(attr[8:], uint32(r.debounce.Microseconds())) // the first half of a union
		native.PutUint64(attr[16:], 1)
	}
	native.PutUint32(b[atFD:], ^uint32(0)) // no descriptor: a kernel that fills nothing in is found out
	return b
}

// granted returns the file descriptor of a request that the kernel has answered.
func granted(b []byte) int { return int(int32(native.Uint32(b[atFD:]))) }

// text reads a name up to its closing zero.
func text(b []byte) string {
	if i := bytes.IndexByte(b, 0); i >= 0 {
		b = b[:i]
	}
	return string(b)
}

func decodeLine(b []byte) Line {
	flags := native.Uint64(b[72:])
	l := Line{
		Name: text(b[0:nameSize]), Consumer: text(b[nameSize : 2*nameSize]), Offset: int(native.Uint32(b[64:])),
		Used: flags&flagUsed != 0, Output: flags&flagOutput != 0, ActiveLow: flags&flagActiveLow != 0,
	}
	switch {
	case flags&flagPullUp != 0:
		l.Bias = PullUp
	case flags&flagPullDown != 0:
		l.Bias = PullDown
	case flags&flagBiasDisabled != 0:
		l.Bias = NoPull
	}
	return l
}
