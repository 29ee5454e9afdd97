package main

import (
	"fmt"
	"maps"
	"math/rand/v2"
	"os/exec"
	"path/filepath"
	"slices"
	"sync"
	"syscall"
	"testing"
	"time"

	"trivet/station"
	"trivet/store"
)

// When a program is killed.
const (
	killInStart  = "while it starts"              // opens its records, closes the run before
	killAtBegin  = "right after a start"          // within 300 ms of the answer
	killInRun    = "in a run"                     // across several commits
	killInEnding = "right after Stop was pressed" // before, while and after its end is written
)

// drawKill draws the moment of the next kill, and how long after its beginning.
func drawKill() (when string, after time.Duration) {
	ms := func(least, most int) time.Duration {
		return time.Duration(least)*time.Millisecond + time.Duration(rand.Int64N(int64(most-least)*int64(time.Millisecond)))
	}
	switch n := rand.IntN(10); {
	case n < 2:
		return killInStart, ms(0, 300)
	case n < 5:
		return killAtBegin, ms(0, 300)
	case n < 9:
		return killInRun, ms(300, 2500)
	}
	return killInEnding, ms(0, 2500)
}

// killed is what is known of the run that a kill cut short.
type killed struct {
	when    string
	id      int64 // 0 when no state of it was seen
	elapsed float64
	before  int64 // the newest run before it
	begun   bool  // a start was accepted
}

// TestAKilledRunIsAbortedAndNothingResumes kills the program with SIGKILL again and again, on the same records: while it starts, right
// after a start, in mid-run, and right after Stop. After each restart every run that was going on is there as aborted for loss
// of power, heat is off, at most one second of its samples is missing, and nothing was set aside as damaged. In the end
// every record is whole: no gap in its samples, and each link of its chain holds.
//
// TRIVET_KILLS=500 is the full size.
func TestAKilledRunIsAbortedAndNothingResumes(t *testing.T) {
	times := fromEnv("TRIVET_KILLS", 10)
	program(t, "")
	l := &killLog{times: map[string]int{}}
	began := time.Now()
	// A cycle is mostly waiting, so some series go on side by side, as many as -parallel allows.
	lanes := min(8, max(2, times/10))
	t.Run("series", func(t *testing.T) {
		for lane := range lanes {
			t.Run(fmt.Sprint(lane), func(t *testing.T) {
				t.Parallel()
				killSeries(t, l, (times+lane)/lanes)
			})
		}
	})
	slices.Sort(l.missing)
	n := 0
	for _, v := range l.times {
		n += v
	}
	t.Logf("%d kills in %v, load %s: %v; %d of them with a run on record; of %d runs at real time missing at the end: p50 %.2f s, most %.2f s; %d starts were answered and left no run",
		n, time.Since(began).Round(time.Second), loadAverage(), l.times, l.found, len(l.missing), at(l.missing, 0.5), at(l.missing, 1), l.unborn)
}

// killLog collects what several series saw.
type killLog struct {
	mu      sync.Mutex
	times   map[string]int
	missing []float64 // s
	found   int
	unborn  int
}

func at(sorted []float64, share float64) float64 {
	if len(sorted) == 0 {
		return 0
	}
	return sorted[min(int(share*float64(len(sorted))), len(sorted)-1)]
}

// killSeries kills a program so many times on one data directory. What a kill left is looked at in the next life of the program.
func killSeries(t *testing.T, l *killLog, times int) {
	data, token := t.TempDir(), ""
	var last *killed
	for k := 0; k <= times; k++ {
		when, after := drawKill()
		if k == times {
			when = killInRun // the last life is only looked at
		}
		if when == killInStart {
			killStarting(t, data, after)
			l.note(when)
			continue
		}
		d := startBuilt(t, "--data", data)
		d.token = token
		if last != nil {
			lookBack(t, d, last, l)
		}
		if k == times {
			_ = d.cmd.Process.Signal(syscall.SIGTERM)
			if err := d.cmd.Wait(); err != nil {
				t.Errorf("an orderly end failed: %v", err)
			}
			break
		}
		last = killOnce(t, d, when, after)
		token = d.token
		l.note(when)
		if damaged, _ := filepath.Glob(filepath.Join(data, "*damaged*")); len(damaged) > 0 {
			t.Fatalf("killed %s: set aside as damaged: %v", when, damaged)
		}
	}
	lookThrough(t, data)
}

func (l *killLog) note(when string) {
	l.mu.Lock()
	l.times[when]++
	l.mu.Unlock()
}

// killStarting kills a program before it has said anything, or just after.
func killStarting(t *testing.T, data string, after time.Duration) {
	t.Helper()
	c := exec.Command(program(t, ""), "serve", "--sim", "--listen", "127.0.0.1:0", "--data", data)
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	time.Sleep(after)
	_ = c.Process.Kill()
	_ = c.Wait() // killed: its status is the signal
}

// killOnce starts a run and kills the program.
func killOnce(t *testing.T, d *daemon, when string, after time.Duration) *killed {
	t.Helper()
	k := &killed{when: when, before: d.newest().ID}
	seen := d.follow()
	if d.token != "" { // a pairing outlives the process, the controls do not
		if code, text := d.post("/api/v1/controls/take", "{}"); code >= 300 {
			t.Fatalf("take the controls: %d %s", code, text)
		}
	}
	d.begin()
	k.begun = true
	if when == killInEnding {
		time.Sleep(time.Duration(rand.IntN(1000)) * time.Millisecond)
		if code, text := d.post("/api/v1/stop", ""); code >= 300 {
			t.Fatalf("stop: %d %s", code, text)
		}
	}
	time.Sleep(after)
	at := time.Now()
	if err := d.cmd.Process.Signal(syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	_ = d.cmd.Wait()
	s := <-seen
	if k.id = s.id; k.id != 0 {
		k.elapsed = s.elapsed + at.Sub(s.at).Seconds() // the run went on after the state that was read last
	}
	return k
}

// recorded is a run as the list of runs shows it.
type recorded struct {
	ID      int64   `json:"id"`
	State   string  `json:"state"`
	Code    string  `json:"code"`
	Samples int     `json:"samples"`
	Elapsed float64 `json:"elapsed_s"` // of an aborted run: the time of its last sample
}

// newest returns the newest run on record; zero when there is none.
func (d *daemon) newest() recorded {
	var list struct {
		Runs []recorded `json:"runs"`
	}
	d.get("/api/v1/runs?limit=1", &list)
	if len(list.Runs) == 0 {
		return recorded{}
	}
	return list.Runs[0]
}

// lookBack looks at what the last kill left.
func lookBack(t *testing.T, d *daemon, k *killed, l *killLog) {
	t.Helper()
	var s brief
	d.get("/api/v1/state", &s)
	if s.State != "idle" || s.HeatEnabled || s.Run != nil {
		t.Fatalf("killed %s: after the restart the station is %s, heat enabled %v, run %v", k.when, s.State, s.HeatEnabled, s.Run)
	}
	for _, h := range s.Heaters {
		if h.On {
			t.Fatalf("killed %s: a heater is on after the restart", k.when)
		}
	}
	r := d.newest()
	l.mu.Lock()
	defer l.mu.Unlock()
	if r.ID == k.before {
		l.unborn++
		// The number of a run is given when its head is on the disk, and shown after that.
		if k.id != 0 {
			t.Errorf("killed %s: run %d was shown and is not on record", k.when, k.id)
		}
		return
	}
	l.found++
	ended := k.when == killInEnding && r.State == "stopped"
	if r.ID != k.before+1 || k.id != 0 && r.ID != k.id || !ended && (r.State != "aborted" || r.Code != "power_lost") {
		t.Errorf("killed %s: run %d is %s/%s; want run %d aborted/power_lost", k.when, r.ID, r.State, r.Code, k.before+1)
	}
	if k.id == 0 || k.when == killInEnding { // after Stop a run has no more samples than its end
		return
	}
	missing := k.elapsed
	if r.Samples > 0 {
		missing -= r.Elapsed
	}
	l.missing = append(l.missing, missing)
	if missing > 1.0 { // I-31
		t.Errorf("killed %s: %.2f s of samples are missing (%d kept, to %.2f s; killed at %.2f s)", k.when, missing, r.Samples, r.Elapsed, k.elapsed)
	}
}

// lookThrough looks at every record of a data directory that nobody uses.
func lookThrough(t *testing.T, data string) {
	t.Helper()
	db, err := store.Open(t.Context(), data)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	if err := db.Check(t.Context()); err != nil {
		t.Errorf("the database is not sound: %v", err)
	}
	if n := db.Notices(); len(n) > 0 {
		t.Errorf("the store has something to tell: %q", n)
	}
	runs, err := db.Runs(t.Context(), 10000)
	if err != nil {
		t.Fatal(err)
	}
	states := map[string]int{}
	for _, r := range runs {
		states[string(r.End.State)]++
		if r.End.State != station.Aborted && r.End.State != station.Stopped {
			t.Errorf("run %d is %q", r.Head.ID, r.End.State)
		}
		if p, err := db.Verify(t.Context(), r.Head.ID); err != nil || !p.OK() {
			t.Errorf("run %d: %v %v", r.Head.ID, err, p.Faults)
		}
		_, samples, err := db.Samples(t.Context(), r.Head.ID)
		if err != nil {
			t.Errorf("run %d: %v", r.Head.ID, err)
		}
		for i := range samples {
			if samples[i].Seq != uint64(i) {
				t.Errorf("run %d: sample %d has the number %d", r.Head.ID, i, samples[i].Seq)
				break
			}
		}
	}
	t.Logf("%d runs on record, %v", len(runs), slices.Sorted(maps.Keys(states)))
}
