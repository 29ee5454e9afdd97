package main

import (
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
