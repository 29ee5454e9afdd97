package store

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"trivet/station"
)

// Full is everything that a record can do. DB is one; a Spare is put over one.
type Full interface {
	station.Recorder
	station.Archive
	Lessons(ctx context.Context, pairing string) ([]station.Lesson, error)
	SetLessons(ctx context.Context, pairing string, l []station.Lesson) error
	Pairings(ctx context.Context) ([]string, error)
	LastNumber(ctx context.Context) (int64, error) // highest number ever given to a run
}

// Patience is how long a recorder waits for the disk before it goes on from memory. A judgement: the caller's own
// buffer of snapshots holds 6 s at real time, and a flash card that tidies itself up may take longer than that.
const Patience = time.Second

// retryEvery is how often a disk that failed is tried again.
const retryEvery = 2 * time.Second

// ErrSlow says that the disk did not answer within Patience. What it was given may still arrive.
var ErrSlow = errors.New("the disk does not answer; the record goes on in memory")

// Spare keeps runs on a disk, and in memory what the disk has not taken. The present run is always in memory as well, so
// whatever call fails, nothing that was recorded in this process is lost while the process lives; what the disk lacks is
// owed to it and handed over, in order, as soon as it works again.
//
// A call of the recorder therefore fails only when the call itself is wrong, and by the same rules as on a disk. Whether
// the disk takes the record is told to report: with the error when it stops doing so, with nil when all is paid. After
// the first failure the recorder does not touch the disk any more; Watch tries it again.
type Spare struct {
	disk   Full
	report func(error)

	work sync.Mutex // held by whoever hands things to the disk; may take long
	mu   sync.Mutex // never held while the disk is waited for

	mem     *Memory
	runs    []*debt // runs that the disk does not have completely, oldest first
	station []station.RunEvent
	lessons []string        // pairings whose lessons the disk lacks
	alias   map[int64]int64 // numbers that came out different on disk
	failing bool
	closed  bool
}

// debt is what the disk has of a run, and so what it lacks.
type debt struct {
	id, onDisk int64 // onDisk is 0 while the disk does not know the run
	head       station.RunHead
	next, have uint64 // the disk has samples below next, memory below have
	events     []station.RunEvent
	end        *station.RunEnd // owed; nil while the run goes on
	ended      bool            // the disk has the end
	bare       bool            // only events that came late: nothing of the run itself is in memory
	unknown    bool            // the disk says that there is no such run
}

// owed reports whether the disk lacks anything of the run so far.
func (b *debt) owed() bool {
	return b.onDisk == 0 || b.next < b.have || len(b.events) > 0 || b.end != nil
}

// NewSpare puts a spare over disk. report may be nil; it is called from any goroutine and must return soon.
func NewSpare(ctx context.Context, disk Full, report func(error)) (*Spare, error) {
	last, err := disk.LastNumber(ctx)
	if err != nil {
		return nil, fmt.Errorf("put memory behind the records: %w", err)
	}
	s := &Spare{disk: disk, report: report, mem: NewMemory(), alias: map[int64]int64{}}
	s.mem.last = last // so that a number given by memory is the one that the disk will give
	return s, nil
}

// Watch tries a disk that failed again every two seconds, until ctx ends.
func (s *Spare) Watch(ctx context.Context) {
	tick := time.NewTicker(retryEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			if s.Failing() {
				_ = s.Retry(ctx) // the outcome was reported
			}
		}
	}
}

// Failing reports whether the disk lacks something that it was offered.
func (s *Spare) Failing() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.failing
}

// Retry offers the disk what it lacks, now, and returns its error. It does nothing while another try is under way.
func (s *Spare) Retry(ctx context.Context) error {
	if !s.work.TryLock() {
		return nil
	}
	defer s.work.Unlock()
	return s.settle(ctx)
}

// Close waits for the disk and offers it what it lacks for the last time. The error says what stays in memory and is lost
// with it. It does not close the disk; after it the disk is not touched any more.
func (s *Spare) Close(ctx context.Context) error {
	s.work.Lock()
	defer s.work.Unlock()
	err := s.settle(ctx)
	s.mu.Lock()
	defer s.mu.Unlock()
	s.closed = true
	if err != nil {
		return fmt.Errorf("%d runs could not be brought to the disk completely and are lost: %w", len(s.runs), err)
	}
	return nil
}

// Begin takes up a new run. Its number is the disk's, unless the disk fails and later gives another.
func (s *Spare) Begin(ctx context.Context, h station.RunHead) (int64, error) {
	s.mu.Lock()
	id, err := s.mem.Begin(ctx, h)
	if err == nil {
		h.Channels = slices.Clone(h.Channels)
		s.owe(&debt{id: id, head: h})
	}
	s.mu.Unlock()
	if err != nil {
		return 0, err
	}
	s.pay(ctx)
	return id, nil
}

// Append keeps rows of a run that this Spare began.
func (s *Spare) Append(ctx context.Context, id int64, rows []station.Sample) error {
	if len(rows) == 0 {
		return nil
	}
	s.mu.Lock()
	err := s.mem.Append(ctx, id, rows)
	if b := s.debt(id); b != nil && err == nil {
		b.have = rows[len(rows)-1].Seq + 1
	}
	s.mu.Unlock()
	if err != nil {
		return err
	}
	s.pay(ctx)
	return nil
}

// Event keeps something worth knowing about a run, or about the station with id 0. While the disk fails, nobody can say
// whether a run of an earlier process exists: then the event is taken, and dropped if it turns out that there is none.
func (s *Spare) Event(ctx context.Context, id int64, e station.RunEvent) error {
	s.mu.Lock()
	b := s.debt(id)
	switch {
	case id == 0:
		s.station = keepNewest(s.station, e)
		_ = s.mem.Event(ctx, 0, e) // the station is always known
	case b == nil:
		// A run that is on the disk completely: only the disk knows it.
		b = &debt{id: id, onDisk: s.diskNumberLocked(id), events: []station.RunEvent{e}, bare: true}
		s.owe(b)
	case b.bare:
		b.events = keepNewest(b.events, e)
	default:
		if err := s.mem.Event(ctx, id, e); err != nil {
			s.mu.Unlock()
			return err
		}
		b.events = keepNewest(b.events, e)
	}
	s.mu.Unlock()
	s.pay(ctx)
	s.mu.Lock()
	defer s.mu.Unlock()
	if b != nil && b.unknown {
		return station.ErrNoRun{ID: id}
	}
	return nil
}

// keepNewest appends within the bound of the memory record.
func keepNewest(list []station.RunEvent, e station.RunEvent) []station.RunEvent {
	if len(list) >= memoryEvents {
		list = slices.Delete(list, 0, len(list)-memoryEvents+1)
	}
	return append(list, e)
}

// End keeps how a run came out.
func (s *Spare) End(ctx context.Context, id int64, e station.RunEnd) error {
	s.mu.Lock()
	b := s.debt(id)
	if b == nil || b.bare {
		s.mu.Unlock()
		return s.disk.End(ctx, s.diskNumber(id), e) // not a run of this process: the disk says what is wrong with that
	}
	err := s.mem.End(ctx, id, e)
	if err == nil {
		b.end = &e
	}
	s.mu.Unlock()
	if err != nil {
		return err
	}
	s.pay(ctx)
	return nil
}

// pay hands over what is owed, and waits for that no longer than Patience. It does nothing while the disk fails.
func (s *Spare) pay(ctx context.Context) {
	if s.Failing() {
		return
	}
	done := make(chan struct{})
	ctx = context.WithoutCancel(ctx) // a caller that leaves must not cut a transaction short
	go func() {
		defer close(done)
		s.work.Lock()
		defer s.work.Unlock()
		_ = s.settle(ctx) // the outcome is reported
	}()
	late := time.NewTimer(Patience)
	defer late.Stop()
	select {
	case <-done:
	case <-late.C:
		s.found(ErrSlow)
	}
}

// found notes whether the disk takes the record, and reports a change.
func (s *Spare) found(err error) {
	s.mu.Lock()
	if err == nil && s.anythingOwed() {
		s.mu.Unlock()
		return // more has come in meanwhile; whoever brought it settles, or Watch does
	}
	changed := s.failing != (err != nil)
	s.failing = err != nil
	s.mu.Unlock()
	if changed && s.report != nil {
		s.report(err)
	}
}

// maxDebts bounds the list of debts to what memory can hold of runs, and as many late events.
const maxDebts = 2 * memoryRuns

// owe adds a debt. The caller holds mu.
func (s *Spare) owe(b *debt) {
	if s.runs = append(s.runs, b); len(s.runs) > maxDebts {
		s.runs = slices.Delete(s.runs, 0, 1)
	}
}

// debt finds what is owed of a run. The caller holds mu.
func (s *Spare) debt(id int64) *debt {
	for _, b := range s.runs {
		if b.id == id {
			return b
		}
	}
	return nil
}

func (s *Spare) anythingOwed() bool {
	return len(s.station) > 0 || len(s.lessons) > 0 || slices.ContainsFunc(s.runs, (*debt).owed)
}

func (s *Spare) diskNumber(id int64) int64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.diskNumberLocked(id)
}

func (s *Spare) diskNumberLocked(id int64) int64 {
	if n, ok := s.alias[id]; ok {
		return n
	}
	return id
}
