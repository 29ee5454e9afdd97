package bench

import (
	"math/rand/v2"
	"os"
	"runtime"
	"strconv"
	"sync"
	"testing"
	"time"
)

func howMany(t *testing.T, name string, usual int) int {
	t.Helper()
	v := os.Getenv(name)
	if v == "" {
		return usual
	}
	n, err := strconv.Atoi(v)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// several runs n drawn combinations, of the numbers of faults that sizes allows.
func several(t *testing.T, n int, seed uint64, size func(*rand.Rand) int) {
	begun := time.Now()
	next := make(chan int)
	var mu sync.Mutex
	var wg sync.WaitGroup
	wrong, excused, came, faults := 0, 0, 0, 0
	firsts := map[string]int{}
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for i := range next {
				rng := rand.New(rand.NewPCG(seed, uint64(i)))
				s := DrawSeveral(rng, size(rng))
				r, err := RunSeveral(t.Context(), s)
				mu.Lock()
				switch {
				case err != nil:
					wrong++
					t.Errorf("run %d: %v", i, err)
				case len(r.Wrong) > 0:
					wrong++
					t.Errorf("run %d, %s: %v; first %q", i, r.What, r.Wrong, r.First)
				}
				if r != nil {
					firsts[r.First]++
					came += r.Came
					if r.Excused {
						excused++
						t.Logf("run %d, %s: nothing can open it; true %s %.1f °C above its limit", i, r.What, r.Of, r.AboveC)
					}
				}
				faults += len(s.Cells)
				mu.Unlock()
			}
		})
	}
	for i := range n {
		next <- i
	}
	close(next)
	wg.Wait()
	t.Logf("%d runs in %v, %d of %d faults came, %d not as they should be, %d that nothing can open; first-outs %v", n, time.Since(begun).Round(time.Second), came, faults, wrong, excused, firsts)
}

// TestTwoFaultsAtOnceStayInTheSlowerClass draws pairs of rows of the fault table (hazard study, section 6). TRIVET_FAULT_PAIRS=N runs N of them.
func TestTwoFaultsAtOnceStayInTheSlowerClass(t *testing.T) {
	n := howMany(t, "TRIVET_FAULT_PAIRS", 100)
	if testing.Short() {
		n = min(n, 20)
	}
	several(t, n, 0x70616972, func(*rand.Rand) int { return 2 })
}

// TestManyFaultsAtOnceLeaveNothingThatBurns draws three to six rows: safety only (invariant I-29). TRIVET_FAULT_MANY=N runs N of them.
func TestManyFaultsAtOnceLeaveNothingThatBurns(t *testing.T) {
	n := howMany(t, "TRIVET_FAULT_MANY", 40)
	if testing.Short() {
		n = min(n, 8)
	}
	several(t, n, 0x6d616e79, func(rng *rand.Rand) int { return 3 + rng.IntN(4) })
}
