package store

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
	"os"
)

// SQLite reads its write-ahead log up to the first frame whose sum is wrong and says nothing about what follows: after a
// power cut that is an unfinished transaction, which must be dropped. When a frame in the middle has rotted, what follows
// are transactions that were promised to be kept. So the log is looked through before SQLite opens it, and if frames
// behind a wrong one belong to it, a copy of the log is put aside and the operator is told.
//
// Layout and sums: https://sqlite.org/fileformat2.html#the_write_ahead_log.
const (
	walHeader      = 32
	walFrameHeader = 24
	walMagic       = 0x377f0682 // the last bit says that the sums are over big-endian words
)

// checkLog looks at the log beside the database file path. lost is how many frames belong to the log and will not be read,
// 0 when nothing is wrong or there is no log.
func checkLog(path string) (lost int, err error) {
	log, err := os.ReadFile(path + "-wal") // up to a few MiB; after an orderly end there is none
	if errors.Is(err, fs.ErrNotExist) {
		return 0, nil
	} else if err != nil {
		return 0, fmt.Errorf("look through the log of %s: %w", path, cause(err))
	}
	return lostFrames(log), nil
}

// lostFrames counts the frames behind the first wrong one that belong to the same log: their sum follows from the sum that
// is written in the frame before. If the header is wrong nothing will be read at all, and every such frame counts.
//
// From the first wrong frame on there must be the ends of at least two transactions: one alone is the transaction that was
// being written when the power failed, whose pages may have reached the disk in any order.
func lostFrames(log []byte) int {
	if len(log) < walHeader+walFrameHeader {
		return 0
	}
	be := binary.BigEndian
	order := binary.ByteOrder(binary.LittleEndian)
	if be.Uint32(log)&1 != 0 {
		order = be
	}
	sum := walSum(order, [2]uint32{}, log[:walHeader-8])
	good := be.Uint32(log)&^1 == walMagic && sum == walSumAt(log[walHeader-8:])
	size := int(be.Uint32(log[8:]))
	// A header that has rotted may claim anything; all files of this package have pages of this size.
	if !good || size < 512 || size > 65536 {
		size = pageSize
	}
	// The salts tell frames of this log from those of an older one that it overwrites; with a wrong header, those of the
	// first frame have to do.
	salts := [8]byte(log[16:24])
	if !good {
		salts = [8]byte(log[walHeader+8:])
	}
	lost, ends := 0, 0
	for at := walHeader; at+walFrameHeader+size <= len(log); at += walFrameHeader + size {
		frame := log[at : at+walFrameHeader+size]
		if [8]byte(frame[8:]) != salts {
			good = false // the frame is of an older log, or its salts have rotted: what follows will show
		} else {
			now := walSum(order, walSum(order, sum, frame[:8]), frame[walFrameHeader:])
			belongs := now == walSumAt(frame[16:])
			if good = good && belongs; !good {
				if belongs {
					lost++
				}
				if be.Uint32(frame[4:]) != 0 { // the size of the database after a commit; 0 within a transaction
					ends++
				}
			}
		}
		sum = walSumAt(frame[16:])
	}
	if ends < 2 {
		return 0
	}
	return lost
}

// walSum goes on with the sum of the log over b, whose length is a multiple of 8: two words that add up each other.
func walSum(order binary.ByteOrder, s [2]uint32, b []byte) [2]uint32 {
	for ; len(b) >= 8; b = b[8:] {
		s[0] += order.Uint32(b) + s[1]
		s[1] += order.Uint32(b[4:]) + s[0]
	}
	return s
}

// walSumAt reads a sum as it is written, always big-endian.
func walSumAt(b []byte) [2]uint32 {
	return [2]uint32{binary.BigEndian.Uint32(b), binary.BigEndian.Uint32(b[4:])}
}

// pageSize is that of every file this package makes: the default of SQLite since 3.12.
const pageSize = 4096

// saveLog puts a copy of a damaged log aside, because SQLite is about to overwrite it, and returns its name.
func saveLog(dir, name string) (string, error) {
	log, err := os.ReadFile(dbPath(dir, name) + "-wal")
	if err != nil {
		return "", err
	}
	to, err := freeName(dir, name)
	if err != nil {
		return "", err
	}
	return to + "-wal", os.WriteFile(to+"-wal", log, 0o640)
}
