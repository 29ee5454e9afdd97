package haltest

import (
	"os"
	"runtime"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

// Exhaustive reports whether TRIVET_EXHAUSTIVE=1 is set: tests that otherwise take a sample of a word's values then take
// them all. Give `go test` a -timeout of an hour with it, and -v to see the progress.
func Exhaustive() bool { return os.Getenv("TRIVET_EXHAUSTIVE") == "1" }

// Sweep calls check for every part 0…parts−1, on as many goroutines as there are processors, and logs how far it is
// at every sixteenth, if it takes longer than a second, and how long all of it took. check returns what is wrong, or ""; the first failure ends the
// sweep.
func Sweep(t *testing.T, what string, parts int, check func(part int) string) {
	t.Helper()
	var (
		next, done atomic.Int64
		failed     atomic.Bool
		wg         sync.WaitGroup
		begun      = time.Now()
		every      = int64(max(1, parts/16))
	)
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for !failed.Load() {
				part := int(next.Add(1) - 1)
				if part >= parts {
					return
				}
				if wrong := check(part); wrong != "" {
					failed.Store(true)
					t.Errorf("%s, part %d: %s", what, part, wrong)
					return
				}
				if n := done.Add(1); n%every == 0 && time.Since(begun) > time.Second {
					t.Logf("%s: %d of %d parts after %v", what, n, parts, time.Since(begun).Round(time.Millisecond))
				}
			}
		})
	}
	wg.Wait()
	if !failed.Load() {
		t.Logf("%s: all %d parts in %v on %d processors", what, parts, time.Since(begun).Round(time.Millisecond), runtime.GOMAXPROCS(0))
	}
}
