package main

import (
	"errors"
	"fmt"
	"os"
	"strconv"
	"sync/atomic"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"

	"trivet/station"
)

// kernelPace sleeps in the kernel until an absolute time on its monotonic clock. A thread with real-time priority then runs as soon
// as the timer fires; the runtime's own timers are served by whichever thread comes to it.
//
// The sleep is a wait on a futex with an absolute deadline: the same timer in the kernel as clock_nanosleep with TIMER_ABSTIME, which however
// nobody could cut short, so that Stop would have to wait for the next tick.
type kernelPace struct {
	word atomic.Uint32 // counts calls of Wake
	seen uint32        // its value when Sleep last returned
	base time.Time     // the same moment on Go's clock
	mono int64         // and on the kernel's, ns
}

// newPace takes the difference of the two clocks, which are one clock with two beginnings.
func newPace() station.Pace {
	p := &kernelPace{}
	tightest := time.Hour
	for range 5 { // the pair of looks between which least time passed
		before := time.Now()
		m := monotonic()
		if d := time.Since(before); d < tightest {
			tightest, p.base, p.mono = d, before.Add(d/2), m
		}
	}
	return p
}

func monotonic() int64 {
	var t unix.Timespec
	if unix.ClockGettime(unix.CLOCK_MONOTONIC, &t) != nil { // every Linux has it
		return 0
	}
	return t.Nano()
}

// What futex(2) is asked for: wait while the word has a value, until an absolute time; and wake.
const (
	futexWaitBitset = 9 | futexPrivate
	futexWake       = 1 | futexPrivate
	futexPrivate    = 128
	anybody         = 0xFFFFFFFF
)

// Sleep implements station.Pace.
func (p *kernelPace) Sleep(due time.Time) {
	until := unix.NsecToTimespec(p.mono + int64(due.Sub(p.base)))
	// It returns when the time has come, when the word has another value, on a signal, and for no reason; the caller looks again.
	_, _, _ = unix.Syscall6(unix.SYS_FUTEX, uintptr(unsafe.Pointer(&p.word)), futexWaitBitset, uintptr(p.seen), uintptr(unsafe.Pointer(&until)), 0, anybody)
	p.seen = p.word.Load()
}

// Wake implements station.Pace.
func (p *kernelPace) Wake() {
	p.word.Add(1)
	_, _, _ = unix.Syscall6(unix.SYS_FUTEX, uintptr(unsafe.Pointer(&p.word)), futexWake, 1, 0, 0, 0)
}

// resetOnFork keeps the priority from threads and processes that this one begets.
const (
	schedFIFO   = 1
	resetOnFork = 1
)

// realtimeThread gives the calling thread, which must be locked to its goroutine, a real-time priority.
func realtimeThread(priority int) error {
	a := unix.SchedAttr{Size: unix.SizeofSchedAttr, Policy: schedFIFO, Flags: resetOnFork, Priority: uint32(priority)}
	err := unix.SchedSetAttr(0, &a, 0)
	if errors.Is(err, unix.EPERM) {
		return fmt.Errorf("%w; it needs LimitRTPRIO=%d in the service's unit, or CAP_SYS_NICE", err, safetyPriority)
	}
	return err
}

// lockMemory keeps what the process has touched from being swapped out or dropped and read from disk again in the middle of a tick.
//
// Only without a limit: the Go runtime reserves far more address space than it uses, all of it counts, and a reservation that is refused
// later ends the program. Pages are locked when they are touched, so that the reserve costs nothing.
func lockMemory() error {
	var lim unix.Rlimit
	if err := unix.Getrlimit(unix.RLIMIT_MEMLOCK, &lim); err != nil {
		return err
	}
	if lim.Cur != unix.RLIM_INFINITY && !mayLock() {
		return fmt.Errorf("the limit is %d KiB; it needs LimitMEMLOCK=infinity in the service's unit, or CAP_IPC_LOCK", lim.Cur>>10)
	}
	return unix.Mlockall(unix.MCL_CURRENT | unix.MCL_FUTURE | unix.MCL_ONFAULT)
}

// mayLock reports whether the process is exempt from the limit.
func mayLock() bool {
	h := unix.CapUserHeader{Version: unix.LINUX_CAPABILITY_VERSION_3}
	var d [2]unix.CapUserData
	if unix.Capget(&h, &d[0]) != nil {
		return false
	}
	return d[0].Effective&(1<<unix.CAP_IPC_LOCK) != 0
}

// hurry raises the share of the processor that all threads get which are not real-time. The loop depends on them after all: before the collector
// can begin, every thread that runs Go code must come to a stop, also one that another process keeps off the core meanwhile.
func hurry() error {
	err := everyThread(0, processNice)
	if errors.Is(err, unix.EPERM) || errors.Is(err, unix.EACCES) {
		return fmt.Errorf("%w; it needs Nice=%d in the service's unit, or CAP_SYS_NICE", err, processNice)
	}
	return err
}

// What a child does that has all the time in the world: SCHED_BATCH tells the scheduler that it computes, nice how little it counts.
const (
	schedBatch = 3
	childNice  = 10
)

// stepBack is the opposite of hurry, for a child.
func stepBack() { _ = everyThread(schedBatch, childNice) }

// everyThread gives policy and nice value to every thread that the process has so far; those that are made later take after their makers.
func everyThread(policy uint32, nice int32) error {
	tasks, err := os.ReadDir("/proc/self/task")
	if err != nil {
		return err
	}
	for _, t := range tasks {
		id, err := strconv.Atoi(t.Name())
		if err != nil {
			continue
		}
		err = unix.SchedSetAttr(id, &unix.SchedAttr{Size: unix.SizeofSchedAttr, Policy: policy, Nice: nice}, 0)
		if err != nil && !errors.Is(err, unix.ESRCH) { // it has ended meanwhile
			return err
		}
	}
	return nil
}
