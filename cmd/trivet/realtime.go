package main

import (
	"fmt"
	"math"
	"os"
	"runtime"
	"runtime/debug"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"go.uber.org/zap"

	"trivet/api"
	"trivet/station"
)

// Settings of the Go runtime for a daemon beside other work. Whoever sets the environment variable of the same meaning has their way.
const (
	// memoryLimit is a goal for the collector, not a wall: below 128 MiB a small computer keeps its page cache.
	memoryLimit = 128 << 20
	// spareProcs is how many goroutines may run besides one per core. The control goroutine comes back from its sleep without a place to run
	// and takes a free one; there is none while others hold theirs, also those whose thread another process keeps off the core. On two cores
	// at a load of 26 a tick took up to 137 ms with none to spare, 28 ms with two, 13 ms with eight.
	spareProcs = 8
)

// tuneRuntime sets what a long-lived daemon needs.
func tuneRuntime() {
	if os.Getenv("GOMEMLIMIT") == "" {
		debug.SetMemoryLimit(memoryLimit)
	}
	if os.Getenv("GOMAXPROCS") == "" {
		runtime.GOMAXPROCS(runtime.NumCPU() + spareProcs)
	}
}

// Priorities of the two threads, SCHED_FIFO, 1 to 99. 50 is where the kernel has its interrupt threads; whoever asks for more starves them.
// Safety comes before control: it must be able to take heat away from a control loop that spins.
const (
	controlPriority = 49
	safetyPriority  = 50
)

// processNice is for all other threads, -20 to 19, less is more: about nine times the share of a usual process (the kernel's table of weights).
const processNice = -10

// realtime asks the system for punctual threads and remembers what was granted. Nothing that is refused is an error: the guard looks at
// lateness whatever its cause, and a page that says what is missing is better than a station that does not start.
type realtime struct {
	off     bool // threads stay as they are: not wanted
	log     *zap.Logger
	mu      sync.Mutex
	threads [2]error // by station.Role
	asked   [2]bool
	memory  error
	share   error // of the processor
	late    histogram
	took    histogram
	missed  atomic.Uint64
}

// newRealtime locks the memory where that is safe. off leaves everything as it is.
func newRealtime(off bool, log *zap.Logger) *realtime {
	r := &realtime{off: off, log: log, late: newHistogram(), took: newHistogram()}
	if off {
		r.memory, r.share = errSwitchedOff, errSwitchedOff
		return r
	}
	r.memory, r.share = lockMemory(), hurry()
	return r
}

var errSwitchedOff = fmt.Errorf("switched off")

// thread is called on each of the station's threads.
func (r *realtime) thread(role station.Role) {
	err := errSwitchedOff
	if !r.off {
		priority := controlPriority
		if role == station.SafetyThread {
			priority = safetyPriority
		}
		err = realtimeThread(priority)
	}
	r.mu.Lock()
	r.threads[role], r.asked[role] = err, true
	both := r.asked[station.ControlThread] && r.asked[station.SafetyThread]
	r.mu.Unlock()
	if both && !r.off {
		r.tell()
	}
}

// measure is told about each tick, by the control goroutine.
func (r *realtime) measure(late, took time.Duration) {
	r.late.observe(late)
	r.took.observe(took)
	if late > station.Period {
		r.missed.Add(1)
	}
}

// granted returns whether both threads have real-time priority, whether memory is locked, and half a sentence about what is missing.
func (r *realtime) granted() (threads, memory bool, why string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	threads = r.asked[0] && r.asked[1]
	for _, err := range r.threads {
		if err != nil {
			threads, why = false, "no real-time priority: "+err.Error()
		}
	}
	lacks := []string{why}
	if r.memory != nil {
		lacks = append(lacks, "memory can be swapped out: "+r.memory.Error())
	}
	if r.share != nil {
		lacks = append(lacks, "no more of the processor than others get: "+r.share.Error())
	}
	why = strings.Join(slices.DeleteFunc(lacks, func(s string) bool { return s == "" }), "; ")
	return threads, r.memory == nil, why
}

// tell logs what was granted, once, before the first tick.
func (r *realtime) tell() {
	threads, memory, why := r.granted()
	f := []zap.Field{zap.Bool("real_time_priority", threads), zap.Bool("memory_locked", memory), zap.Int("go_procs", runtime.GOMAXPROCS(0))}
	if why == "" {
		r.log.Info("the control loop runs with real-time priority", f...)
		return
	}
	r.log.Warn("the control loop may be late under load", append(f, zap.String("why", why))...)
}

// pace makes what the station's goroutines sleep by; nil for the runtime's timers.
func (r *realtime) pace() func() station.Pace {
	if r.off {
		return nil
	}
	return newPace
}

// advice is how /readyz shows it. It never makes a station unready: lateness has a cut-off of its own.
func (r *realtime) advice() []api.Advice {
	if _, _, why := r.granted(); why != "" {
		return []api.Advice{{Name: "real_time", Text: why}}
	}
	return []api.Advice{{Name: "real_time", OK: true, Text: "control and safety run with real-time priority, memory is locked"}}
}

// histogram counts durations. It is written by one goroutine without waiting or allocating, and read by any.
type histogram struct {
	counts []atomic.Uint64 // one more than bounds
	sum    atomic.Int64    // ns
	most   atomic.Int64    // ns
}

// Bounds of the buckets: ten per decade, the smallest 10 µs, the largest 1 s. The quantile that a reader makes of them is right to 26 %.
const (
	perDecade     = 10
	decades       = 5
	smallestBound = 10 * time.Microsecond
)

func newHistogram() histogram {
	return histogram{counts: make([]atomic.Uint64, perDecade*decades+2)}
}

func bound(i int) time.Duration {
	return time.Duration(math.Round(float64(smallestBound) * math.Pow(10, float64(i)/perDecade)))
}

// bucket is the smallest whose bound is not below d.
func bucket(d time.Duration) int {
	if d <= smallestBound {
		return 0
	}
	i := int(math.Ceil(perDecade * math.Log10(float64(d)/float64(smallestBound))))
	return min(i, perDecade*decades+1)
}

func (h *histogram) observe(d time.Duration) {
	h.counts[bucket(d)].Add(1)
	h.sum.Add(int64(d))
	if int64(d) > h.most.Load() { // one writer
		h.most.Store(int64(d))
	}
}

// metric returns the counts as Prometheus wants them: cumulative, in seconds.
func (h *histogram) metric(d *prometheus.Desc) prometheus.Metric {
	buckets := make(map[float64]uint64, len(h.counts))
	var n uint64
	for i := range h.counts {
		n += h.counts[i].Load()
		if i <= perDecade*decades {
			buckets[bound(i).Seconds()] = n
		}
	}
	return prometheus.MustNewConstHistogram(d, n, time.Duration(h.sum.Load()).Seconds(), buckets)
}

// Names of the metrics; dashboards rely on them.
var (
	lateDesc = prometheus.NewDesc("trivet_loop_lateness_seconds", "How late control ticks began.", nil, nil)
	tookDesc = prometheus.NewDesc("trivet_loop_tick_seconds", "How long control ticks took.", nil, nil)
	mostDesc = prometheus.NewDesc("trivet_loop_lateness_max_seconds", "The latest begin of a control tick since the process began.", nil, nil)
	longDesc = prometheus.NewDesc("trivet_loop_tick_max_seconds", "The longest control tick since the process began.", nil, nil)
	missDesc = prometheus.NewDesc("trivet_loop_missed_ticks_total", "Control ticks that began more than a period late.", nil, nil)
	prioDesc = prometheus.NewDesc("trivet_loop_realtime", "1 while control and safety run with real-time priority.", nil, nil)
	lockDesc = prometheus.NewDesc("trivet_memory_locked", "1 while the memory of the process cannot be swapped out.", nil, nil)
)

// Describe implements prometheus.Collector.
func (r *realtime) Describe(out chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{lateDesc, tookDesc, mostDesc, longDesc, missDesc, prioDesc, lockDesc} {
		out <- d
	}
}

// Collect implements prometheus.Collector.
func (r *realtime) Collect(out chan<- prometheus.Metric) {
	threads, memory, _ := r.granted()
	one := func(b bool) float64 {
		if b {
			return 1
		}
		return 0
	}
	out <- r.late.metric(lateDesc)
	out <- r.took.metric(tookDesc)
	out <- prometheus.MustNewConstMetric(mostDesc, prometheus.GaugeValue, time.Duration(r.late.most.Load()).Seconds())
	out <- prometheus.MustNewConstMetric(longDesc, prometheus.GaugeValue, time.Duration(r.took.most.Load()).Seconds())
	out <- prometheus.MustNewConstMetric(missDesc, prometheus.CounterValue, float64(r.missed.Load()))
	out <- prometheus.MustNewConstMetric(prioDesc, prometheus.GaugeValue, one(threads))
	out <- prometheus.MustNewConstMetric(lockDesc, prometheus.GaugeValue, one(memory))
}
