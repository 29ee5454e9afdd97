package safety

import (
	"testing"
	"time"
)

// The mistakes that these tests are about were found by the search in station/check.

func TestACauseMustHaveBeenGoneForASecondAtRestToo(t *testing.T) {
	b := newBench(t)
	b.f.Closed[1] = false
	b.step()
	_, _, id, _ := b.g.FirstOut()
	b.f.Armed = false
	b.run(10 * time.Second) // the run is over, the door is still open
	b.f.Closed[1] = true
	b.run(CauseGone)
	if b.g.Reset(id) == nil {
		t.Fatal("a reset was accepted before the door had been seen closed for a second")
	}
	b.step()
	if err := b.g.Reset(id); err != nil {
		t.Errorf("a second after the door was seen closed: %v", err)
	}
}

func TestATripThatOnlyDriveCanTellAboutCanBeReset(t *testing.T) {
	b := newBench(t)
	for range 20 {
		b.f.Driven, b.f.Sensed = 2, 0 // driven, and no current
		b.step()
	}
	if got := b.firstOut(); got != "relay_open" {
		t.Fatalf("first-out is %q", got)
	}
	_, _, id, _ := b.g.FirstOut()
	b.f.Armed, b.f.Enabled, b.f.Driven, b.f.Mirror = false, false, 0, false
	b.step()
	if b.g.Reset(id) == nil {
		t.Fatal("reset in the tick after the drive")
	}
	b.run(CauseGone + tick)
	var list [8]Active
	for _, a := range list[:b.g.Alarms(list[:])] {
		if a.TripID == id && a.True {
			t.Error("a relay that is not driven cannot be said to be open still")
		}
	}
	if err := b.g.Reset(id); err != nil {
		t.Errorf("at rest for a second, and yet refused: %v", err)
	}
}
