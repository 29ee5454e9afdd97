package main

import (
	"math/rand/v2"
	"os"
	"sync"
	"sync/atomic"
	"testing"
	"testing/cryptotest"
	"testing/synctest"
	"time"
	"unsafe"

	"trivet/sim/bench"
	"trivet/store/iofault"
)

// story is what a seed decides before anything runs. Everything else is drawn as it goes along, by one generator for each actor, so that what
// one of them draws does not depend on who else is there.
type story struct {
	seed    uint64
	steps   bool // the clock on the wall is put now and then
	calm    bool // nothing breaks but the disk, and people let a board come to its end
	board   string
	machine string
	law     string
	lives   []time.Duration // how long each life of the process lasts
}

// draws returns the generator of one actor.
func (s *story) draws(actor uint64) *rand.Rand { return rand.New(rand.NewPCG(s.seed, actor)) }

// What each actor's generator is called. The numbers only have to differ.
const (
	drawStory uint64 = iota
	drawFaults
	drawDisk
	drawWall
	drawHang
	drawPerson uint64 = 100
	drawViewer uint64 = 200
)

func newStory(seed uint64, steps bool) *story {
	s := &story{seed: seed, steps: steps}
	r := s.draws(drawStory)
	boards := bench.FaultBoards()
	s.board, s.machine, s.law = boards[r.IntN(len(boards))], "bench-5kw", "cascade"
	if r.IntN(8) == 0 { // its fits and plans cost real time
		s.law = "full"
	}
	if r.IntN(6) == 0 {
		s.machine = "kitchen-1k4"
	}
	seconds := func(from, to int) time.Duration { return time.Duration(from+r.IntN(to-from)) * time.Second }
	switch {
	case s.law == "full":
		s.lives = []time.Duration{seconds(50, 90)}
	case r.IntN(4) == 0:
		s.lives = []time.Duration{seconds(40, 100), seconds(40, 100)}
	case r.IntN(6) == 0: // long enough for a whole board
		s.calm, s.machine = true, "bench-5kw"
		s.lives = []time.Duration{seconds(480, 600)}
	default:
		s.lives = []time.Duration{seconds(60, 150)}
	}
	return s
}

// world is one simulation: a data directory that outlives the process, people, viewers, a clock on the wall, and the trace of it all.
type world struct {
	*story
	t     *testing.T
	dir   string
	disk  *iofault.Disk
	trace *trace
	virtualTime
	step    atomic.Int64 // how far the clock on the wall is off, ns
	onDisk  map[string]int
	durable sync.Mutex // guards onDisk
}

// live runs one seed in a bubble of its own and returns what happened.
func (s *story) live(t *testing.T, dumpTo string) *trace {
	t.Helper()
	tr := newTrace(dumpTo)
	dir, remove := dataDir(t)
	defer remove()                  // at once: a thousand seeds would fill the memory
	disk, err := iofault.Watch(dir) // outside of the bubble: the layer is for the whole process
	if err != nil {
		t.Fatal(err)
	}
	defer disk.Close()
	synctest.Test(t, func(t *testing.T) {
		cryptotest.SetGlobalRandom(t, s.seed)
		w := &world{story: s, t: t, dir: dir, disk: disk, trace: tr, virtualTime: virtualTime{time.Now()}, onDisk: map[string]int{}}
		for i, d := range s.lives {
			w.life(i, d, i == len(s.lives)-1)
		}
	})
	return tr
}

// dataDir makes a directory for the records, in memory where the system offers that: a flush costs nothing there, and is counted all the same.
func dataDir(t *testing.T) (dir string, remove func()) {
	t.Helper()
	dir, err := os.MkdirTemp("/dev/shm", "trivet-test-")
	if err != nil {
		return t.TempDir(), func() {}
	}
	return dir, func() { _ = os.RemoveAll(dir) } // what is left behind is left in memory
}

// label is the time of day: counted truly, labelled by a clock that somebody puts.
func (w *world) label() time.Time {
	return putClock(time.Now(), time.Duration(w.step.Load()))
}

// putClock returns a reading as the system gives it when the clock on the wall has been put by step: its label is off, differences still count
// from now. It is built by hand because package time lets nobody set the two apart.
func putClock(now time.Time, step time.Duration) time.Time {
	label := now.Add(step)
	reading := struct {
		wall uint64 // 1 bit: both clocks are there; 33: seconds since 1885; 30: nanoseconds
		ext  int64  // the clock that only goes forward, ns
		loc  *time.Location
	}{1<<63 | uint64(label.Unix()-time.Date(1885, 1, 1, 0, 0, 0, 0, time.UTC).Unix())<<30 | uint64(label.Nanosecond()), now.UnixNano(), time.UTC}
	return *(*time.Time)(unsafe.Pointer(&reading))
}
