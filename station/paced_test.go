package station

import (
	"context"
	"errors"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"trivet/safety"
)

// bell is a Pace made of a channel and a timer, for virtual time.
type bell struct {
	ring chan struct{}
}

func newBell() Pace { return &bell{make(chan struct{}, 1)} }

func (b *bell) Sleep(due time.Time) {
	t := time.NewTimer(time.Until(due))
	defer t.Stop()
	select {
	case <-t.C:
	case <-b.ring:
	}
}

func (b *bell) Wake() {
	select {
	case b.ring <- struct{}{}:
	default:
	}
}

func newPacedRemote(k *Keeper) *remote {
	r := newRemote(k)
	r.paced = &paced{control: newBell(), safety: newBell()}
	return r
}

func TestAcrossPacedThreadsEveryAnswerIsTheSame(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		near, _, _, f := keeping(t)
		behind, enable, _, _ := keeping(t)
		far := newPacedRemote(behind)
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
		}
		if !errors.Is(far.Reset(2), near.Reset(2)) && far.Reset(2).Error() != near.Reset(2).Error() {
			t.Error("a refusal is another one across threads")
		}
		cancel()
		<-ended
		if enable.on {
			t.Error("the safety goroutine ended and left heat-enable on")
		}
	})
}

// TestAPacedKeeperThatDoesNotAnswerAllowsNothing, whether it never took the question, or took it and answers when nobody waits any more.
func TestAPacedKeeperThatDoesNotAnswerAllowsNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k, _, _, f := keeping(t)
		r := newPacedRemote(k)
		for range 2 { // nobody runs it
			began := time.Now()
			if v := r.Judge(Period, f); v != (safety.Verdict{}) || time.Since(began) != patience {
				t.Errorf("without a keeper there is %+v after %v", v, time.Since(began))
			}
		}
		// Now somebody takes the question and thinks for longer than anybody waits.
		taken := make(chan *call)
		go func() {
			time.Sleep(patience / 2)
			taken <- r.paced.asked.Swap(nil)
		}()
		if v := r.Judge(2*Period, f); v != (safety.Verdict{}) {
			t.Errorf("a keeper that hangs says %+v", v)
		}
		slow := <-taken
		if r.present == slow {
			t.Fatal("a call that the keeper still holds is used again")
		}
		slow.verdict.Allow = safety.All
		slow.answered.Store(true)
		r.paced.control.Wake()
		began := time.Now()
		if v := r.Judge(3*Period, f); v != (safety.Verdict{}) || time.Since(began) != patience {
			t.Errorf("an answer to the question before last is taken for this one: %+v after %v", v, time.Since(began))
		}
		// And a keeper that is there again is heard.
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		go r.run(ctx)
		if v := r.Judge(4*Period, f); v.Allow == 0 {
			t.Errorf("a keeper that has come back says %+v", v)
		}
	})
}

// running is a station under a Runner in a bubble of virtual time.
func running(t *testing.T, newPace func() Pace, during func(s *Station, f *fake, end context.CancelFunc)) (ticks []time.Duration) {
	t.Helper()
	ts := newTestStation(t)
	threads := map[Role]int{}
	var mu sync.Mutex
	r := Runner{Speed: 1, NewPace: newPace, Before: func(now time.Duration) { ticks = append(ticks, now) },
		Threads: func(role Role) { mu.Lock(); threads[role]++; mu.Unlock() },
		Measure: func(late, took time.Duration) {
			if late != 0 || took != 0 { // in a bubble nothing takes time
				t.Errorf("late %v, took %v", late, took)
			}
		}}
	s, run, err := r.Build(Options{Setup: ts.setup, Hardware: ts.hw, Law: ts.law}, ts.k)
	if err != nil {
		t.Fatal(err)
	}
	ctx, end := context.WithCancel(t.Context())
	done := make(chan error)
	go func() { done <- run(ctx) }()
	during(s, ts.f, end)
	if err := <-done; err != nil {
		t.Error(err)
	}
	if threads[ControlThread] != 1 || threads[SafetyThread] != 1 {
		t.Errorf("the threads were announced %v times", threads)
	}
	if ts.f.relays[0].is() || ts.f.relays[1].is() || ts.f.enable.is() {
		t.Error("the loop has ended and something is on")
	}
	return ticks
}

var bothWays = map[string]func() Pace{"timers": nil, "paces": newBell}

func TestTheLoopTicksOnTimeAndEndsAtOnce(t *testing.T) {
	for name, newPace := range bothWays {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				ticks := running(t, newPace, func(_ *Station, _ *fake, end context.CancelFunc) {
					time.Sleep(550 * time.Millisecond)
					end()
				})
				if len(ticks) != 6 || ticks[5] != 500*time.Millisecond {
					t.Errorf("in 550 ms it ticked at %v", ticks)
				}
			})
		})
	}
}

func TestAStopDoesNotWaitForTheNextTick(t *testing.T) {
	for name, newPace := range bothWays {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				running(t, newPace, func(s *Station, f *fake, end context.CancelFunc) {
					time.Sleep(230 * time.Millisecond)
					synctest.Wait()
					_ = f.relays[0].Set(true) // as if it had just been switched on
					s.Stop("somebody")
					synctest.Wait() // no time passes
					if f.relays[0].is() {
						t.Error("a relay stays on until the next tick")
					}
					end()
				})
			})
		})
	}
}

func TestALoopWithPacesThatHangsLosesTheHeat(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newTestStation(t)
		link := newPacedRemote(s.k)
		s.keeper = link
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() { link.run(ctx); close(done) }()
		s.heating()
		time.Sleep(safety.MaxLate - time.Millisecond)
		synctest.Wait()
		if !s.f.enable.is() {
			t.Error("heat-enable dropped before a tick was missed")
		}
		time.Sleep(2 * time.Millisecond)
		synctest.Wait()
		if s.f.enable.is() {
			t.Error("heat-enable is still on after the loop fell silent")
		}
		s.step()
		if s.heaters() != 0 || s.last.Ended.Code != "trip:silent" {
			t.Errorf("%d heaters, code %q when the loop came back", s.heaters(), s.last.Ended.Code)
		}
		cancel()
		<-done
	})
}

func TestTimeCountsFromTheMomentThatIsShared(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ts := newTestStation(t)
		var first time.Duration
		r := Runner{Speed: 1, Start: time.Now(), NewPace: newBell, Before: func(now time.Duration) {
			if first == 0 {
				first = now
			}
		}}
		time.Sleep(3 * time.Second) // while chips are set up
		_, run, err := r.Build(Options{Setup: ts.setup, Hardware: ts.hw, Law: ts.law}, ts.k)
		if err != nil {
			t.Fatal(err)
		}
		ctx, end := context.WithTimeout(t.Context(), 50*time.Millisecond)
		defer end()
		if err := run(ctx); err != nil {
			t.Error(err)
		}
		if first != 3*time.Second {
			t.Errorf("the first tick is at %v", first)
		}
	})
}
