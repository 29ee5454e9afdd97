package bench

import (
	"os"
	"regexp"
	"slices"
	"sort"
	"strconv"
	"sync"
	"testing"
	"time"

	"runtime"
)

// runCells runs cells, two at a time, and calls seen with each result in order.
func runCells(t *testing.T, cells []Cell, seen func(i int, r *CellResult, err error)) {
	t.Helper()
	next := make(chan int)
	var wg sync.WaitGroup
	var mu sync.Mutex
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for i := range next {
				r, err := RunCell(t.Context(), cells[i])
				mu.Lock()
				seen(i, r, err)
				mu.Unlock()
			}
		})
	}
	for i := range cells {
		next <- i
	}
	close(next)
	wg.Wait()
}

// TestFaultTable runs the fault table: a stratified sample of 2000 cells (300 with -short), TRIVET_FAULT_RUNS of them, or
// all with "all". TRIVET_FAULT_CASES is a pattern of ids.
func TestFaultTable(t *testing.T) {
	boards := FaultBoards()
	want := 2000
	if testing.Short() {
		want = 300
	}
	switch v := os.Getenv("TRIVET_FAULT_RUNS"); v {
	case "":
	case "all":
		want = 0
	default:
		n, err := strconv.Atoi(v)
		if err != nil {
			t.Fatal(err)
		}
		want = n
	}
	all := Cells(boards, 1)
	if v := os.Getenv("TRIVET_FAULT_CASES"); v != "" {
		which, err := regexp.Compile(v)
		if err != nil {
			t.Fatal(err)
		}
		all = slices.DeleteFunc(all, func(c Cell) bool { return !which.MatchString(c.Case.ID) })
	}
	cells := SampleCells(all, want)
	begun := time.Now()
	wrong, worst := 0, map[string]float64{}
	runCells(t, cells, func(i int, r *CellResult, err error) {
		c := &cells[i]
		switch {
		case err != nil:
			wrong++
			t.Errorf("%s in %s on %s, seed %d: %v", c.Case.ID, c.Phase, c.Board, c.Seed, err)
		case len(r.Wrong) > 0:
			wrong++
			t.Errorf("%s in %s on %s, seed %d: %v; first %q, alarms %v", c.Case.ID, c.Phase, c.Board, c.Seed, r.Wrong, r.First, r.Alarms)
		}
		if r != nil && r.ReactionS != nil {
			worst[r.Class] = max(worst[r.Class], *r.ReactionS)
		}
	})
	var classes []string
	for c := range worst {
		classes = append(classes, c)
	}
	sort.Strings(classes)
	t.Logf("%d runs in %v, %d not as the table says", len(cells), time.Since(begun).Round(time.Second), wrong)
	for _, c := range classes {
		t.Logf("class %s: slowest %.1f s", c, worst[c])
	}
}
