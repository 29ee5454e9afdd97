//go:build !mutated

package safety_test

import (
	"bufio"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
)

// explained is the list of mistakes that no test can or need see, each with its reason: "key | reason".
const explained = "../testdata/mutants/safety.txt"

// reasons reads the list. An empty line and one that begins with # say nothing.
func reasons(t *testing.T) map[string]string {
	t.Helper()
	f, err := os.Open(explained)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	out := map[string]string{}
	for in := bufio.NewScanner(f); in.Scan(); {
		line := strings.TrimSpace(in.Text())
		if line == "" || line[0] == '#' {
			continue
		}
		at := strings.LastIndex(line, " | ") // a key may have one in it
		if at < 0 {
			t.Errorf("%s: no reason in %q", explained, line)
			continue
		}
		out[line[:at]] = line[at+3:]
	}
	return out
}

// outcome of one mutant.
type outcome string

const (
	killed    outcome = "noticed"
	killedFar outcome = "noticed by station or station/check only"
	survived  outcome = "unnoticed"
	listed    outcome = "unnoticed, with a reason"
	same      outcome = "the same machine code"
	notBuilt  outcome = "does not compile"
)

// single makes one mistake in a build of its own.
func (s *workshop) single(m *mutant, again bool) outcome {
	files := map[string][]byte{m.file: s.apply(m)}
	bin, sum, err := s.build("safety", files)
	switch {
	case err != nil:
		return notBuilt
	case sum == s.genuine:
		return same
	case again && s.fails(bin, "safety", ".", 0):
		return killed
	}
	if os.Getenv("TRIVET_MUTANTS_FAR") != "" {
		for _, far := range []struct{ pkg, only string }{{"station", "."}, {"station/check", "Guard|Whole"}} {
			if bin, _, err := s.build(far.pkg, files); err == nil && s.fails(bin, far.pkg, far.only, 0) {
				return killedFar
			}
		}
	}
	return survived
}

// judge makes all mistakes of one file, most of them in one build, and tells how each of them came out.
func (s *workshop) judge(file string, list map[int]*mutant, why map[string]string, tell func(k int, o outcome)) {
	for k, m := range list {
		if !s.compiles(m) {
			tell(k, notBuilt)
			delete(list, k)
		}
	}
	src, left := s.switchable(file, list)
	bin, _, err := s.build("safety", map[string][]byte{file: src, "chooser.go": []byte(chooser)})
	if err != nil {
		s.t.Fatalf("%s with its mistakes side by side does not compile: %v", file, err)
	}
	if s.fails(bin, "safety", ".", 0) {
		s.t.Fatalf("%s with its mistakes side by side and none of them made does not pass", file)
	}
	var far []int
	for k := range list {
		switch {
		case slices.Contains(left, k):
		case s.fails(bin, "safety", ".", k):
			tell(k, killed)
		default:
			far = append(far, k)
		}
	}
	for _, k := range left {
		tell(k, s.single(list[k], true))
	}
	for _, k := range far {
		if why[list[k].key()] != "" || os.Getenv("TRIVET_MUTANTS_FAR") == "" {
			tell(k, survived)
			continue
		}
		tell(k, s.single(list[k], false)) // alone, as the other packages know nothing of switches
	}
}

// picked is how many mutants TRIVET_MUTANTS asks for; zero: none.
func picked(all int) int {
	v := os.Getenv("TRIVET_MUTANTS")
	if n, err := strconv.Atoi(v); err == nil {
		return min(max(n, 0), all)
	}
	if v == "all" {
		return all
	}
	return 0
}

// TestEverySmallMistakeInTheGuardIsNoticed puts one mistake after the other into this package and runs the tests that are to notice.
// TRIVET_MUTANTS=N takes N of them, drawn, and all takes all; TRIVET_MUTANTS_LIKE takes those whose key begins with one of its lines, and with
// TRIVET_MUTANTS_FAR=1 what nobody notices here is shown to the tests of the station and to the state-by-state search as well.
func TestEverySmallMistakeInTheGuardIsNoticed(t *testing.T) {
	all, err := mutants(".")
	if err != nil {
		t.Fatal(err)
	}
	n := picked(len(all))
	if n == 0 {
		t.Skipf("%d mistakes are known; TRIVET_MUTANTS=N or all makes them", len(all))
	}
	if n < len(all) {
		rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 1)).Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
	}
	s := newWorkshop(t)
	bin, sum, err := s.build("safety", nil)
	if err != nil || s.fails(bin, "safety", ".", 0) {
		t.Fatalf("the unspoilt package does not pass its own tests: %v", err)
	}
	s.genuine = sum
	like := strings.Split(os.Getenv("TRIVET_MUTANTS_LIKE"), "\n")
	byFile, why, count, used := map[string]map[int]*mutant{}, reasons(t), map[outcome]int{}, map[string]bool{}
	for i := range all[:n] {
		m := &all[i]
		if slices.ContainsFunc(like, func(begin string) bool { return strings.HasPrefix(m.key(), begin) }) {
			if byFile[m.file] == nil {
				byFile[m.file] = map[int]*mutant{}
			}
			byFile[m.file][i+1] = m
		}
	}
	for file, list := range byFile {
		s.judge(file, list, why, func(k int, o outcome) {
			m := &all[k-1]
			if o == survived && why[m.key()] != "" {
				o, used[m.key()] = listed, true
			}
			if count[o]++; o == survived {
				t.Errorf("%s:%d: nobody noticed %s", m.file, m.line, m.key())
			}
		})
	}
	dead, alive := count[killed]+count[killedFar], count[survived]+count[listed]
	t.Logf("%d noticed here, %d by station or station/check only, %d unnoticed of which %d have a reason; %d are the same machine code, %d do not compile",
		count[killed], count[killedFar], alive, count[listed], count[same], count[notBuilt])
	t.Logf("score %.1f %%, without those that have a reason %.1f %%", 100*float64(dead)/float64(max(1, dead+alive)), 100*float64(dead)/float64(max(1, dead+count[survived])))
	for k := range why {
		if n == len(all) && like[0] == "" && !used[k] {
			t.Errorf("%s explains what is noticed or does not exist: %s", explained, k)
		}
	}
}
