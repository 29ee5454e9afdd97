package station

import (
	"errors"
	"strings"
	"testing"
	"time"

	"trivet/control"
	"trivet/control/proof"
)

// proverStation is the fake machine with loops that a proof can work with. Its couples all warm alike, so that no proof of it can pass.
func proverStation(t *testing.T) *testStation {
	s := newTestStation(t)
	zones := []control.Zone{
		{Kind: control.TopAir, Rated: 1000, Gain: 380, Inertia: 0.2, Ceiling: 400},
		{Kind: control.Area, Rated: 1000, Gain: 4.5e11, Inertia: 0.3, Ceiling: 400},
	}
	u := s.setup
	s.proving = newProving(&Options{Setup: u, Proof: ProofConfig(&u, zones)})
	return s
}

// startProof starts a run with a proof and brings it to where a relay has been on.
func (s *testStation) startProof() {
	s.t.Helper()
	o := s.order()
	o.Proof = true
	if err := s.say(Command{Event: Start, Order: o}); err != nil {
		s.t.Fatalf("start was refused: %v", err)
	}
	for range 200 {
		s.step()
		if s.last.Phase == PhaseProof && s.heaters() > 0 {
			return
		}
	}
	s.t.Fatalf("no proof 20 s after the start; state %s/%s, %s", s.last.State, s.last.Phase, s.last.Ended.Reason)
}

func TestAProofWithoutMeasuredLoopsIsRefused(t *testing.T) {
	s := newTestStation(t)
	o := s.order()
	o.Proof = true
	var r *Refusal
	if err := s.say(Command{Event: Start, Order: o}); !errors.As(err, &r) || r.Code != "no_proof" {
		t.Errorf("answer is %v; want no_proof", err)
	}
	if s.last.State != Idle {
		t.Errorf("the station is %s after a refused start", s.last.State)
	}
}

func TestAFindingEndsTheRunStoppedAndDark(t *testing.T) {
	s := proverStation(t)
	s.startProof()
	s.run(90 * time.Second)
	if s.last.State != Stopped || !strings.HasPrefix(s.last.Ended.Code, "proof:") {
		t.Fatalf("ended %s with %s", s.last.State, s.last.Ended.Code)
	}
	if s.heaters() > 0 || s.last.HeatEnabled {
		t.Error("heat is still on after a finding")
	}
	if text, _ := Sentence(&s.last, &s.setup); !strings.Contains(text, s.last.Ended.Reason) {
		t.Errorf("the sentence %q does not say why", text)
	}
}

func TestAProofFollowsNoPlanAndCannotBeHeld(t *testing.T) {
	s := proverStation(t)
	s.startProof()
	if s.last.Run.HasPlan {
		t.Error("there is a plan during the proof")
	}
	if text, _ := Sentence(&s.last, &s.setup); !strings.HasPrefix(text, "Proving the thermocouples") {
		t.Errorf("says %q", text)
	}
	if err := s.say(Command{Event: Hold}); err == nil {
		t.Error("a proof was held: nothing in it needs a person")
	}
	s.Stop("somebody")
	s.step()
	if s.heaters() > 0 || s.last.State != Stopping {
		t.Errorf("not stopped: %s, %d heaters on", s.last.State, s.heaters())
	}
}

func TestARunWithoutAProofHeatsAsBefore(t *testing.T) {
	s := proverStation(t)
	s.heating()
	if s.last.Phase != PhaseHeat {
		t.Errorf("phase is %s; want heating", s.last.Phase)
	}
}

func TestEveryFindingIsOneSentenceAndSaysWhatToDo(t *testing.T) {
	s := newTestStation(t)
	for _, c := range []proof.Code{proof.RestDisagreement, proof.NotThere, proof.Reversed, proof.Swapped, proof.WrongZone, proof.Detached, proof.WrongType, proof.Lost} {
		for _, other := range []int{-1, 1} {
			for _, by := range []float64{0, 1.3, -4} {
				what, do := ProofText(&proof.Finding{Code: c, Sensor: 0, Other: other, Zone: 0, By: by}, &s.setup)
				for _, text := range []string{what, do} {
					if text == "" || !strings.HasSuffix(text, ".") || strings.Contains(text, "%!") {
						t.Errorf("%s: %q", c, text)
					}
				}
				if !strings.Contains(what, s.setup.Sensors[0].Label) {
					t.Errorf("%s does not name the thermocouple: %q", c, what)
				}
			}
		}
	}
	// A finding about nothing in particular must not break the text.
	if what, do := ProofText(&proof.Finding{Code: proof.NotThere, Sensor: -1, Other: -1, Zone: -1}, &s.setup); what == "" || do == "" {
		t.Error("no text for a board that does not answer")
	}
}
