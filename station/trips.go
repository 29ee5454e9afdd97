package station

import (
	"context"
	"time"

	"trivet/safety"
)

// TripMemory keeps trips that owe an inspection across restarts. Save replaces what was kept; both may wait for a disk.
type TripMemory interface {
	Load() ([]safety.Owed, error)
	Save([]safety.Owed) error
}

// Trips carries owed trips from the tick to a TripMemory. Off never waits for it: the guard has latched long before (invariant I-21).
type Trips struct {
	setup  *Setup
	memory TripMemory
	report func(error)
	rows   []safety.Alarm
	last   [rowsMost]safety.Mask // what was handed over last: for each row the subjects that owe
	known  bool
	next   chan []safety.Owed
}

// rowsMost is how many rows the guard's table may have; a test holds it to that.
const rowsMost = 64

// unreadable is what a memory that cannot be read comes to: nobody knows what was owed, so something is.
var unreadable = safety.Owed{Code: "owed"}

// NewTrips loads what is owed and hands it to k, before anything runs. A memory that cannot be read counts as a trip. report is told of every
// failure, and with nil of the first success after one.
func NewTrips(u *Setup, k *Keeper, m TripMemory, report func(error)) *Trips {
	t := &Trips{setup: u, memory: m, report: report, rows: safety.Rows(), next: make(chan []safety.Owed, 1)}
	owed, err := m.Load()
	if err != nil {
		report(err)
		owed = append(owed, unreadable)
	}
	k.Restore(owed)
	return t
}

// Note looks at a tick's alarms. It is called from the tick, never waits, and allocates only when what is owed has changed.
func (t *Trips) Note(s *Snapshot) {
	var now [rowsMost]safety.Mask
	for i := range s.NAlarms {
		if a := &s.Alarms[i]; a.TripID != 0 && t.rows[a.Row].Inspect {
			now[a.Row] = now[a.Row].With(a.Subject)
		}
	}
	if t.known && now == t.last {
		return
	}
	t.last, t.known = now, true
	list := []safety.Owed{}
	for i := range s.NAlarms {
		if a := &s.Alarms[i]; a.TripID != 0 && t.rows[a.Row].Inspect {
			list = append(list, safety.Owed{Code: t.rows[a.Row].Code, Subject: safety.SubjectName(&t.setup.Limits, a.Row, a.Subject)})
		}
	}
	select {
	case <-t.next: // an older list that nobody has fetched yet
	default:
	}
	t.next <- list // there is room: this goroutine is the only one that puts anything in
}

// Run saves what Note has seen until ctx ends, and then once more what is left. A save that fails is tried again every second.
func (t *Trips) Run(ctx context.Context) {
	var list []safety.Owed
	failed := false
	retry := time.NewTimer(time.Hour)
	defer retry.Stop()
	for {
		select {
		case list = <-t.next:
		case <-retry.C:
			if !failed {
				continue
			}
		case <-ctx.Done():
			select {
			case list = <-t.next:
				failed = true
			default:
			}
			if failed {
				if err := t.memory.Save(list); err != nil {
					t.report(err)
				}
			}
			return
		}
		err := t.memory.Save(list)
		if err != nil || failed {
			t.report(err)
		}
		if failed = err != nil; failed {
			retry.Reset(time.Second)
		}
	}
}
