package station

import (
	"context"
	"strings"
	"testing"
	"time"

	"trivet/process"
	"trivet/process/unit"
	"trivet/safety"
)

// tape is a recorder that remembers what it was given.
type tape struct {
	runs   []RunHead
	rows   []Sample
	events []RunEvent
	ends   []RunEnd
}

func (r *tape) Begin(_ context.Context, h RunHead) (int64, error) {
	r.runs = append(r.runs, h)
	return int64(len(r.runs)), nil
}

func (r *tape) Append(_ context.Context, _ int64, rows []Sample) error {
	r.rows = append(r.rows, rows...)
	return nil
}

func (r *tape) Event(_ context.Context, _ int64, e RunEvent) error {
	r.events = append(r.events, e)
	return nil
}

func (r *tape) End(_ context.Context, _ int64, e RunEnd) error {
	r.ends = append(r.ends, e)
	return nil
}

func (r *tape) text(code string) (list []string) {
	for _, e := range r.events {
		if e.Code == code {
			list = append(list, e.Text)
		}
	}
	return list
}

func newTestClerk(rec Recorder) *Clerk {
	l := safety.Limits{NSensors: 1}
	l.Sensors[0] = safety.Sensor{Name: "Corner joint", Role: safety.RoleJoint, Ceiling: 260}
	u := &Setup{Limits: l, Sensors: []SensorInfo{{Name: "joint", Role: safety.RoleJoint}}, Period: Period}
	return NewClerk(u, rec, func(*RunOrder) RunHead { return RunHead{} }, nil)
}

// run fills in a snapshot of tick seq in a run of order o.
func runAt(seq uint64, o *RunOrder, state State) *Snapshot {
	s := &Snapshot{Seq: seq, At: time.Duration(seq) * Period, State: state, Coldest: -1, Hottest: -1}
	s.Run = RunNow{Order: o, Begun: Period, Elapsed: time.Duration(seq) * Period}
	s.Sensors[0] = unit.Measured(s.At, 25)
	return s
}

func TestSnapshotsThatTheClerkCouldNotTakeAreCountedAndSaidInTheRecordOfTheRun(t *testing.T) {
	rec := &tape{}
	c, o := newTestClerk(rec), &RunOrder{Kind: process.Removal}
	const more = 36
	for seq := range uint64(ringSize + more) { // nobody takes them: the disk stands still
		c.Publish(runAt(seq+1, o, Running))
	}
	if got := c.Lost(); got != more {
		t.Errorf("%d snapshots counted as lost; %d found no room", got, more)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel() // an end drains what is there
	c.Run(ctx)
	c.Note(t.Context(), runAt(ringSize+more+1, o, Running))
	c.Note(t.Context(), runAt(ringSize+more+2, o, Running))
	c.flush(t.Context())
	said := rec.text("snapshots:lost")
	if len(said) != 1 || !strings.HasPrefix(said[0], "Snapshots lost: 36.") || !strings.Contains(said[0], "3.6 s") {
		t.Errorf("the record says %q; want once that 36 snapshots, 3.6 s, are missing", said)
	}
	if len(rec.rows) != ringSize+2 {
		t.Fatalf("%d rows; want the %d that were taken", len(rec.rows), ringSize+2)
	}
	for i, r := range rec.rows {
		if r.Seq != uint64(i) {
			t.Fatalf("row %d has the number %d: they must stay dense", i, r.Seq)
		}
	}
}

func TestAnAlarmRaisedInALostTickIsInTheRecordAllTheSame(t *testing.T) {
	rec := &tape{}
	c, o := newTestClerk(rec), &RunOrder{}
	raise := func(s *Snapshot, at time.Duration) *Snapshot {
		s.Alarms[0], s.NAlarms = safety.Active{Row: 0, At: at}, 1
		return s
	}
	c.Note(t.Context(), runAt(1, o, Running))
	c.Note(t.Context(), raise(runAt(5, o, Running), 3*Period)) // it came in tick 3, which nobody saw
	c.Note(t.Context(), raise(runAt(6, o, Running), 3*Period))
	c.flush(t.Context())
	if got := rec.text("alarm:" + safety.Rows()[0].Code); len(got) != 1 {
		t.Errorf("the alarm stands %d times in the record; want once", len(got))
	}
}

func TestARunWhoseEndWasLostIsClosedWhenTheNextBegins(t *testing.T) {
	rec := &tape{}
	c := newTestClerk(rec)
	c.Note(t.Context(), runAt(1, &RunOrder{}, Running))
	c.Note(t.Context(), runAt(900, &RunOrder{}, Running))
	c.Note(t.Context(), runAt(901, nil, Idle))
	if len(rec.runs) != 2 || len(rec.ends) != 2 || rec.ends[0].Code != "end_unseen" || rec.ends[0].State != Aborted {
		t.Errorf("%d runs, ends %+v; want two of each, the first one unseen", len(rec.runs), rec.ends)
	}
}

func TestLabelsFollowTheWallClockAndNothingElseDoes(t *testing.T) {
	rec := &tape{}
	c, o := newTestClerk(rec), &RunOrder{}
	wall := time.Date(1977, 1, 1, 0, 0, 0, 0, time.UTC)
	c.SetWallClock(func() time.Time { return wall })
	c.Note(t.Context(), runAt(1, o, Running))
	wall = wall.AddDate(90, 0, 0)
	c.Note(t.Context(), runAt(2, o, Stopping))
	c.Note(t.Context(), runAt(3, o, Stopped))
	if n := len(rec.events); n != 3 || rec.events[0].UTC.Year() != 1977 || rec.events[2].UTC.Year() != 2067 || rec.ends[0].EndedUTC.Year() != 2067 {
		t.Errorf("labels %v, end %v", rec.events, rec.ends)
	}
	for i, r := range rec.rows {
		if r.At != time.Duration(i)*Period {
			t.Errorf("row %d is at %v", i, r.At)
		}
	}
}
