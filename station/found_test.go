package station

import (
	"math"
	"testing"
	"time"

	"trivet/control"
)

// The mistakes that these tests are about were found by the search in station/check.

func TestAStopIsStrongerThanAStartOfTheSameMoment(t *testing.T) {
	s := newTestStation(t)
	var answer error
	if err := s.Post(Command{Event: Start, Order: s.order()}, func(err error) { answer = err }); err != nil {
		t.Fatal(err)
	}
	s.Stop("somebody") // after the start, and yet the tick hears of it first
	s.step()
	if answer == nil || s.last.State != Idle {
		t.Errorf("the start was answered %v and the station is %s; want it refused and nothing begun", answer, s.last.State)
	}
}

// mad is a law that wants everything, at a duty of its own.
type mad struct {
	duty float64
	says bool
}

func (mad) Begin()                   {}
func (mad) Transfer(*control.Inputs) {}
func (m mad) Step(_ time.Duration, _ *control.Inputs, out *control.Outputs) {
	*out = control.Outputs{On: 3, Bad: m.says}
	out.Duty[0] = m.duty
}

func TestALawThatAsksForTheImpossibleIsNotFollowedAndTrips(t *testing.T) {
	for story, m := range map[string]mad{
		"no number, and says so": {math.NaN(), true}, "no number": {math.NaN(), false}, "infinite": {math.Inf(1), false},
		"more than all": {1.01, false}, "less than nothing": {-0.01, false},
	} {
		s := newTestStation(t)
		s.heating()
		s.law = m
		s.step()
		if s.heaters() != 0 {
			t.Errorf("%s: %d heaters on in the tick that asked", story, s.heaters())
		}
		if s.step(); s.last.Ended.Code != "trip:bad_drive" {
			t.Errorf("%s: ended %q; want a trip in the next tick", story, s.last.Ended.Code)
		}
	}
	s := newTestStation(t)
	s.heating()
	s.law = mad{duty: 1 + 1e-12}
	if s.run(time.Second); s.last.State != Running {
		t.Errorf("a last digit ended the run: %q", s.last.Ended.Code)
	}
}

func TestARelayThatDoesNotTakeItsCommandCostsHeatEnableInTheSameTick(t *testing.T) {
	s := newTestStation(t)
	s.heating()
	s.f.relays[1].fails = true
	edges := s.f.beat.edges
	s.step()
	if s.f.enable.on || s.f.relays[0].on || s.f.beat.edges != edges {
		t.Error("heat-enable, heartbeat or the other relay went on in the tick in which a relay did not answer")
	}
}

func TestADoorThatOpensWhileAirIsBeingProvenNeverClosesTheContactor(t *testing.T) {
	s := newTestStation(t)
	s.must(Command{Event: Start, Order: s.order()})
	s.f.closed[1] = false
	edges := s.f.enable.edges
	s.run(5 * time.Second)
	if s.f.enable.edges != edges || s.last.Ended.Code != "trip:door" {
		t.Errorf("heat-enable moved %d times, ended %q", s.f.enable.edges-edges, s.last.Ended.Code)
	}
}

func TestATripForTheLengthOfARunCanBeReset(t *testing.T) {
	s := newTestStation(t)
	s.heating()
	s.facts.HeatFor = s.setup.Limits.MaxRun
	s.step()
	if s.last.Ended.Code != "trip:run_too_long" {
		t.Fatalf("ended %q", s.last.Ended.Code)
	}
	s.run(5 * time.Second)
	_, _, id, _ := s.k.FirstOut()
	if err := s.say(Command{Event: Reset, TripID: id}); err != nil {
		t.Error(err)
	}
}

func TestADoneTickEarnsNothingUnlessTheGuardWasAskedInIt(t *testing.T) {
	s := newTestStation(t)
	s.heating()
	edges := s.f.beat.edges
	if s.k.Done(s.last.Seq+1, true, 0) || s.f.enable.on || s.f.beat.edges != edges {
		t.Error("a loop that stopped asking kept heat-enable or heartbeat")
	}
}
