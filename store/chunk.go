package store

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"math"
	"time"

	"trivet/process/unit"
	"trivet/station"
)

// maxChunk is how many samples one chunk holds. At 10 Hz and 48 columns that is 51 s in 127 kB: small enough that
// one damaged chunk costs little, large enough that a late writer can catch up in few transactions.
const maxChunk = 512

// chunk is a run of samples with consecutive numbers, as it lies in the database.
//
// data holds, all little-endian and without padding:
//
//	samples × int64            time since the run began, nanoseconds
//	columns × samples × float32 values, one column after the other; 0 where there is none
//	columns × samples × uint8   quality (unit.Quality), in the same order
//
// Columns lie together because that is how they are read and because neighbours in time resemble each other,
// which whatever compresses a backup likes. crc is CRC-32C (Castagnoli) over run, first, samples, columns and
// data, so that a chunk filed under the wrong run or number fails its check as well.
type chunk struct {
	run     int64
	first   uint64
	samples int
	columns int
	last    time.Duration
	crc     uint32
	data    []byte
}

// errDamaged says that a chunk is not what was written.
var errDamaged = errors.New("the chunk fails its check")

const bytesPerValue = 4 + 1

// pack cuts rows into chunks. Consecutive rows stay together; a hole in the numbers (samples lost before they got
// here) begins a new chunk, so a hole is always visible and never filled. Every row must have columns columns.
func pack(run int64, columns int, rows []station.Sample) ([]chunk, error) {
	var out []chunk
	for len(rows) > 0 {
		// How many rows from here on belong together.
		n := 1
		for n < len(rows) && n < maxChunk && rows[n].Seq == rows[n-1].Seq+1 {
			n++
		}
		c, err := packOne(run, columns, rows[:n])
		if err != nil {
			return nil, err
		}
		// A hole is honest; going back, or twice the same number, is a fault in the caller, and keeping it would make
		// the order of the record a matter of opinion.
		if rows = rows[n:]; len(rows) > 0 && rows[0].Seq <= c.first+uint64(n)-1 {
			return nil, fmt.Errorf("sample %d comes after sample %d; numbers must rise", rows[0].Seq, c.first+uint64(n)-1)
		}
		out = append(out, c)
	}
	return out, nil
}

func packOne(run int64, columns int, rows []station.Sample) (chunk, error) {
	n := len(rows)
	c := chunk{run: run, first: rows[0].Seq, samples: n, columns: columns, last: rows[n-1].At}
	// SQLite's integers are signed.
	if c.first > math.MaxInt64-uint64(n) {
		return chunk{}, fmt.Errorf("sample number %d is too large to be kept", c.first)
	}
	c.data = make([]byte, n*(8+columns*bytesPerValue))
	values, qualities := c.data[n*8:], c.data[n*(8+4*columns):]
	for i := range rows {
		r := &rows[i]
		if r.N != columns {
			return chunk{}, fmt.Errorf("sample %d has %d columns; this run has %d", r.Seq, r.N, columns)
		}
		binary.LittleEndian.PutUint64(c.data[i*8:], uint64(r.At))
		for k := range columns {
			v, q := r.Values[k], r.Quality[k]
			if q != unit.Good {
				v = 0 // whatever stands there is not a reading
			} else if f := float64(v); math.IsNaN(f) || math.IsInf(f, 0) {
				v, q = 0, unit.OutOfRange
			}
			binary.LittleEndian.PutUint32(values[(k*n+i)*4:], math.Float32bits(v))
			qualities[k*n+i] = byte(q)
		}
	}
	c.crc = c.sum()
	return c, nil
}

func (c *chunk) sum() uint32 {
	// Fixed widths and order: this layout is part of the format and must not change without a new schema version.
	var head [32]byte
	binary.LittleEndian.PutUint64(head[0:], uint64(c.run))
	binary.LittleEndian.PutUint64(head[8:], c.first)
	binary.LittleEndian.PutUint64(head[16:], uint64(c.samples))
	binary.LittleEndian.PutUint64(head[24:], uint64(c.columns))
	castagnoli := crc32.MakeTable(crc32.Castagnoli) // made once inside the standard library
	return crc32.Update(crc32.Checksum(head[:], castagnoli), castagnoli, c.data)
}

// unpack appends the chunk's samples to dst. It returns errDamaged, and dst as it was, for a chunk that is not what was
// written, whatever is wrong with it.
func (c *chunk) unpack(dst []station.Sample) ([]station.Sample, error) {
	n, columns := c.samples, c.columns
	// The sizes are judged before anything is reckoned from them, so a damaged count can neither overflow nor make us
	// reserve memory for rows that are not there.
	if !(n > 0 && n <= maxChunk && columns >= 0 && columns <= station.MaxChannels) ||
		len(c.data) != n*(8+columns*bytesPerValue) || c.sum() != c.crc {
		return dst, errDamaged
	}
	values, qualities := c.data[n*8:], c.data[n*(8+4*columns):]
	for i := range n {
		s := station.Sample{Seq: c.first + uint64(i), N: columns, At: time.Duration(binary.LittleEndian.Uint64(c.data[i*8:]))}
		for k := range columns {
			s.Values[k] = math.Float32frombits(binary.LittleEndian.Uint32(values[(k*n+i)*4:]))
			s.Quality[k] = unit.Quality(qualities[k*n+i])
		}
		dst = append(dst, s)
	}
	return dst, nil
}
