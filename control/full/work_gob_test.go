package full_test

import (
	"bytes"
	"encoding/gob"
	"reflect"
	"testing"

	"trivet/control/full"
	"trivet/process/unit"
)

// abroad sends a value through gob, as to another process.
func abroad[T any](t *testing.T, v T) (out T, size int) {
	t.Helper()
	var b bytes.Buffer
	if err := gob.NewEncoder(&b).Encode(v); err != nil {
		t.Fatal(err)
	}
	size = b.Len()
	if err := gob.NewDecoder(&b).Decode(&out); err != nil {
		t.Fatal(err)
	}
	return out, size
}

// TestWorkDoneElsewhereIsTheSameWork follows a run in which every piece of work and every result goes the long way, beside one in which
// nothing does.
func TestWorkDoneElsewhereIsTheSameWork(t *testing.T) {
	near, far := newRig(t), newRig(t)
	jobs, largest := 0, 0
	for i := range 600 {
		near.tick(false)
		far.tick(false)
		here, a := near.law.Want()
		there, b := far.law.Want()
		if a != b {
			t.Fatalf("tick %d: one asks for work and the other does not", i)
		}
		if !a {
			continue
		}
		jobs++
		out, size := abroad(t, there)
		largest = max(largest, size)
		r := full.Solve(here)
		back, _ := abroad(t, full.Solve(out))
		if !reflect.DeepEqual(r, back) {
			t.Fatalf("job %d: the result is\n%+v; done elsewhere\n%+v", jobs, r, back)
		}
		near.law.Give(r)
		far.law.Give(back)
		if near.out != far.out {
			t.Fatalf("tick %d: %+v; with work done elsewhere %+v", i, near.out, far.out)
		}
	}
	if jobs < 5 {
		t.Errorf("%d pieces of work in a minute", jobs)
	}
	t.Logf("%d pieces of work, the largest of %d bytes", jobs, largest)
}

func TestAnErrorTravelsAsItsText(t *testing.T) {
	r := full.Preview(full.Config{}, nil, unit.Celsius(25))
	back, _ := abroad(t, r)
	if r.Err == nil || back.Err == nil || back.Err.Error() != r.Err.Error() {
		t.Errorf("%v became %v", r.Err, back.Err)
	}
}

func TestWhatIsNoWorkIsRefused(t *testing.T) {
	var w full.Work
	var r full.Result
	if w.GobDecode([]byte("nonsense")) == nil || r.GobDecode([]byte("nonsense")) == nil {
		t.Error("nonsense is taken for work")
	}
}
