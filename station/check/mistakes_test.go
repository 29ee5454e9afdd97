package check

import (
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// mistake is one wrong variant of the real code: in file, old is replaced by new, in which ‹n› is its number. The sources in the
// repository stay as they are: the compiler is told to read other ones (go test -overlay).
type mistake struct{ what, file, old, new string }

// mistakes are the seeded ones. Wrong(n) says whether this is the run with mistake n, Off(n) is 1 in that run and 0 otherwise.
func mistakes() []mistake {
	return []mistake{
		{"the verdict forgets what is latched", "safety/guard.go", "|| g.latches[r] != 0\n", "|| g.latches[r] != 0 && !Wrong(‹n›)\n"},
		{"the door does not latch", "safety/guard.go", "if row.Latch {", "if row.Latch && !(Wrong(‹n›) && row.Code == \"door\") {"},
		{"a reset need not name its trip", "safety/guard.go", "if id != g.tripID {", "if id != g.tripID && !Wrong(‹n›) {"},
		{"a reset does not wait", "safety/guard.go", "|| g.now-m.gone < CauseGone)", "|| !Wrong(‹n›) && g.now-m.gone < CauseGone)"},
		{"a cause that is there does not matter to a reset", "safety/guard.go", "(g.there(r, i) ||", "(!Wrong(‹n›) && g.there(r, i) ||"},
		{"the last cause is named first", "safety/guard.go", "if g.firstRow < 0 {\n\t\tg.firstRow, g.firstSub", "if g.firstRow < 0 || Wrong(‹n›) {\n\t\tg.firstRow, g.firstSub"},
		{"air need not last", "safety/guard.go", "g.now-g.airSince[b] >= AirProof", "(Wrong(‹n›) || g.now-g.airSince[b] >= AirProof)"},
		{"a commanded blower counts as air", "safety/guard.go", "(f.AirFlows[b] ||", "(Wrong(‹n›) || f.AirFlows[b] ||"},
		{"air is proven without a blower", "safety/guard.go", "flows := f.BlowerOn[b] &&", "flows := (Wrong(‹n›) || f.BlowerOn[b]) &&"},
		{"heat is allowed at rest", "safety/guard.go", "case !f.Armed:", "case !f.Armed && !Wrong(‹n›):"},
		{"one sample more at the ceiling", "safety/guard.go", "m.samples >= row.Samples &&", "m.samples >= row.Samples+Off(‹n›) &&"},
		{"nothing is held", "safety/guard.go", "v.Hold = true", "v.Hold = !Wrong(‹n›)"},
		{"a ceiling leaves its heaters on", "safety/guard.go", "v.Allow &^= g.limits.Sensors[i].Heaters", "v.Allow &^= g.limits.Sensors[i].Heaters &^ Mask(255*Off(‹n›))"},
		{"a trip that only drive can tell about stays for ever", "safety/guard.go", "if m.true_ { // once", "if m.true_ && !Wrong(‹n›) { // once"},
		{"a cause is forgotten at rest", "safety/guard.go", "|| m.latched) && row.True", "|| m.latched && !Wrong(‹n›)) && row.True"},
		{"a ceiling must be passed", "safety/alarms.go", "return ok && limit > 0 && c >= limit", "return ok && limit > 0 && (c > limit || c == limit && !Wrong(‹n›))"},
		{"a sensor is lost after twice its time", "safety/table.go", ">= l.Sensors[i].LostAfter", ">= l.Sensors[i].LostAfter*time.Duration(1+Off(‹n›))"},
		{"the door is not looked at", "safety/table.go", "l.Interlocks[i].Kind == Door && !f.Closed[i]", "l.Interlocks[i].Kind == Door && !f.Closed[i] && !Wrong(‹n›)"},
		{"a late tick does not trip", "safety/table.go", "f.Late > MaxLate }", "f.Late > MaxLate && !Wrong(‹n›) }"},
		{"a clock may stand", "safety/past.go", "p.begun && now <= p.last", "p.begun && (now < p.last || now == p.last && !Wrong(‹n›))"},
		{"a start does not ask for the door", "safety/permissive.go", "l.Interlocks[i].Kind != Door || f.Closed[i]", "l.Interlocks[i].Kind != Door || f.Closed[i] || Wrong(‹n›)"},
		{"contacts of the last tick", "station/station.go", "\t\ts.facts.Closed[i] = c.Read()\n", "\t\tif !safety.Wrong(‹n›) || sn.Seq%2 == 0 {\n\t\t\ts.facts.Closed[i] = c.Read()\n\t\t}\n"},
		{"the gate adds", "station/station.go", "safety.Mask(s.out.On) & v.Allow", "safety.Mask(s.out.On) & (v.Allow | safety.Mask(safety.Off(‹n›)))"},
		{"the gate does not ask for the state", "station/station.go", "if !s.heating() || s.facts.BadDrive {", "if !s.heating() && !safety.Wrong(‹n›) || s.facts.BadDrive {"},
		{"the gate follows a law gone mad", "station/station.go", "|| s.facts.BadDrive {", "|| s.facts.BadDrive && !safety.Wrong(‹n›) {"},
		{"proving air counts as heating", "station/station.go", "s.snap.Phase != PhaseAir &&", "(s.snap.Phase != PhaseAir || safety.Wrong(‹n›)) &&"},
		{"the law does not hear of a hold", "station/station.go", "in.Keep = v.Hold", "in.Keep = v.Hold && !safety.Wrong(‹n›)"},
		{"a relay that does not answer is nothing", "station/station.go", "return !failed", "return !failed || safety.Wrong(‹n›)"},
		{"StopNow switches on", "station/station.go", "_ = r.Set(false) // a relay that does not answer", "_ = r.Set(safety.Wrong(‹n›)) // a relay that does not answer"},
		{"a held run ignores trips", "station/run.go", "if v.Tripped && sn.State.Live() &&", "if v.Tripped && !(safety.Wrong(‹n›) && sn.State == Held) && sn.State.Live() &&"},
		{"a start outlives a stop", "station/run.go", "if by != nil && r.c.Event == Start {", "if by != nil && r.c.Event == Start && !safety.Wrong(‹n›) {"},
		{"a reset does not wait for rest", "station/run.go", "if s.snap.State.Live() {\n\t\t\treturn &Refusal", "if s.snap.State.Live() && !safety.Wrong(‹n›) {\n\t\t\treturn &Refusal"},
		{"a start does not ask for trips", "station/run.go", "tripped {\n\t\treturn &Refusal{Code: \"tripped\"", "tripped && !safety.Wrong(‹n›) {\n\t\treturn &Refusal{Code: \"tripped\""},
		{"a start does not ask for the record", "station/run.go", "if s.noRecord.Load() {", "if s.noRecord.Load() && !safety.Wrong(‹n›) {"},
		{"air stops after the run", "station/run.go", "if off >= runOnLeast &&", "if (off >= runOnLeast || safety.Wrong(‹n›)) &&"},
		{"a trip stops the blower", "station/run.go", "s.snap.Phase = PhaseRunOn\n", "s.snap.Phase = PhaseRunOn\n\ts.blow(!safety.Wrong(‹n›))\n"},
		{"a run that was too long cannot be reset", "station/run.go", "s.facts.HeatFor = 0 // it", "s.facts.HeatFor *= time.Duration(safety.Off(‹n›)) // it"},
		{"a held run goes on by itself", "station/run.go", "s.heldFor += dt\n", "s.heldFor += dt\n\t\tif safety.Wrong(‹n›) {\n\t\t\t_ = s.move(Restart)\n\t\t}\n"},
		{"heat-enable waits for the end of a trip's tick", "station/keeper.go", "if k.verdict.Tripped {", "if k.verdict.Tripped && !safety.Wrong(‹n›) {"},
		{"a heartbeat in a trip", "station/keeper.go", "inOrder && !k.silent && !k.verdict.Tripped &&", "inOrder && !k.silent && (!k.verdict.Tripped || safety.Wrong(‹n›)) &&"},
		{"a heartbeat in a late tick", "station/keeper.go", "k.facts.Late <= safety.MaxLate", "(k.facts.Late <= safety.MaxLate || safety.Wrong(‹n›))"},
		{"a heartbeat for what was not allowed", "station/keeper.go", "on&^k.verdict.Allow == 0", "(on&^k.verdict.Allow == 0 || safety.Wrong(‹n›))"},
		{"a heartbeat without a judgement", "station/keeper.go", "k.judged && (", "(k.judged || safety.Wrong(‹n›)) && ("},
		{"heat-enable before the guard was asked about heat", "station/keeper.go", "(k.facts.Armed || k.verdict.Ready)", "(k.facts.Armed || k.verdict.Ready || safety.Wrong(‹n›))"},
		{"silence leaves no trip", "station/keeper.go", "if k.ticking && (", "if k.ticking && !safety.Wrong(‹n›) && ("},
		{"every change of a reading is a jump", "station/sense.go", "> s.rate*dt+s.slack {", "> (s.rate*dt+s.slack)*float64(1-safety.Off(‹n›)) {"},
	}
}

// seam is what the wrong variants ask which mistake is on.
const seam = `package safety

import ("os"; "strconv")

var wrong, _ = strconv.Atoi(os.Getenv("TRIVET_CHECK_WRONG"))

func Wrong(n int) bool { return wrong == n }
func Off(n int) int { if wrong == n { return 1 }; return 0 }
`

// TestSearchForOneMistake is what the wrong binary runs: each layer alone, then the whole, until something is found.
func TestSearchForOneMistake(t *testing.T) {
	if os.Getenv("TRIVET_CHECK_WRONG") == "" {
		t.Skip("runs in the binary that TestSeededMistakesAreCaught builds")
	}
	for _, s := range []struct {
		layer string
		sys   System
		depth int
	}{
		{"keeper alone", must[*KeeperAlone](t)(NewKeeperAlone()), 4}, {"gate alone", must[*GateAlone](t)(NewGateAlone()), 2},
		{"guard alone", must[*GuardAlone](t)(NewGuardAlone()), 2}, {"whole", must[*Whole](t)(NewWhole(Config{Faults: 1})), 2},
	} {
		r, err := Search(s.sys, Options{Depth: s.depth})
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range r.Broken {
			fmt.Printf("CAUGHT %s | %s | %d+%d steps: %q then %q\n", s.layer, c.Property, len(c.Root), len(c.Path), c.Root, c.Path)
			return
		}
	}
}

func TestSeededMistakesAreCaught(t *testing.T) {
	if testing.Short() || raced {
		t.Skip("builds a test binary and runs it once for each mistake")
	}
	binary := build(t, mistakes())
	run := func(n int) string {
		c := exec.Command(binary, "-test.run", "^TestSearchForOneMistake$")
		c.Env = append(os.Environ(), fmt.Sprintf("TRIVET_CHECK_WRONG=%d", n))
		out, err := c.CombinedOutput()
		if err != nil {
			return "CAUGHT by failing: " + firstLine(string(out)) // a search that cannot be trusted, or a machine broken at rest
		}
		return firstLine(string(out))
	}
	if got := run(-1); strings.HasPrefix(got, "CAUGHT") {
		t.Fatalf("without a mistake: %s", got)
	}
	caught := 0
	for i, m := range mistakes() {
		got := run(i + 1)
		if !strings.HasPrefix(got, "CAUGHT") {
			t.Errorf("%d %q survives", i+1, m.what)
			continue
		}
		caught++
		t.Logf("%2d %s: %s", i+1, m.what, strings.TrimPrefix(got, "CAUGHT "))
	}
	t.Logf("%d of %d mistakes caught", caught, len(mistakes()))
}

func firstLine(s string) string {
	for l := range strings.Lines(s) {
		if strings.HasPrefix(l, "CAUGHT") || strings.Contains(l, "_test.go:") {
			return strings.TrimSpace(l)
		}
	}
	return ""
}

// build makes one test binary with every mistake in it, each asleep until it is named.
func build(t *testing.T, list []mistake) string {
	t.Helper()
	root, err := filepath.Abs("../..")
	if err != nil {
		t.Fatal(err)
	}
	dir, replace, text := t.TempDir(), map[string]string{}, map[string]string{}
	for i, m := range list {
		if text[m.file] == "" {
			b, err := os.ReadFile(filepath.Join(root, m.file))
			if err != nil {
				t.Fatal(err)
			}
			text[m.file] = string(b)
		}
		old := firstOld(text[m.file], m)
		if old == "" {
			t.Fatalf("%d %q: %s does not contain %q exactly once", i+1, m.what, m.file, m.old)
		}
		text[m.file] = strings.Replace(text[m.file], old, strings.ReplaceAll(m.new, "‹n›", fmt.Sprint(i+1)), 1)
	}
	text["safety/wrong_seam.go"] = seam
	for name, s := range text {
		at := filepath.Join(dir, strings.ReplaceAll(name, "/", "_"))
		if err := os.WriteFile(at, []byte(s), 0o600); err != nil {
			t.Fatal(err)
		}
		replace[filepath.Join(root, name)] = at
	}
	b, err := json.Marshal(map[string]any{"Replace": replace})
	if err != nil {
		t.Fatal(err)
	}
	overlay, binary := filepath.Join(dir, "overlay.json"), filepath.Join(dir, "wrong.test")
	if err := os.WriteFile(overlay, b, 0o600); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command("go", "test", "-overlay", overlay, "-c", "-o", binary, ".").CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	return binary
}

// firstOld is m.old where it stands in the text once, else nothing.
func firstOld(text string, m mistake) string {
	if strings.Count(text, m.old) != 1 {
		return ""
	}
	return m.old
}
