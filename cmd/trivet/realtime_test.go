package main

import (
	"maps"
	"math"
	"os"
	"runtime"
	"runtime/debug"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"go.uber.org/zap"

	"trivet/station"
)

func TestEveryDurationIsCountedInTheSmallestBucketThatHoldsIt(t *testing.T) {
	for d := time.Duration(1); d < 2*time.Second; d = d*11/10 + 1 {
		i := bucket(d)
		if i <= perDecade*decades && d > bound(i) || i > 0 && d <= bound(i-1) {
			t.Errorf("%v is in the bucket up to %v", d, bound(min(i, perDecade*decades)))
		}
	}
	if bucket(-1) != 0 || bucket(math.MaxInt64) != perDecade*decades+1 || bound(perDecade*decades) != time.Second {
		t.Error("the ends of the range are not caught")
	}
}

func TestLatenessShowsInTheMetrics(t *testing.T) {
	r := newRealtime(true, zap.NewNop())
	r.measure(200*time.Microsecond, time.Millisecond)
	r.measure(150*time.Millisecond, 2*time.Millisecond)
	reg := prometheus.NewPedanticRegistry()
	if err := reg.Register(r); err != nil {
		t.Fatal(err)
	}
	families, err := reg.Gather()
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]float64{}
	for _, f := range families {
		m := f.GetMetric()[0]
		switch h := m.GetHistogram(); {
		case h != nil:
			got[f.GetName()] = float64(h.GetSampleCount())
			if last := h.GetBucket()[len(h.GetBucket())-1]; last.GetCumulativeCount() != 2 || last.GetUpperBound() != 1 {
				t.Errorf("%s ends with %v", f.GetName(), last)
			}
		case m.GetGauge() != nil:
			got[f.GetName()] = m.GetGauge().GetValue()
		default:
			got[f.GetName()] = m.GetCounter().GetValue()
		}
	}
	want := map[string]float64{"trivet_loop_lateness_seconds": 2, "trivet_loop_tick_seconds": 2, "trivet_loop_lateness_max_seconds": 0.15,
		"trivet_loop_tick_max_seconds": 0.002, "trivet_loop_missed_ticks_total": 1, "trivet_loop_realtime": 0, "trivet_memory_locked": 0}
	if !maps.Equal(got, want) {
		t.Errorf("the metrics are %v; want %v", got, want)
	}
	if n := testing.AllocsPerRun(100, func() { r.measure(time.Millisecond, time.Millisecond) }); n != 0 {
		t.Errorf("measuring allocates %v times", n)
	}
}

func TestWhatWasNotGrantedIsToldAndStopsNothing(t *testing.T) {
	r := newRealtime(true, zap.NewNop())
	r.thread(station.ControlThread)
	r.thread(station.SafetyThread)
	if threads, memory, why := r.granted(); threads || memory || !strings.Contains(why, "priority") || !strings.Contains(why, "swapped") || !strings.Contains(why, "processor") {
		t.Errorf("switched off, but granted %v, %v: %q", threads, memory, why)
	}
	if a := r.advice(); len(a) != 1 || a[0].OK || a[0].Text == "" {
		t.Errorf("the advice is %+v", a)
	}
	r.threads, r.memory, r.share = [2]error{}, nil, nil
	if a := r.advice(); !a[0].OK {
		t.Errorf("with all granted the advice is %+v", a)
	}
}

func TestTheRuntimeIsTunedUnlessSomebodyElseHas(t *testing.T) {
	procs, limit := runtime.GOMAXPROCS(0), debug.SetMemoryLimit(-1)
	defer func() { runtime.GOMAXPROCS(procs); debug.SetMemoryLimit(limit) }()
	t.Setenv("GOMAXPROCS", "3")
	t.Setenv("GOMEMLIMIT", "1GiB")
	tuneRuntime()
	if runtime.GOMAXPROCS(0) != procs || debug.SetMemoryLimit(-1) != limit {
		t.Error("what the environment says was overridden")
	}
	for _, v := range []string{"GOMAXPROCS", "GOMEMLIMIT"} {
		if err := os.Unsetenv(v); err != nil {
			t.Fatal(err)
		}
	}
	tuneRuntime()
	if runtime.GOMAXPROCS(0) != runtime.NumCPU()+spareProcs || debug.SetMemoryLimit(-1) != memoryLimit {
		t.Errorf("%d places and %d bytes", runtime.GOMAXPROCS(0), debug.SetMemoryLimit(-1))
	}
}
