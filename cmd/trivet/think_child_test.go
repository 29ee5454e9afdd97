package main

import (
	"errors"
	"io"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"

	"trivet/control/full"
	"trivet/control/model"
)

// In tests the program is the test binary, also in the daemons that tests start.
var _ = func() bool {
	childProgram = func() (*exec.Cmd, error) {
		self, err := os.Executable()
		if err != nil {
			return nil, err
		}
		c := exec.Command(self)
		c.Env = []string{"TRIVET_TEST_ARGS=think-child"}
		return c, nil
	}
	return true
}()

// idle is a piece of work that is done at once, with an error that tells that it was looked at.
var idle = full.Work{Track: &model.Track{}}

func TestAChildThinksAndAnotherOneTakesOver(t *testing.T) {
	want := full.Solve(idle).Err.Error()
	b := newBrain(zap.NewNop())
	defer b.end()
	begun := 0
	b.begin = func() (*child, error) { begun++; return beget() }
	for range 3 {
		if r := b.solve(idle); r.Err == nil || r.Err.Error() != want {
			t.Fatalf("the child says %v; want %q", r.Err, want)
		}
	}
	if begun != 1 {
		t.Errorf("%d children for three pieces of work", begun)
	}
	if err := b.child.cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	if r := b.solve(idle); r.Err == nil || r.Err.Error() == want {
		t.Errorf("work that a child has died of says %v: was it tried here?", r.Err)
	}
	if r := b.solve(idle); r.Err == nil || r.Err.Error() != want || begun != 1 {
		t.Errorf("right after a death the work says %v, with %d children; it is done in this process", r.Err, begun)
	}
	b.again = time.Now()
	if r := b.solve(idle); r.Err == nil || r.Err.Error() != want || begun != 2 || b.alone {
		t.Errorf("later the work says %v, with %d children", r.Err, begun)
	}
}

func TestWithoutAChildTheWorkIsDoneAndTriesBecomeRarer(t *testing.T) {
	b := newBrain(zap.NewNop())
	tries := 0
	b.begin = func() (*child, error) { tries++; return nil, errors.New("no more processes") }
	var pauses []time.Duration
	for range 10 {
		b.again = time.Time{}
		if r := b.solve(idle); r.Err == nil || r.Err.Error() != full.Solve(idle).Err.Error() {
			t.Fatalf("the work says %v", r.Err)
		}
		pauses = append(pauses, time.Until(b.again).Round(time.Second))
	}
	if tries != 10 || pauses[0] != firstPause || pauses[2] != 4*time.Second || pauses[9] != longestPause {
		t.Errorf("%d tries, pauses %v", tries, pauses)
	}
}

func TestAChildEndsWithItsInput(t *testing.T) {
	if err := think(strings.NewReader(""), io.Discard); err != nil {
		t.Error(err)
	}
	if think(strings.NewReader("\x03abc\x03abc"), io.Discard) == nil {
		t.Error("nonsense is taken for work")
	}
}
