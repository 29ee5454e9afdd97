package station

import (
	"context"
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"trivet/control"
	"trivet/safety"
)

// keeping is a keeper with a guard that nothing can upset but its interlock, and its two lines.
func keeping(t *testing.T) (k *Keeper, enable, beat *pin, f *safety.Facts) {
	t.Helper()
	l := safety.Limits{MaxRun: time.Hour, NHeaters: 2, NInterlock: 1}
	l.Heaters[0], l.Heaters[1] = safety.Heater{Name: "a", Blower: -1}, safety.Heater{Name: "b", Blower: -1}
	l.Interlocks[0] = safety.Interlock{Name: "limiter", Kind: safety.Limiter}
	g, err := safety.NewGuard(l)
	if err != nil {
		t.Fatal(err)
	}
	enable, beat = &pin{on: true}, &pin{on: true}
	if k, err = NewKeeper(g, Lines{Enable: enable, Heartbeat: beat}); err != nil {
		t.Fatal(err)
	}
	f = &safety.Facts{Armed: true}
	f.Closed[0] = true
	return k, enable, beat, f
}

func TestAKeeperBeginsWithBothLinesInactiveOrNotAtAll(t *testing.T) {
	_, enable, beat, _ := keeping(t)
	if enable.on || beat.on {
		t.Errorf("heat-enable %v, heartbeat %v", enable.on, beat.on)
	}
	for _, lines := range []Lines{{Enable: &pin{fails: true}, Heartbeat: &pin{}}, {Enable: &pin{}, Heartbeat: &pin{fails: true}}} {
		if _, err := NewKeeper(nil, lines); err == nil {
			t.Error("a line that does not take its command was accepted")
		}
	}
}

// TestAnEdgeIsEarnedByEverythingTogether: each condition alone takes it away.
func TestAnEdgeIsEarnedByEverythingTogether(t *testing.T) {
	for _, c := range []struct {
		story string
		spoil func(k *Keeper, f *safety.Facts)
		seq   uint64
		armed bool
		on    safety.Mask
		want  bool
	}{
		{"everything is right", nil, 2, true, 3, true},
		{"a machine that is ready begins to heat", func(_ *Keeper, f *safety.Facts) { f.Armed = false }, 2, true, 0, true},
		{"it begins, and something is on that the guard had not been asked about", func(_ *Keeper, f *safety.Facts) { f.Armed = false }, 2, true, 1, false},
		{"it begins and is not ready", func(_ *Keeper, f *safety.Facts) { f.Armed = false; f.Closed[0] = false }, 2, true, 0, false},
		{"nobody wants heat", nil, 2, false, 0, false},
		{"a tick is missing", nil, 3, true, 3, false},
		{"a tick comes twice", nil, 1, true, 3, false},
		{"something is on that is not allowed", nil, 2, true, 1 << safety.MaxHeaters, false},
		{"the tick is late", func(_ *Keeper, f *safety.Facts) { f.Late = safety.MaxLate + 1 }, 2, true, 3, false},
		{"just not late", func(_ *Keeper, f *safety.Facts) { f.Late = safety.MaxLate }, 2, true, 3, true},
		{"a trip", func(_ *Keeper, f *safety.Facts) { f.Closed[0] = false }, 2, true, 0, false},
		{"no tick for too long", func(k *Keeper, _ *safety.Facts) { k.Silence() }, 2, true, 0, false},
		{"the start-up sequence", func(_ *Keeper, f *safety.Facts) {
			f.Armed, f.Testing, f.Test = false, true, safety.StartOut{Enable: true, Beat: true, Relays: 1}
		}, 2, false, 1, true},
		{"the start-up sequence before the contactor may close", func(_ *Keeper, f *safety.Facts) {
			f.Armed, f.Testing, f.Test = false, true, safety.StartOut{Beat: true, Relays: 1}
		}, 2, false, 1, false},
		{"what it wants, when it does not run", func(_ *Keeper, f *safety.Facts) { f.Test = safety.StartOut{Enable: true, Beat: true} }, 2, false, 0, false},
	} {
		k, enable, beat, f := keeping(t)
		k.Judge(Period, f)
		if !k.Done(1, true, 3) || !enable.on || !beat.on {
			t.Fatal("the first tick earned nothing")
		}
		if c.spoil != nil {
			c.spoil(k, f)
		}
		k.Judge(2*Period, f)
		if got := k.Done(c.seq, c.armed, c.on); got != c.want || enable.on != c.want || beat.on == c.want {
			t.Errorf("%s: enabled %v, line %v, heartbeat moved %v", c.story, got, enable.on, !beat.on)
		}
		if k.Done(c.seq+1, c.armed, 0) || enable.on {
			t.Errorf("%s: an edge for a tick in which the guard was not asked", c.story)
		}
	}
}

func TestTheStartUpSequenceMayWithholdTheEdgeAlone(t *testing.T) {
	k, enable, beat, f := keeping(t)
	f.Armed, f.Testing, f.Test = false, true, safety.StartOut{Enable: true}
	for seq := range uint64(10) {
		k.Judge(time.Duration(seq+1)*Period, f)
		if !k.Done(seq, false, 0) || !enable.on || beat.edges > 1 { // the one that made it inactive
			t.Fatalf("tick %d: heat-enable %v, %d edges", seq, enable.on, beat.edges)
		}
	}
}

func TestALineThatFailsTakesTheHeat(t *testing.T) {
	k, enable, beat, f := keeping(t)
	enable.fails = true
	k.Judge(Period, f)
	if edges := beat.edges; k.Done(1, true, 3) || beat.edges != edges {
		t.Error("a heartbeat without heat-enable")
	}
	k, enable, beat, f = keeping(t)
	beat.fails = true
	k.Judge(Period, f)
	if k.Done(1, true, 3) || enable.on {
		t.Error("heat-enable without a heartbeat")
	}
}

func TestSilenceTakesRelaysAndHeatEnableAndTripsOnlyWhereThereWasHeat(t *testing.T) {
	for _, heat := range []bool{false, true} {
		k, enable, _, f := keeping(t)
		relays := [2]*pin{{on: true}, {on: true, fails: true}}
		k.lines.Relays = []Switch{relays[1], relays[0]} // one that fails does not keep the other
		f.Armed = heat
		k.Judge(Period, f)
		k.Done(1, heat, 0)
		if enable.on != heat {
			t.Fatal("not as it should be")
		}
		if k.Silence(); enable.on || relays[0].on {
			t.Errorf("heat %v: heat-enable %v, relay %v", heat, enable.on, relays[0].on)
		}
		if v := k.Judge(2*Period, f); v.Tripped != heat {
			t.Errorf("heat %v: tripped %v", heat, v.Tripped)
		}
		f.Armed = false
		k.Judge(3*Period, f)
		if f.Silent {
			t.Error("told twice")
		}
	}
	k, enable, _, _ := keeping(t)
	enable.on = true
	if k.Silence(); enable.on || k.silent { // before the first tick nothing can have fallen silent
		t.Errorf("heat-enable %v, silent %v", enable.on, k.silent)
	}
}

func TestTheKeeperPassesAPersonsWordToTheGuard(t *testing.T) {
	k, _, _, f := keeping(t)
	f.Closed[0] = false
	k.Judge(Period, f)
	var list [4]safety.Active
	if n := k.Alarms(list[:]); n != 1 || list[0].State != safety.Unacknowledged {
		t.Fatalf("%d alarms: %+v", n, list[0])
	}
	if err := k.Acknowledge("limiter", 0); err != nil {
		t.Error(err)
	}
	if k.Alarms(list[:]); list[0].State != safety.Acknowledged && list[0].State != safety.LatchedAcknowledged {
		t.Errorf("%q", list[0].State)
	}
	if k.Acknowledge("limiter", 1) == nil || k.Reset(1) == nil || k.Balance(0) != 0 {
		t.Error("something came of nothing")
	}
}

// TestAcrossTheGoroutineEveryAnswerIsTheSame asks one keeper directly and another across its goroutine.
func TestAcrossTheGoroutineEveryAnswerIsTheSame(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		near, _, _, f := keeping(t)
		behind, enable, _, _ := keeping(t)
		far := newRemote(behind)
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan struct{})
		go func() { far.run(ctx); close(ended) }()
		for seq := range uint64(6) {
			f.Closed[0] = seq < 4
			now := time.Duration(seq+1) * Period
			here, there := *f, *f
			if a, b := near.Judge(now, &here), far.Judge(now, &there); a != b {
				t.Fatalf("tick %d: %+v, across %+v", seq, a, b)
			}
			if a, b := near.Done(seq, true, 0), far.Done(seq, true, 0); a != b {
				t.Fatalf("tick %d: done %v, across %v", seq, a, b)
			}
			var a, b [4]safety.Active
			if n, m := near.Alarms(a[:]), far.Alarms(b[:]); n != m || a != b {
				t.Fatalf("tick %d: alarms %+v, across %+v", seq, a, b)
			}
			ar, as, ai, at := near.FirstOut()
			if br, bs, bi, bt := far.FirstOut(); ar != br || as != bs || ai != bi || at != bt {
				t.Fatalf("tick %d: first-out differs", seq)
			}
		}
		for _, c := range []struct{ a, b error }{{near.Reset(1), far.Reset(1)}, {near.Reset(2), far.Reset(2)},
			{near.Acknowledge("limiter", 0), far.Acknowledge("limiter", 0)}, {near.Acknowledge("door", 0), far.Acknowledge("door", 0)}} {
			if (c.a == nil) != (c.b == nil) || c.a != nil && c.a.Error() != c.b.Error() {
				t.Errorf("%v, across %v", c.a, c.b)
			}
		}
		cancel()
		<-ended
		if enable.on {
			t.Error("the safety goroutine ended and left heat-enable on")
		}
	})
}

// TestAKeeperThatDoesNotAnswerAllowsNothing, whether it never took the question or took it and hung; and the next question is asked anew.
func TestAKeeperThatDoesNotAnswerAllowsNothing(t *testing.T) {
	for _, takes := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			k, _, _, f := keeping(t)
			r := newRemote(k)
			ctx, cancel := context.WithCancel(t.Context())
			defer cancel()
			if takes {
				go func() {
					for {
						select {
						case <-r.ask:
						case <-ctx.Done():
							return
						}
					}
				}()
			}
			for _, q := range []struct {
				name string
				ask  func() bool // whether something came of it
			}{
				{"judge", func() bool { return r.Judge(Period, f) != safety.Verdict{} }},
				{"done", func() bool { return r.Done(1, true, 3) }},
				{"reset", func() bool { return !errors.Is(r.Reset(1), errKeeper) }},
				{"acknowledge", func() bool { return !errors.Is(r.Acknowledge("limiter", 0), errKeeper) }},
				{"alarms", func() bool { return r.Alarms(make([]safety.Active, 4)) != 0 }},
				{"first-out", func() bool { _, _, _, tripped := r.FirstOut(); return tripped }},
			} {
				began := time.Now()
				if q.ask() {
					t.Errorf("taken %v: %s had an answer", takes, q.name)
				}
				if took := time.Since(began); took != patience {
					t.Errorf("taken %v: %s waited for %v", takes, q.name, took)
				}
			}
		})
	}
}

func TestAStationWhoseRelaysCannotBeSwitchedOffIsNotBuilt(t *testing.T) {
	s := newTestStation(t)
	s.f.relays[1].fails = true
	if err := s.allOff(); err == nil || !strings.Contains(err.Error(), "switch area off") {
		t.Error(err)
	}
	s.f.relays[0].on, s.driven = true, 1
	if s.StopNow(); s.f.relays[0].on || s.driven != 0 {
		t.Error("a relay that fails kept the other one on")
	}
}

// The gate can only remove, whatever law, guard, state and test say.
func TestTheGateOnlyRemoves(t *testing.T) {
	s := newTestStation(t)
	s.heating()
	for want := range safety.Mask(4) {
		for allowed := range safety.Mask(4) {
			for _, c := range []struct {
				state   State
				phase   Phase
				bad     bool
				testing bool
				open    bool // whether the gate may let anything through
			}{{Running, PhaseHeat, false, false, true}, {Running, PhaseHeat, true, false, false}, {Running, PhaseAir, false, false, false},
				{Running, PhaseLayers, false, false, false}, {Running, PhaseCool, false, false, false}, {Idle, PhaseHeat, false, false, false},
				{Aborting, PhaseHeat, false, false, false}, {Running, PhaseLayers, false, true, true}, {Running, PhaseLayers, true, true, true}} {
				s.snap.State, s.snap.Phase, s.facts.BadDrive, s.facts.Testing = c.state, c.phase, c.bad, c.testing
				s.out.On, s.facts.Test.Relays = 0, 0
				if c.testing {
					s.facts.Test.Relays = want
				} else {
					s.out.On = control.Set(want)
				}
				most := want & allowed
				if !c.open {
					most = 0
				}
				if got := s.gate(&safety.Verdict{Allow: allowed}); got != most {
					t.Errorf("%+v: wanted %b, allowed %b, through came %b", c, want, allowed, got)
				}
			}
		}
	}
}
