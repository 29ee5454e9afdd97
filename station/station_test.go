package station

import (
	"context"
	"math/rand/v2"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"trivet/process/unit"
	"trivet/safety"
)

func TestEveryLiveStateCanBeStoppedAndTripped(t *testing.T) {
	for _, s := range states {
		if !s.Live() {
			continue
		}
		if to, err := Next(s, Trip); err != nil || to != Aborting {
			t.Errorf("%s + trip = %s, %v; want aborting", s, to, err)
		}
		if to, err := Next(s, Stop); err != nil || to.Heats() {
			t.Errorf("%s + stop = %s, %v; want a state without heat", s, to, err)
		}
	}
}

func TestOnlyAStartCommandLeadsToHeat(t *testing.T) {
	for from, row := range moves {
		for e, to := range row {
			if to.Heats() && !from.Heats() && e != Start {
				t.Errorf("%s + %s = %s: heat without a start", from, e, to)
			}
		}
	}
}

func TestNoHeatAndNoHeartbeatBeforeAStart(t *testing.T) {
	s := newTestStation(t)
	s.run(time.Minute)
	if s.heaters() != 0 || s.f.relays[0].edges+s.f.relays[1].edges != 0 {
		t.Error("a relay moved at rest")
	}
	if s.f.enable.edges != 0 || s.f.beat.edges != 0 {
		t.Error("heat-enable or heartbeat moved at rest")
	}
}

func TestAirIsProvenBeforeAnyHeat(t *testing.T) {
	s := newTestStation(t)
	s.f.airOK = false
	if err := s.say(Command{Event: Start, Order: s.order()}); err != nil {
		t.Fatal(err)
	}
	for range 300 {
		s.step()
		if s.heaters() > 0 || s.f.enable.on {
			t.Fatal("heat without proven air")
		}
	}
	if s.last.State != Stopped || s.last.Ended.Code != "no_air" {
		t.Errorf("state %s, code %q; want stopped for want of air", s.last.State, s.last.Ended.Code)
	}
}

func TestTheHeartbeatHasOneEdgeForEachTickOfHeat(t *testing.T) {
	s := newTestStation(t)
	s.heating()
	before := s.f.beat.edges
	s.run(5 * time.Second)
	if got := s.f.beat.edges - before; got != 50 {
		t.Errorf("%d edges in 50 ticks", got)
	}
	s.Stop("test")
	s.step()
	before = s.f.beat.edges
	s.run(5 * time.Second)
	if s.f.beat.edges != before || s.f.enable.on {
		t.Error("heartbeat or heat-enable went on after the stop")
	}
}

func TestStopWorksInEveryStateInTheNextTickAndStopNowAtOnce(t *testing.T) {
	for name, get := range map[string]func(s *testStation){
		"heating": func(s *testStation) { s.heating() },
		"held":    func(s *testStation) { s.heating(); s.must(Command{Event: Hold}); s.run(time.Second) },
		"proving": func(s *testStation) { s.must(Command{Event: Start, Order: s.order()}) },
	} {
		t.Run(name, func(t *testing.T) {
			s := newTestStation(t)
			get(s)
			s.Stop("somebody")
			s.StopNow()
			if s.heaters() != 0 {
				t.Fatal("StopNow left a relay on")
			}
			s.step()
			if s.heaters() != 0 || s.last.State != Stopping || !strings.Contains(s.last.Ended.Reason, "somebody") {
				t.Errorf("after one tick: %d heaters, %s, %q", s.heaters(), s.last.State, s.last.Ended.Reason)
			}
			s.run(5 * time.Second)
			if s.last.State != Stopped || !s.f.blower.on {
				t.Errorf("state %s, blower on %v; want stopped with the air running on", s.last.State, s.f.blower.on)
			}
		})
	}
}

func (s *testStation) must(c Command) {
	s.t.Helper()
	if err := s.say(c); err != nil {
		s.t.Fatalf("%s: %v", c.Event, err)
	}
}

func TestADoorOpenedDuringHeatIsOffInTheSameTickAndStaysSoUntilReset(t *testing.T) {
	s := newTestStation(t)
	s.heating()
	s.f.closed[1] = false
	s.step()
	if s.heaters() != 0 || s.f.enable.on {
		t.Fatal("heat in the tick that saw the door open")
	}
	s.run(5 * time.Second)
	if s.last.State != Aborted || s.last.Ended.Code != "trip:door" {
		t.Fatalf("state %s, code %q", s.last.State, s.last.Ended.Code)
	}
	s.f.closed[1] = true
	s.run(2 * time.Second)
	if err := s.say(Command{Event: Start, Order: s.order()}); err == nil {
		t.Fatal("a start was accepted before the reset")
	}
	_, _, id, _ := s.k.FirstOut()
	s.must(Command{Event: Reset, TripID: id})
	s.run(time.Second)
	if s.last.State != Idle || s.heaters() != 0 {
		t.Errorf("after the reset: %s with %d heaters", s.last.State, s.heaters())
	}
}

func TestAStartIsRefusedWithTheConditionThatDoesNotHold(t *testing.T) {
	s := newTestStation(t)
	s.f.closed[1] = false
	s.run(time.Second)
	err := s.say(Command{Event: Start, Order: s.order()})
	if err == nil || !strings.Contains(err.Error(), "door is open") || !strings.Contains(err.Error(), "Close it") {
		t.Errorf("refusal is %v; want what is wrong and what to do", err)
	}
	text, _ := Sentence(&s.last, s.Setup())
	if !strings.Contains(text, "No heat: door is open. Close it.") {
		t.Errorf("the sentence is %q", text)
	}
}

func TestAStartIsRefusedWhileTheRecordCannotBeKept(t *testing.T) {
	s := newTestStation(t)
	s.SetRecording(false)
	if err := s.say(Command{Event: Start, Order: s.order()}); err == nil {
		t.Error("a run was started that nobody could prove afterwards")
	}
}

func TestARunGoesOnWhenTheRecordFails(t *testing.T) {
	s := newTestStation(t)
	s.heating()
	s.SetRecording(false)
	s.run(10 * time.Second)
	if s.last.State != Running {
		t.Errorf("state %s; a run must go on from memory", s.last.State)
	}
}

func TestAHoldIsBounded(t *testing.T) {
	s := newTestStation(t)
	s.heating()
	s.must(Command{Event: Hold})
	s.run(holdAtMost + 5*time.Second)
	if s.last.State.Heats() || s.last.Ended.Code != "held_too_long" {
		t.Errorf("state %s, code %q after a hold that nobody ended", s.last.State, s.last.Ended.Code)
	}
}

func TestARelayThatDoesNotTakeItsCommandEndsTheHeat(t *testing.T) {
	s := newTestStation(t)
	s.heating()
	s.f.relays[1].fails = true
	s.run(300 * time.Millisecond)
	if s.f.relays[0].on || s.f.enable.on || !s.last.Verdict.Tripped {
		t.Error("heat went on although a relay did not answer")
	}
}

func TestASensorThatJumpsIsNotBelieved(t *testing.T) {
	s := newTestStation(t)
	s.f.warming = 0.3
	s.heating()
	s.run(30 * time.Second)
	s.f.good[0] -= 60 // slipped off the ball
	s.step()
	if s.last.Sensors[0].Quality != unit.Implausible {
		t.Fatalf("quality %v after a jump of 60 °C in a tick", s.last.Sensors[0].Quality)
	}
	s.run(time.Second)
	if s.heaters() != 0 || s.last.Ended.Code != "trip:sensor_lost" {
		t.Errorf("%d heaters on, code %q", s.heaters(), s.last.Ended.Code)
	}
}

func TestATickAllocatesNothing(t *testing.T) {
	s := newTestStation(t)
	s.heating()
	if n := testing.AllocsPerRun(200, s.step); n != 0 {
		t.Errorf("%v allocations per tick", n)
	}
}

// TestNoSequenceOfEventsHeatsWithoutPermission drives the station at random and checks in every tick what must hold
// whatever happens: heat only in a state that heats, with every permissive sampled in that tick, no trip latched, air
// proven, and heat-enable given by the keeper (invariants I-1, I-3, I-8, I-10).
func TestNoSequenceOfEventsHeatsWithoutPermission(t *testing.T) {
	for seed := range uint64(60) {
		rng := rand.New(rand.NewPCG(seed, 1))
		s := newTestStation(t)
		s.f.warming = 0.5
		started := false
		for range 400 {
			switch rng.IntN(12) {
			case 0, 1, 2:
				if s.say(Command{Event: Start, Order: s.order()}) == nil {
					started = true
				}
			case 3:
				s.Stop("x")
			case 4:
				_ = s.say(Command{Event: Hold})
			case 5:
				_ = s.say(Command{Event: Restart})
			case 6:
				_, _, id, _ := s.k.FirstOut()
				_ = s.say(Command{Event: Reset, TripID: id})
			case 7:
				i := rng.IntN(3)
				s.f.closed[i] = !s.f.closed[i] || rng.IntN(3) > 0
			case 8:
				s.f.airOK = rng.IntN(4) > 0
			case 9:
				i := rng.IntN(4)
				s.f.bad[i] = []unit.Quality{unit.NotRead, unit.NotRead, unit.Open, unit.NoAnswer}[rng.IntN(4)]
			case 10:
				s.f.good[rng.IntN(3)] = unit.Celsius(20 + rng.IntN(250))
			case 11:
				for i := range s.f.good {
					s.f.good[i] = 25
				}
			}
			for range rng.IntN(20) {
				s.step()
				s.check(started)
			}
		}
	}
}

func (s *testStation) check(started bool) {
	s.t.Helper()
	if s.heaters() == 0 {
		return
	}
	sn := &s.last
	switch {
	case !started:
		s.t.Fatal("heat before any start")
	case !sn.State.Heats():
		s.t.Fatalf("heat while %s", sn.State)
	case sn.Verdict.Tripped:
		s.t.Fatal("heat while tripped")
	case !s.f.closed[0] || !s.f.closed[1]:
		s.t.Fatal("heat with the emergency stop pressed or the door open")
	case s.f.relays[0].on && !sn.Verdict.Proven[0]:
		s.t.Fatal("hot-air element on without proven air")
	case !s.f.enable.on:
		s.t.Fatal("a relay is on and heat-enable is not: the keeper did not agree")
	}
	for i := range 3 {
		if c, ok := sn.Sensors[i].Temp(); ok && c >= 260 {
			s.t.Fatalf("heat with sensor %d at %v", i, c)
		}
	}
}

func TestTheSafetyGoroutineTakesTheHeatWhenTheLoopHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newTestStation(t)
		link := newRemote(s.k)
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

func TestAHungSafetyGoroutineForbidsEverything(t *testing.T) {
	s := newTestStation(t)
	s.heating()
	s.keeper = newRemote(s.k) // nobody runs it
	s.step()
	if s.heaters() != 0 {
		t.Error("a relay is on although the safety goroutine did not answer")
	}
}

func BenchmarkTick(b *testing.B) {
	s := newTestStation(&testing.T{})
	s.heating()
	b.ReportAllocs()
	for b.Loop() {
		s.step()
	}
}
