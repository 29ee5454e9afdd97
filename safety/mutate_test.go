//go:build !mutated

package safety_test

import (
	"bufio"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
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
		key, why, ok := strings.Cut(line, " | ")
		if !ok || why == "" {
			t.Errorf("%s: no reason in %q", explained, line)
		}
		out[key] = why
	}
	return out
}

// outcome of one mutant.
type outcome string

const (
	killed     outcome = "killed"
	killedFar  outcome = "killed by station or station/check"
	survived   outcome = "survived"
	same       outcome = "the same machine code"
	notBuilt   outcome = "does not compile"
	listed     outcome = "survived, explained"
	perMutant          = 60 * time.Second // a test that takes longer hangs, which is being found out
	guardTests         = "Guard|Whole|Keeper|Gate|Walks"
)

// workshop builds and runs mutated packages, one after the other.
type workshop struct {
	t       *testing.T
	dir     string // of package safety
	tmp     string
	source  map[string][]byte
	genuine map[string][32]byte // test binaries of the unspoilt package
}

// build compiles pkg's tests with the mutated file in the place of the genuine one and returns a digest of the binary.
func (s *workshop) build(m *mutant, pkg string) (string, [32]byte, error) {
	overlay := struct{ Replace map[string]string }{map[string]string{}}
	if m != nil {
		src, at := s.source[m.file], filepath.Join(s.tmp, "mutant.go")
		bad := slices.Concat(src[:m.from], []byte(m.now), src[m.to:])
		if err := os.WriteFile(at, bad, 0o600); err != nil {
			s.t.Fatal(err)
		}
		overlay.Replace[filepath.Join(s.dir, m.file)] = at
	}
	list, err := json.Marshal(overlay)
	if err != nil {
		s.t.Fatal(err)
	}
	where, bin := filepath.Join(s.tmp, "overlay.json"), filepath.Join(s.tmp, strings.ReplaceAll(pkg, "/", "_")+".test")
	if err := os.WriteFile(where, list, 0o600); err != nil {
		s.t.Fatal(err)
	}
	cmd := exec.Command("go", "test", "-c", "-vet=off", "-tags=mutated", "-trimpath", "-overlay", where, "-ldflags=-s -w -buildid=", "-o", bin, "./"+pkg)
	cmd.Dir = filepath.Dir(s.dir)
	if out, err := cmd.CombinedOutput(); err != nil {
		return "", [32]byte{}, errors.New(string(out))
	}
	b, err := os.ReadFile(bin)
	return bin, sha256.Sum256(b), err
}

// fails runs the tests of a built package and reports whether one of them fails or hangs.
func (s *workshop) fails(bin, pkg, only string) bool {
	ctx, cancel := context.WithTimeout(s.t.Context(), perMutant)
	defer cancel()
	cmd := exec.CommandContext(ctx, bin, "-test.failfast", "-test.short", "-test.run", only)
	cmd.Dir = filepath.Join(filepath.Dir(s.dir), pkg)
	cmd.Env = append(os.Environ(), "TRIVET_MUTANTS=", "GOMEMLIMIT=2GiB")
	return cmd.Run() != nil
}

// judge makes the mistake and sees who notices.
func (s *workshop) judge(m *mutant) outcome {
	bin, sum, err := s.build(m, "safety")
	switch {
	case err != nil:
		return notBuilt
	case sum == s.genuine["safety"]:
		return same
	case s.fails(bin, "safety", "."):
		return killed
	}
	if os.Getenv("TRIVET_MUTANTS_FAR") == "" {
		return survived
	}
	for _, far := range []struct{ pkg, only string }{{"station", "."}, {"station/check", guardTests}} {
		if bin, _, err := s.build(m, far.pkg); err == nil && s.fails(bin, far.pkg, far.only) {
			return killedFar
		}
	}
	return survived
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

// TestEverySmallMistakeInTheGuardIsNoticed puts one mistake after the other into this package and runs the tests that are to notice: its own,
// and where they do not, those of the station and the state-by-state search. TRIVET_MUTANTS=N takes N of them, drawn; all takes all, about a
// second each.
func TestEverySmallMistakeInTheGuardIsNoticed(t *testing.T) {
	dir, err := filepath.Abs(".")
	if err != nil {
		t.Fatal(err)
	}
	all, err := mutants(dir)
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
	s := &workshop{t: t, dir: dir, tmp: t.TempDir(), source: map[string][]byte{}, genuine: map[string][32]byte{}}
	for _, m := range all {
		if s.source[m.file] == nil {
			if s.source[m.file], err = os.ReadFile(filepath.Join(dir, m.file)); err != nil {
				t.Fatal(err)
			}
		}
	}
	bin, sum, err := s.build(nil, "safety")
	if err != nil || s.fails(bin, "safety", ".") {
		t.Fatalf("the unspoilt package does not pass its own tests: %v", err)
	}
	s.genuine["safety"] = sum
	why, count, used := reasons(t), map[outcome]int{}, map[string]bool{}
	only := strings.Split(os.Getenv("TRIVET_MUTANTS_LIKE"), "\n")
	for i := range all[:n] {
		m := &all[i]
		if !slices.ContainsFunc(only, func(start string) bool { return strings.HasPrefix(m.key(), start) }) {
			continue
		}
		o := s.judge(m)
		if o == survived && why[m.key()] != "" {
			o, used[m.key()] = listed, true
		}
		if count[o]++; o == survived {
			t.Errorf("%s:%d: nobody noticed %s", m.file, m.line, m.key())
		}
	}
	dead, alive := count[killed]+count[killedFar], count[survived]+count[listed]
	t.Logf("%d mistakes: %d noticed here, %d by station and station/check only, %d unnoticed of which %d explained; %d are the same machine code, %d do not compile; score %.1f %%, without the explained ones %.1f %%",
		dead+alive+count[same]+count[notBuilt], count[killed], count[killedFar], alive, count[listed], count[same], count[notBuilt],
		100*float64(dead)/float64(max(1, dead+alive)), 100*float64(dead)/float64(max(1, dead+count[survived])))
	for k := range why {
		if n == len(all) && len(only) == 1 && only[0] == "" && !used[k] {
			t.Errorf("%s explains what is noticed or does not exist: %s", explained, k)
		}
	}
}
