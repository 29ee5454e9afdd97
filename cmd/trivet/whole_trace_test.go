package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"hash"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"sync"
	"time"
	"unsafe"
)

// stream is one sequence of things that happened, in an order that the scheduler cannot change: the lines of the machine, the snapshots,
// the answers that one person got, the messages of one viewer, what is on the disk. It is digested twice: with labels of the time of day and
// without, because those are all that may differ when the clock on the wall is put.
type stream struct {
	mu       sync.Mutex
	all      hash.Hash
	unlabled hash.Hash
	lines    int
	dump     *bytes.Buffer // nil unless somebody wants to compare two runs line by line
}

// add takes one line. A text with labels has them as JSON fields whose names end in _utc.
func (s *stream) add(line []byte) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.lines++
	size := binary.BigEndian.AppendUint64(nil, uint64(len(line)))
	s.all.Write(size)
	s.all.Write(line)
	bare := withoutLabels(line)
	s.unlabled.Write(binary.BigEndian.AppendUint64(size[:0], uint64(len(bare))))
	s.unlabled.Write(bare)
	if s.dump != nil {
		s.dump.Write(line)
		s.dump.WriteByte('\n')
	}
}

func (s *stream) addf(format string, args ...any) { s.add(fmt.Appendf(nil, format, args...)) }

// withoutLabels cuts out the values of JSON fields whose names end in _utc.
func withoutLabels(line []byte) []byte {
	mark := []byte(`_utc":"`)
	if !bytes.Contains(line, mark) {
		return line
	}
	out := make([]byte, 0, len(line))
	for {
		i := bytes.Index(line, mark)
		if i < 0 {
			return append(out, line...)
		}
		i += len(mark)
		out = append(out, line[:i]...)
		line = line[i:]
		if i = bytes.IndexByte(line, '"'); i > 0 {
			line = line[i:]
		}
	}
}

// trace is everything that a simulation did.
type trace struct {
	mu      sync.Mutex
	streams map[string]*stream
	wrong   []string // properties that did not hold
	counts  map[string]int
	dumpTo  string
}

func newTrace(dumpTo string) *trace {
	return &trace{streams: map[string]*stream{}, counts: map[string]int{}, dumpTo: dumpTo}
}

func (t *trace) stream(name string) *stream {
	t.mu.Lock()
	defer t.mu.Unlock()
	s := t.streams[name]
	if s == nil {
		s = &stream{all: sha256.New(), unlabled: sha256.New()}
		if t.dumpTo != "" {
			s.dump = &bytes.Buffer{}
		}
		t.streams[name] = s
	}
	return s
}

// violated notes that a property did not hold. The first few say enough.
func (t *trace) violated(format string, args ...any) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if len(t.wrong) < 10 {
		t.wrong = append(t.wrong, fmt.Sprintf(format, args...))
	}
}

// count keeps a tally, for the report of what a set of seeds has been through.
func (t *trace) count(what string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.counts[what]++
}

// digests returns the digest of each stream, with and without labels, and of all together.
func (t *trace) digests() (all, unlabled map[string]string, whole string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	all, unlabled = map[string]string{}, map[string]string{}
	sum := sha256.New()
	var names []string
	for n := range t.streams {
		names = append(names, n)
	}
	slices.Sort(names)
	for _, n := range names {
		s := t.streams[n]
		all[n] = hex.EncodeToString(s.all.Sum(nil))
		unlabled[n] = hex.EncodeToString(s.unlabled.Sum(nil))
		fmt.Fprintf(sum, "%s %d %s\n", n, s.lines, all[n])
		if s.dump != nil {
			_ = os.WriteFile(filepath.Join(t.dumpTo, n+".txt"), s.dump.Bytes(), 0o600) // for a person; what is missing they will see
		}
	}
	return all, unlabled, hex.EncodeToString(sum.Sum(nil))
}

// valueHash writes any plain value into a digest, by bits and not by print: pointers by what they point at, times without their labels where
// that is asked.
type valueHash struct {
	buf    []byte
	seen   map[pointed][sha256.Size]byte // what is pointed at is never changed once published, so once is enough
	labels bool
}

// pointed is one thing that a value points at.
type pointed struct {
	at unsafe.Pointer
	of reflect.Type
}

func newValueHash(labels bool) *valueHash {
	return &valueHash{seen: map[pointed][sha256.Size]byte{}, labels: labels}
}

// sum digests what x points at.
func (v *valueHash) sum(x any) string {
	v.buf = v.buf[:0]
	v.put(reflect.ValueOf(x).Elem())
	out := sha256.Sum256(v.buf)
	return hex.EncodeToString(out[:])
}

var timeType = reflect.TypeFor[time.Time]()

func (v *valueHash) put(x reflect.Value) {
	word := func(n uint64) { v.buf = binary.LittleEndian.AppendUint64(v.buf, n) }
	switch x.Kind() {
	case reflect.Bool:
		if x.Bool() {
			word(1)
		} else {
			word(0)
		}
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		word(uint64(x.Int()))
	case reflect.Uint, reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		word(x.Uint())
	case reflect.Float32, reflect.Float64:
		word(math.Float64bits(x.Float()))
	case reflect.String:
		word(uint64(x.Len()))
		v.buf = append(v.buf, x.String()...)
	case reflect.Struct:
		if x.Type() == timeType {
			if v.labels && x.CanInterface() {
				word(uint64(x.Interface().(time.Time).UnixNano()))
			}
			return
		}
		for i := range x.NumField() {
			v.put(x.Field(i))
		}
	case reflect.Array, reflect.Slice:
		word(uint64(x.Len()))
		for i := range x.Len() {
			v.put(x.Index(i))
		}
	case reflect.Pointer:
		if x.IsNil() {
			word(0)
			return
		}
		at := pointed{x.UnsafePointer(), x.Type()} // as a key it keeps alive what it points at, so no address is used twice
		d, ok := v.seen[at]
		if !ok {
			inner := valueHash{seen: v.seen, labels: v.labels}
			inner.put(x.Elem())
			d = sha256.Sum256(inner.buf)
			v.seen[at] = d
		}
		v.buf = append(v.buf, d[:]...)
	default:
		panic(fmt.Sprintf("a snapshot holds a %s, which has no digest", x.Kind()))
	}
}
