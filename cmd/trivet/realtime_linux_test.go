package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// TestASleepEndsOnTimeAndCanBeCutShort measures no lateness, which is the computer's affair; only the order of things.
func TestASleepEndsOnTimeAndCanBeCutShort(t *testing.T) {
	p := newPace()
	due := time.Now().Add(20 * time.Millisecond)
	for time.Until(due) > 0 {
		p.Sleep(due)
	}
	p.Sleep(time.Now().Add(-time.Second)) // a time that has passed
	p.Wake()
	begun := time.Now()
	p.Sleep(begun.Add(time.Hour)) // it was woken before it slept
	go func() {
		time.Sleep(20 * time.Millisecond)
		p.Wake()
	}()
	for slept := time.Duration(0); slept < 15*time.Millisecond; slept = time.Since(begun) {
		p.Sleep(begun.Add(time.Hour))
	}
	if time.Since(begun) > time.Minute {
		t.Error("nobody could wake it")
	}
}

// TestADaemonThinksInAChildOfLowPriority looks at the processes of the system.
func TestADaemonThinksInAChildOfLowPriority(t *testing.T) {
	d := startDaemon(t, "--data", t.TempDir(), "--speed", "2")
	d.begin()
	for deadline := time.Now().Add(60 * time.Second); time.Now().Before(deadline); time.Sleep(100 * time.Millisecond) {
		for _, c := range childrenOf(t, d.cmd.Process.Pid) {
			if c.nice == childNice && c.policy == schedBatch {
				return
			}
			if c.nice != 0 && c.nice != processNice { // between its begin and its stepping back it is what its parent is
				t.Fatalf("a child has nice %d and policy %d", c.nice, c.policy)
			}
		}
	}
	t.Error("in a minute of a run no child was seen at low priority")
}

type kid struct{ nice, policy int }

// childrenOf reads proc(5): in stat, behind the name in brackets, parent, nice value and policy are fields 4, 19 and 41.
func childrenOf(t *testing.T, parent int) (kids []kid) {
	t.Helper()
	all, err := filepath.Glob("/proc/[0-9]*/stat")
	if err != nil {
		t.Fatal(err)
	}
	for _, path := range all {
		text, err := os.ReadFile(path)
		if err != nil {
			continue // it has ended
		}
		f := strings.Fields(string(text[strings.LastIndexByte(string(text), ')')+1:]))
		if len(f) < 39 || f[1] != fmt.Sprint(parent) {
			continue
		}
		var k kid
		if _, err := fmt.Sscan(f[16]+" "+f[38], &k.nice, &k.policy); err == nil {
			kids = append(kids, k)
		}
	}
	return kids
}
