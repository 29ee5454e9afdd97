package main

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"go.uber.org/zap"

	"trivet/api"
	"trivet/control/steptest"
	"trivet/safety"
	"trivet/sim/bench"
	"trivet/sim/catalog"
	"trivet/sim/fault"
	"trivet/station"
	"trivet/store"
)

// owing is a station on a simulated machine that must be commissioned, served on a port of this computer, with a person at its contacts who
// does what the station asks. Machine time runs fast.
type owing struct {
	t      *testing.T
	b      *bench.Bench
	url    string
	keeps  *station.Commissions
	clerk  *station.Clerk
	opened int // the interlock that the person holds open, −1 for none
	wrong  map[int]int
	now    station.Snapshot
}

func newOwing(t *testing.T, dir string, wrong map[int]int, faults ...fault.Fault) *owing {
	t.Helper()
	s, err := catalog.ScenarioNamed("removal-50mm-full")
	if err != nil {
		t.Fatal(err)
	}
	s.Machine = "kitchen-1k4"
	parts, err := loadParts(s, ".")
	if err != nil {
		t.Fatal(err)
	}
	const speed = 100
	b, err := bench.Assemble(parts, speed)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range faults {
		if err := b.Rig.Apply(f, true); err != nil {
			t.Fatal(err)
		}
	}
	o := b.Options()
	o.Setup.Limits.Commission = true
	u := &o.Setup
	x := &owing{t: t, b: b, opened: -1, wrong: wrong}
	x.clerk = station.NewClerk(u, store.NewMemory(), func(o *station.RunOrder) station.RunHead { return headOf(o, u, "boot") }, nil)
	var built atomic.Pointer[station.Station]
	x.keeps = keepCommissioning(dir, u, "kitchen", "digest-of-the-file", &built, zap.NewNop())
	o.Publish = func(s *station.Snapshot) { x.keeps.Note(s); x.clerk.Publish(s); x.now = *s }
	runner := station.Runner{Before: x.person, Speed: speed}
	st, loop, err := runner.Build(o, b.Keeper)
	if err != nil {
		t.Fatal(err)
	}
	built.Store(st)
	st.SetCommissioned(x.keeps.Standing())
	srv, err := api.New(api.Options{Station: desk{st, x.clerk, &lessons{kept: store.NewMemory(), log: zap.NewNop()}}, Live: x.clerk, Archive: store.NewMemory(),
		Profiles: profiles{standard: "removal"}, BootID: "boot", Commissioning: x.keeps})
	if err != nil {
		t.Fatal(err)
	}
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	x.url = "http://" + ln.Addr().String()
	ctx, end := context.WithCancel(context.Background())
	var all sync.WaitGroup
	all.Go(func() { x.keeps.Run(ctx) })
	all.Go(func() {
		_ = together(ctx, loop, x.clerk, func(ctx context.Context) error { return srv.Serve(ctx, ln) })
	})
	t.Cleanup(func() { end(); all.Wait() })
	return x
}

// person moves the contact that is asked for, or, for a wire that goes wrong, the other one. It is called in the tick's goroutine.
func (x *owing) person(now time.Duration) {
	x.b.Rig.Advance(now)
	n := &x.now.Commission.Inputs
	at := n.At
	if w, ok := x.wrong[at]; ok {
		at = w
	}
	set := func(i int, open bool) {
		_ = x.b.Rig.Apply(fault.Fault{Kind: "interlock_open", Target: []string{"emergency_stop", "door", "extraction", "limiter"}[i]}, open)
	}
	switch {
	case n.Ask == steptest.AskOpen && x.opened < 0:
		set(at, true)
		x.opened = at
	case n.Ask != steptest.AskOpen && x.opened >= 0:
		set(x.opened, false)
		x.opened = -1
	}
}

// typist answers what the program asks for on the terminal.
type typist struct {
	mu   sync.Mutex
	text bytes.Buffer
	keys *io.PipeWriter
	on   map[string]func(w io.Writer) // what is done when a text appears
}

func (p *typist) Write(b []byte) (int, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.text.Write(b)
	for said, do := range p.on {
		if strings.Contains(string(b), said) {
			go do(p.keys)
		}
	}
	return len(b), nil
}

func (p *typist) String() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.text.String()
}

func typing(s string) func(io.Writer) {
	return func(w io.Writer) { _, _ = io.WriteString(w, s+"\n") }
}

// walk runs the command as a person at the terminal would.
func (x *owing) walk(ctx context.Context, c commissionCmd, on map[string]func(io.Writer)) (code int, text string, err error) {
	in, keys := io.Pipe()
	p := &typist{keys: keys, on: on}
	c.URL, c.in, c.wait = x.url, in, 20*time.Millisecond
	e := &env{ctx: ctx, out: p, errOut: p}
	err = c.Run(e)
	_ = keys.Close()
	return e.exit, p.String(), err
}

var willing = map[string]func(io.Writer){"type reset": typing("reset"), "Type heat": typing("heat")}

func TestAPersonIsLedThroughCommissioningToATable(t *testing.T) {
	if testing.Short() || raceEnabled {
		t.Skip("twenty minutes of machine time take twenty seconds; under the race detector the simulated hand is done before the terminal has looked")
	}
	dir := t.TempDir()
	x := newOwing(t, dir, nil)
	code, text, err := x.walk(t.Context(), commissionCmd{By: "Ada"}, willing)
	if err != nil || code != exitDone {
		t.Fatalf("%d, %v\n%s", code, err, text)
	}
	for _, want := range []string{"emergency stop in reach", "press Emergency stop", "Latched", "step test of Top air", "gain", "area-left", "Top blower", "Restart the program", "proof test"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is not said:\n%s", want, text)
		}
	}
	kept, err := newCommissionFile(dir).Load()
	if err != nil || kept == nil || kept.By != "Ada" || kept.Digest != "digest-of-the-file" || len(kept.Loops) != 4 || len(kept.Findings) != 0 {
		t.Fatalf("%v, %+v", err, kept)
	}
	// The next life of the program takes it into use.
	var none atomic.Pointer[station.Station]
	u := x.b.Options().Setup
	u.Limits.Commission = true
	if s := keepCommissioning(dir, &u, "kitchen", "digest-of-the-file", &none, zap.NewNop()).Standing(); s != safety.CommissionedSound {
		t.Errorf("after a restart: %d", s)
	}
	if s := keepCommissioning(dir, &u, "kitchen", "another", &none, zap.NewNop()).Standing(); s != safety.CommissionStale {
		t.Errorf("with another machine file: %d", s)
	}
	code, text, err = x.walk(t.Context(), commissionCmd{Status: true, JSON: true}, nil)
	var v api.CommissioningView
	if jerr := json.Unmarshal([]byte(text), &v); jerr != nil || err != nil || code != exitDone || v.Standing != "unused" || len(v.Result.Loops) != 4 {
		t.Errorf("%d, %v, %v, %s", code, err, jerr, v.Standing)
	}
}

func TestASwappedPairEndsTheWalkWithItsName(t *testing.T) {
	x := newOwing(t, t.TempDir(), nil, fault.Fault{Kind: "relay_swapped", Target: "left", With: "right"})
	code, text, err := x.walk(t.Context(), commissionCmd{}, willing)
	if err != nil || code != exitOutside || !strings.Contains(text, "With Area left on alone, the thermocouple of Area right answered") {
		t.Errorf("%d, %v\n%s", code, err, text)
	}
	if s := x.keeps.Standing(); s != safety.CommissionFaulty {
		t.Errorf("it counts as %d", s)
	}
}

func TestExchangedInputsEndTheWalkBeforeAnyHeat(t *testing.T) {
	x := newOwing(t, t.TempDir(), map[int]int{0: 1, 1: 0})
	code, text, err := x.walk(t.Context(), commissionCmd{}, willing)
	if err != nil || code != exitOutside || !strings.Contains(text, "When Emergency stop was to open, Guard door moved; when Guard door was to open, Emergency stop moved") || strings.Contains(text, "Type heat") {
		t.Errorf("%d, %v\n%s", code, err, text)
	}
}

func TestCtrlCEndsTheHeat(t *testing.T) {
	x := newOwing(t, t.TempDir(), nil)
	ctx, cancel := context.WithCancel(t.Context())
	_, text, err := x.walk(ctx, commissionCmd{Run1: true}, map[string]func(io.Writer){"Type heat": typing("heat"), "step test of": func(io.Writer) { cancel() }})
	if err == nil || !strings.Contains(err.Error(), "the heat was ended") {
		t.Fatalf("%v\n%s", err, text)
	}
	var s station.Snapshot
	for end := time.Now().Add(10 * time.Second); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		if x.clerk.Latest(&s); s.State == station.Stopped {
			break
		}
	}
	if s.State != station.Stopped || s.HeatEnabled {
		t.Errorf("the station is %s, heat enabled: %v", s.State, s.HeatEnabled)
	}
	if x.keeps.Standing() != safety.CommissionNever {
		t.Error("an interrupted run counts")
	}
}

func TestWhoeverDoesNotTypeTheWordIsLeftAlone(t *testing.T) {
	x := newOwing(t, t.TempDir(), nil)
	_, text, err := x.walk(t.Context(), commissionCmd{Run1: true}, map[string]func(io.Writer){"Type heat": typing("yes")})
	if err != nil || !strings.Contains(text, "Left as it is") {
		t.Errorf("%v\n%s", err, text)
	}
	var s station.Snapshot
	if x.clerk.Latest(&s); s.State != station.Idle {
		t.Errorf("the station is %s", s.State)
	}
}

func TestTheFileOfCommissioningIsWholeOrNotTaken(t *testing.T) {
	dir := t.TempDir()
	f := newCommissionFile(dir)
	if c, err := f.Load(); c != nil || err != nil {
		t.Fatalf("nothing there: %+v, %v", c, err)
	}
	want := &station.Commissioned{Machine: "bench", Digest: "d", By: "Ada", AtUTC: time.Date(2031, 5, 1, 12, 0, 0, 0, time.UTC), Loops: []station.LoopMeasured{{Heater: "top", Gain: 380.5, BandK: 20}}}
	if err := f.Save(want); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "commissioning.json")
	info, err := os.Stat(path)
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Fatalf("%v, %v", err, info.Mode())
	}
	got, err := f.Load()
	if err != nil || got.Loops[0] != want.Loops[0] || !got.AtUTC.Equal(want.AtUTC) {
		t.Fatalf("%+v, %v", got, err)
	}
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for name, bad := range map[string][]byte{
		"cut short": data[:len(data)/2], "empty": {}, "a wider band": bytes.Replace(data, []byte(`"band_k": 20`), []byte(`"band_k": 200`), 1),
		"another format": bytes.Replace(data, []byte("-v1"), []byte("-v9"), 1), "a field more": bytes.Replace(data, []byte(`"format"`), []byte(`"x": 1, "format"`), 1),
	} {
		if err := os.WriteFile(path, bad, 0o600); err != nil {
			t.Fatal(err)
		}
		if c, err := f.Load(); err == nil {
			t.Errorf("%s is taken: %+v", name, c)
		}
	}
	if err := os.WriteFile(path, data, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(path, 0o622); err != nil {
		t.Fatal(err)
	}
	if _, err := f.Load(); err == nil || !strings.Contains(err.Error(), "may write it") {
		t.Errorf("a file that anybody may write is taken: %v", err)
	}
}
