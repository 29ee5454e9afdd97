package safety

import (
	"testing"
	"time"
)

// owes is a machine whose limiter and both relays have tripped, and its door, which owes nothing.
func owes(t *testing.T) *bench {
	b := newBench(t)
	b.f.Closed[3], b.f.Closed[1] = false, false
	b.f.Driven, b.f.Sensed = 0, 3
	b.run(time.Second)
	return b
}

func TestWhatIsOwedIsNamedWithItsSubjectAsFarAsThereIsRoom(t *testing.T) {
	b := owes(t)
	want := []Owed{{"limiter", "limiter"}, {"relay_stuck", "Top air"}, {"relay_stuck", "Area"}}
	for room := range 5 {
		dst := make([]Owed, room)
		n := b.g.Owed(dst)
		if n != min(room, len(want)) {
			t.Fatalf("%d with room for %d", n, room)
		}
		for i := range n {
			if dst[i] != want[i] {
				t.Errorf("number %d is %v; want %v", i, dst[i], want[i])
			}
		}
	}
	if n := newBench(t).g.Owed(make([]Owed, 8)); n != 0 {
		t.Errorf("a healthy machine owes %d", n)
	}
}

// What cannot be found again any more is not forgiven: it comes back as a debt without a name.
func TestWhatIsRestoredComesBackWhereItWas(t *testing.T) {
	for _, c := range []struct {
		o       Owed
		code    string
		subject int
	}{
		{Owed{"limiter", "limiter"}, "limiter", 3},
		{Owed{"relay_stuck", "Area"}, "relay_stuck", 1},
		{Owed{"contactor_welded", ""}, "contactor_welded", 0},
		{Owed{"relay_stuck", "a heater of another machine"}, "owed", 0},
		{Owed{"door", "door"}, "owed", 0}, // owes nothing by the table: whoever wrote it meant something
		{Owed{"a row of a newer version", "Area"}, "owed", 0},
		{Owed{"", ""}, "owed", 0},
	} {
		b := newBench(t)
		b.g.Restore([]Owed{c.o})
		a, shown := b.shows(c.code, c.subject) // before the first tick
		if !shown || a.TripID != 1 || !a.FirstOut || a.At != 0 {
			t.Errorf("%v: shown %v, %+v", c.o, shown, a)
		}
		b.step()
		r, i, id, ok := b.g.FirstOut()
		if !ok || rows[r].Code != c.code || i != c.subject || id != 1 || b.v.Allow != 0 || !b.v.Tripped {
			t.Errorf("%v: first-out %s of %d, allowed %b", c.o, rows[r].Code, i, b.v.Allow)
		}
		if a, shown := b.shows(c.code, c.subject); !shown || a.State != LatchedUnacknowledged {
			t.Errorf("%v: shown %v as %q", c.o, shown, a.State)
		}
		if n := b.g.Owed(make([]Owed, 4)); n != 1 {
			t.Errorf("%v: %d are owed now", c.o, n)
		}
		if err := b.g.Reset(1); err != nil {
			t.Errorf("%v: %v", c.o, err)
		}
	}
}

func TestTheFirstOfSeveralRestoredTripsIsTheFirst(t *testing.T) {
	var list [8]Owed
	n := owes(t).g.Owed(list[:])
	b := newBench(t)
	b.g.Restore(list[:n])
	b.step()
	if b.firstOut() != "limiter" || b.g.tripID != 1 {
		t.Errorf("first-out %q, number %d", b.firstOut(), b.g.tripID)
	}
	var again [8]Owed
	if k := b.g.Owed(again[:]); k != n || again != list {
		t.Errorf("restored %v, owed are %v", list[:n], again[:k])
	}
}
