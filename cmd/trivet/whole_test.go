package main

import (
	"maps"
	"net/url"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
)

func (p *person) url(path string) *url.URL {
	return &url.URL{Scheme: "http", Host: wholeURL, Path: path}
}

// The whole station on virtual time, from one seed: control loop, keeper, guard and law, drivers on emulated chips and the plant behind them;
// clerk, auditor, records on a disk that fails, pairings, lessons and trips; API server, hub and stream with people and viewers on a network
// in memory. What happens is a function of the seed.
//
//	TRIVET_SEEDS=1000   how many seeds (20 without it, 2 with -short, 1 under the race detector)
//	TRIVET_SEED=17      this seed only
//	TRIVET_TRACE=dir    write every stream of both runs there, to be compared line by line
//
// Outside of it are: the operating system's scheduler (actors take turns by lanes), its network and its disk (SQLite's files are in memory
// where the system has such a place; what reaches them fails on demand), the real clock, and the wiring in serve, which is done once more here.
const (
	wholeSeeds = 20
	wallSeeds  = 4
)

// seeds lists the seeds to run: n of them unless somebody says otherwise.
func seeds(t *testing.T, n int) (list []uint64) {
	t.Helper()
	if v, err := strconv.ParseUint(os.Getenv("TRIVET_SEED"), 10, 64); err == nil {
		return []uint64{v}
	}
	if v, err := strconv.Atoi(os.Getenv("TRIVET_SEEDS")); err == nil && v > 0 {
		n = v
	} else if raceEnabled {
		n = 1
	} else if testing.Short() {
		n = min(n, 2)
	}
	for s := range n {
		list = append(list, uint64(s+1))
	}
	return list
}

// dump is where a run's streams are written to; empty for nowhere.
func dump(t *testing.T, run string) string {
	t.Helper()
	dir := os.Getenv("TRIVET_TRACE")
	if dir == "" {
		return ""
	}
	dir += "/" + run
	if err := os.MkdirAll(dir, 0o750); err != nil {
		t.Fatal(err)
	}
	return dir
}

// upheld reports what was not as it must be, and how to see it again.
func upheld(t *testing.T, seed uint64, tr *trace) bool {
	t.Helper()
	for _, w := range tr.wrong {
		t.Errorf("seed %d: %s", seed, w)
	}
	if len(tr.wrong) > 0 {
		t.Logf("again: TRIVET_SEED=%d go test ./cmd/trivet -run %s -v", seed, t.Name())
	}
	return len(tr.wrong) == 0
}

// differ lists the streams in which two runs differ.
func differ(a, b map[string]string) (list []string) {
	for _, n := range slices.Sorted(maps.Keys(a)) {
		if a[n] != b[n] {
			list = append(list, n)
		}
	}
	for n := range b {
		if _, ok := a[n]; !ok {
			list = append(list, n)
		}
	}
	return list
}

func TestTheWholeStationDoesTheSameTwiceForTheSameSeed(t *testing.T) {
	began := time.Now()
	total, simulated := map[string]int{}, time.Duration(0)
	list := seeds(t, wholeSeeds)
	for _, seed := range list {
		a := newStory(seed, true).live(t, dump(t, "first"))
		b := newStory(seed, true).live(t, dump(t, "second"))
		upheld(t, seed, a)
		da, _, wholeA := a.digests()
		db, _, wholeB := b.digests()
		if wholeA != wholeB {
			t.Errorf("seed %d: twice the same, and these streams differ: %s\nagain: TRIVET_SEED=%d TRIVET_TRACE=/tmp/whole go test ./cmd/trivet -run %s",
				seed, strings.Join(differ(da, db), ", "), seed, t.Name())
		}
		if os.Getenv("TRIVET_SEED") != "" {
			t.Logf("seed %d: %s", seed, wholeA)
		}
		for k, n := range a.counts {
			total[k] += n
		}
		for _, d := range newStory(seed, true).lives {
			simulated += d
		}
	}
	t.Logf("%d seeds twice, %v simulated each time, in %v", len(list), simulated, time.Since(began).Round(time.Millisecond))
	for _, k := range slices.Sorted(maps.Keys(total)) {
		t.Logf("%8d %s", total[k], k)
	}
}

// TestPuttingTheClockOnTheWallChangesNothingButLabels is invariant I-18: outputs and snapshots are the same to the bit, and so is everything
// else apart from times of day.
func TestPuttingTheClockOnTheWallChangesNothingButLabels(t *testing.T) {
	for _, seed := range seeds(t, wallSeeds) {
		with := newStory(seed, true).live(t, dump(t, "with"))
		without := newStory(seed, false).live(t, dump(t, "without"))
		upheld(t, seed, without)
		_, a, _ := with.digests()
		_, b, _ := without.digests()
		if n := with.counts["clock put"]; n == 0 {
			t.Errorf("seed %d: the clock was never put", seed)
		}
		if d := differ(a, b); len(d) > 0 {
			t.Errorf("seed %d: with the clock on the wall put %d times these streams differ: %s\nagain: TRIVET_SEED=%d TRIVET_TRACE=/tmp/whole go test ./cmd/trivet -run %s",
				seed, with.counts["clock put"], strings.Join(d, ", "), seed, t.Name())
		}
	}
}

func TestAPutClockCountsOnAndIsLabelledWrong(t *testing.T) {
	at := time.Date(2000, 1, 1, 0, 0, 0, 5, time.UTC)
	for _, step := range []time.Duration{time.Second, -time.Hour, 50 * 365 * 24 * time.Hour, -50 * 365 * 24 * time.Hour} {
		a, b := putClock(at, 0), putClock(at.Add(7*time.Second), step)
		if b.Sub(a) != 7*time.Second || !b.Round(0).Equal(at.Add(7*time.Second+step)) {
			t.Errorf("%v: %v apart, labelled %v", step, b.Sub(a), b.Round(0))
		}
	}
}
