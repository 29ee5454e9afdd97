// Package iofault is a test instrument: a disk that fails on demand. It puts a layer between SQLite and the operating
// system, counts the calls that reach files under a watched directory, and lets the n-th of them fail, come late, or be
// written in part. It can also write down every change, so that a test may build what a power cut would have left.
//
// It may be imported by tests only; a test of its own makes sure that the program does not contain it. Directories that
// nobody watches are served as if the layer were not there.
//
// What it cannot do: fail a store into the shared-memory index of the write-ahead log (SQLite writes there through a
// memory map, without a call), fail rename or fsync of a directory by other code than SQLite, or break the disk's own cache.
package iofault

import (
	"errors"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"time"
)

// Op is one kind of call to the operating system.
type Op uint8

// The kinds of call that can fail.
const (
	Open Op = iota
	Read
	Write
	Truncate
	Sync
	Size
	Lock
	Map // of the shared-memory index
	Delete
	ops
)

var opNames = [ops]string{"open", "read", "write", "truncate", "sync", "size", "lock", "map", "delete"}

// String returns the name of the kind.
func (o Op) String() string {
	if o < ops {
		return opNames[o]
	}
	return "unknown"
}

// Rule says which call fails, and how.
type Rule struct {
	N     int    // the n-th counted call from Arm on, from 1
	Only  []Op   // which kinds are counted; all when empty
	Files string // a file is counted when its name ends in this; all when empty
	// Errno is what the operating system says: EIO, ENOSPC, EROFS. 0 lets the call succeed, after Delay.
	Errno syscall.Errno
	Delay time.Duration // how late the call is, whether it succeeds or not
	Ever  bool          // every counted call from the n-th on, not only that one
	Torn  bool          // a failing write leaves the first half of its bytes, in whole sectors of 512
}

// Change is one change of a file, in the order in which it was asked for.
type Change struct {
	Op     Op     // Write, Truncate, Sync or Delete
	File   string // name without its directory
	Offset int64  // of a Write; the new size for a Truncate
	Data   []byte // of a Write
}

// Disk is the layer over one directory. Its methods may be called from any goroutine.
type Disk struct {
	dir string

	mu      sync.Mutex
	rule    Rule
	armed   bool
	calls   int
	hits    int
	last    string // what was hit last
	logging bool
	log     []Change
}

// Watch puts the layer over the files in dir, for databases opened from now on, until Close. It returns an error when the
// layer cannot be installed or dir is watched already.
func Watch(dir string) (*Disk, error) {
	abs, err := filepath.Abs(dir)
	if err != nil {
		return nil, err
	}
	s, err := installed()
	if err != nil {
		return nil, err
	}
	d := &Disk{dir: abs}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.disks[abs] != nil {
		return nil, errors.New("iofault: " + abs + " is watched already")
	}
	s.disks[abs] = d
	return d, nil
}

// Close ends watching. Databases that are still open are served as before, and count nothing any more.
func (d *Disk) Close() {
	d.Disarm()
	s, err := installed()
	if err != nil {
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.disks, d.dir)
}

// Arm sets the rule and begins to count from zero.
func (d *Disk) Arm(r Rule) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.rule, d.armed, d.calls, d.hits, d.last = r, true, 0, 0, ""
}

// Disarm lets everything succeed from now on. Calls and Hits keep what they were.
func (d *Disk) Disarm() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.armed = false
}

// Calls is how many calls the rule has counted since Arm.
func (d *Disk) Calls() int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.calls
}

// Hits is how many calls failed or were late, and what the last of them was.
func (d *Disk) Hits() (n int, last string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.hits, d.last
}

// Record begins to write down every change.
func (d *Disk) Record() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.logging, d.log = true, nil
}

// Changes returns what was written down so far.
func (d *Disk) Changes() []Change {
	d.mu.Lock()
	defer d.mu.Unlock()
	return slices.Clip(d.log)
}

// note writes a change down, if that is wanted. data is copied.
func (d *Disk) note(op Op, path string, offset int64, data []byte) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.logging {
		d.log = append(d.log, Change{op, filepath.Base(path), offset, append([]byte(nil), data...)})
	}
}

// verdict is what shall happen to one call.
type verdict struct {
	errno syscall.Errno
	torn  bool
}

// ask counts a call, waits if it shall be late, and says what shall happen to it.
func (d *Disk) ask(op Op, path string) verdict {
	d.mu.Lock()
	r := d.rule
	if !d.armed || len(r.Only) > 0 && !slices.Contains(r.Only, op) || !strings.HasSuffix(path, r.Files) {
		d.mu.Unlock()
		return verdict{}
	}
	d.calls++
	hit := d.calls == r.N || r.Ever && d.calls > r.N
	if hit {
		d.hits++
		d.last = op.String() + " " + filepath.Base(path)
	}
	d.mu.Unlock() // not while waiting: other calls go on, as they would
	if !hit {
		return verdict{}
	}
	time.Sleep(r.Delay)
	return verdict{r.Errno, r.Torn}
}
