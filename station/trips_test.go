package station

import (
	"context"
	"errors"
	"sync"
	"testing"
	"time"

	"trivet/safety"
)

// shelf is a TripMemory that can fail.
type shelf struct {
	mu    sync.Mutex
	kept  []safety.Owed
	saves int
	fail  error
}

func (s *shelf) Load() ([]safety.Owed, error) { return s.kept, s.fail }

func (s *shelf) Save(o []safety.Owed) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.saves++
	if s.fail != nil {
		return s.fail
	}
	s.kept = o
	return nil
}

func (s *shelf) codes() (out []string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, o := range s.kept {
		out = append(out, o.Code+"/"+o.Subject)
	}
	return out
}

func TestTheTableHasRoomInTheTripMemory(t *testing.T) {
	if n := len(safety.Rows()); n > rowsMost {
		t.Errorf("%d rows; %d fit", n, rowsMost)
	}
}

// TestATripThatOwesAnInspectionIsKeptAndComesBack: a stuck relay, then a new process, then a reset, then another new process.
func TestATripThatOwesAnInspectionIsKeptAndComesBack(t *testing.T) {
	kept := &shelf{}
	s := newTestStation(t)
	trips := NewTrips(&s.setup, s.k, kept, func(err error) { t.Error(err) })
	ctx, end := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { trips.Run(ctx); close(done) }()
	s.publish = func(sn *Snapshot) { s.last = *sn; trips.Note(sn) }
	s.heating()
	s.f.sense[1] = true
	s.run(30 * time.Second)
	if s.last.State != Aborted || s.last.Ended.Code != "trip:relay_stuck" {
		t.Fatalf("ended %s %s", s.last.State, s.last.Ended.Code)
	}
	end()
	<-done
	if c := kept.codes(); len(c) != 1 || c[0] != "relay_stuck/area" {
		t.Fatalf("kept %v", c)
	}

	s = newTestStation(t) // the next process: the relay has been replaced
	trips = NewTrips(&s.setup, s.k, kept, func(err error) { t.Error(err) })
	s.publish = func(sn *Snapshot) { s.last = *sn; trips.Note(sn) }
	s.run(2 * time.Second)
	if !s.last.Verdict.Tripped || s.last.State != Idle {
		t.Fatalf("after the restart: %s, tripped %v", s.last.State, s.last.Verdict.Tripped)
	}
	var r *Refusal
	if err := s.say(Command{Event: Start, Order: s.order()}); !errors.As(err, &r) || r.Code != "tripped" {
		t.Fatalf("a start was answered with %v", err)
	}
	_, _, id, _ := s.k.FirstOut()
	s.must(Command{Event: Reset, TripID: id})
	s.run(time.Second)
	ctx, end = context.WithCancel(t.Context())
	end()
	trips.Run(ctx)
	if c := kept.codes(); len(c) != 0 {
		t.Errorf("after the reset still owed: %v", c)
	}
	s.heating()
}

func TestATripMemoryThatCannotBeReadComesUpTripped(t *testing.T) {
	s := newTestStation(t)
	told := false
	NewTrips(&s.setup, s.k, &shelf{fail: errors.New("bad sector")}, func(error) { told = true })
	s.run(time.Second)
	if !s.last.Verdict.Tripped || !told {
		t.Errorf("tripped %v, told %v; want both", s.last.Verdict.Tripped, told)
	}
	if title, _ := FirstOutText(&s.last, &s.setup); title == "" {
		t.Error("the page could not say why")
	}
}

func TestARowOrSubjectThatIsNotKnownAnyMoreStillHoldsTheHeat(t *testing.T) {
	for _, o := range []safety.Owed{{Code: "of_another_age"}, {Code: "relay_stuck", Subject: "renamed"}, {Code: "door", Subject: "door"}} {
		s := newTestStation(t)
		s.k.Restore([]safety.Owed{o})
		s.run(time.Second)
		if !s.last.Verdict.Tripped {
			t.Errorf("%+v was forgotten", o)
		}
	}
}

func TestASaveThatFailsIsTriedAgain(t *testing.T) {
	s := newTestStation(t)
	kept := &shelf{}
	errs := 0
	trips := NewTrips(&s.setup, s.k, kept, func(err error) { errs++ })
	kept.fail = errors.New("no space")
	s.k.Restore([]safety.Owed{{Code: "relay_stuck", Subject: "top"}})
	s.publish = func(sn *Snapshot) { trips.Note(sn) }
	s.run(time.Second)
	ctx, end := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { trips.Run(ctx); close(done) }()
	for range 100 {
		time.Sleep(20 * time.Millisecond)
		kept.mu.Lock()
		if kept.saves >= 1 {
			kept.fail = nil
		}
		n := len(kept.kept)
		kept.mu.Unlock()
		if n == 1 {
			break
		}
	}
	end()
	<-done
	if c := kept.codes(); len(c) != 1 || errs < 2 {
		t.Errorf("kept %v, %d reports; want one trip and a report of failure and of success", c, errs)
	}
}

func TestASilentLoopLosesItsRelaysToo(t *testing.T) {
	s := newTestStation(t)
	s.k.lines.Relays = []Switch{s.f.relays[0], s.f.relays[1]}
	s.heating()
	if s.heaters() == 0 {
		t.Fatal("nothing is on: this test shows nothing")
	}
	s.k.Silence()
	if s.heaters() != 0 || s.f.enable.is() {
		t.Errorf("%d relays and enable %v outlived the loop", s.heaters(), s.f.enable.is())
	}
	s.step()
	if s.last.Verdict.Allow != 0 || s.heaters() != 0 {
		t.Error("the tick that came after all gave the heat back")
	}
}

// TestTheLayersAreProvenBeforeAnyAirOrHeat watches the lines of a fake machine whose contactor is its enable line.
func TestTheLayersAreProvenBeforeAnyAirOrHeat(t *testing.T) {
	s := newTestStation(t)
	s.setup.Limits.StartTest = true
	if err := s.say(Command{Event: Start, Order: s.order()}); err != nil {
		t.Fatal(err)
	}
	most := 0
	for range 60 {
		if s.last.Phase != PhaseLayers {
			break
		}
		if s.f.blower.is() {
			t.Fatal("air before the layers were proven")
		}
		most = max(most, s.heaters())
		s.step()
	}
	if s.last.Phase != PhaseAir || most != 1 {
		t.Fatalf("phase %q, %d relays on at once; want the air next, and one relay at a time", s.last.Phase, most)
	}
	if s.heaters() != 0 || s.f.enable.is() {
		t.Error("something stayed on after the sequence")
	}
}

func TestADeadRelayIsNamedBeforeAnyHeat(t *testing.T) {
	s := newTestStation(t)
	s.setup.Limits.StartTest = true
	s.hw.Sense[1] = contact(func() bool { return false })
	s.must(Command{Event: Start, Order: s.order()})
	s.run(6 * time.Second)
	if s.last.Ended.Code != "trip:start_relay_dead" || s.f.blower.is() {
		t.Errorf("ended with %q, blower %v", s.last.Ended.Code, s.f.blower.is())
	}
}
