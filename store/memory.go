package store

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"

	"trivet/station"
)

// Bounds of the memory record. 16 MiB hold 100 000 samples of 30 columns: nearly three hours at 10 Hz, the longest run.
const (
	memoryRuns   = 16
	memoryEvents = 2048
	memoryBytes  = 16 << 20
)

// Memory keeps runs in memory only, bounded, for when the disk fails in a run (the run goes on, with an alarm) and for
// tests. What does not fit pushes out the oldest. Its methods may be called from any goroutine and never wait for anything.
type Memory struct {
	// One lock for everything. Nothing inside waits for anything, so it is held for microseconds.
	mu      sync.Mutex
	runs    []*memoryRun // oldest first
	events  []memoryEvent
	bytes   int
	last    int64              // highest number given or adopted
	lessons [][]station.Lesson // one list per pairing, the one set last at the end
}

// memoryRun is one run. next is the lowest number its next sample may have.
type memoryRun struct {
	head   station.RunHead
	end    station.RunEnd
	chunks []chunk
	next   uint64
}

// memoryEvent is one event with the number of its run, 0 for the station.
type memoryEvent struct {
	run int64
	station.RunEvent
}

// NewMemory returns an empty record.
func NewMemory() *Memory { return &Memory{} }

// Begin keeps the head of a new run and returns its number. h.ID is ignored.
func (m *Memory) Begin(_ context.Context, h station.RunHead) (int64, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	h.ID = m.last + 1
	return h.ID, m.add(h)
}

// Adopt goes on with a run that another recorder began under the number h.ID, from the sample number next. It is what
// the station calls when the disk fails in a run.
func (m *Memory) Adopt(h station.RunHead, next uint64) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if h.ID <= 0 || m.run(h.ID) != nil {
		return fmt.Errorf("adopt run %d: its number must be above zero and not known here", h.ID)
	}
	if err := m.add(h); err != nil {
		return err
	}
	m.run(h.ID).next = next
	return nil
}

// add keeps a head. The caller holds the lock.
func (m *Memory) add(h station.RunHead) error {
	if len(h.Channels) > station.MaxChannels {
		return fmt.Errorf("begin a run: %d columns; at most %d can be kept", len(h.Channels), station.MaxChannels)
	}
	// The caller keeps its slice; a record must not change with it.
	h.Channels = slices.Clone(h.Channels)
	m.last = max(m.last, h.ID)
	m.runs = append(m.runs, &memoryRun{head: h})
	// The oldest goes first, even if it is still open: that cannot be, sixteen runs do not overlap.
	if len(m.runs) > memoryRuns {
		for _, c := range m.runs[0].chunks {
			m.bytes -= len(c.data)
		}
		m.runs = slices.Delete(m.runs, 0, 1)
	}
	return nil
}

// Append keeps rows, all or none, by the rules of DB.Append.
func (m *Memory) Append(_ context.Context, id int64, rows []station.Sample) error {
	if len(rows) == 0 {
		return nil
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	r := m.run(id)
	switch {
	// As on disk: a run that has ended takes no more samples, and says so in the same way.
	case r == nil || r.end.State != "":
		return station.ErrNoRun{ID: id}
	case rows[0].Seq < r.next:
		return fmt.Errorf("keep samples of run %d: sample %d is already kept; the next is %d", id, rows[0].Seq, r.next)
	}
	chunks, err := pack(id, len(r.head.Channels), rows)
	if err != nil {
		return fmt.Errorf("keep samples of run %d: %w", id, err)
	}
	r.chunks, r.next = append(r.chunks, chunks...), rows[len(rows)-1].Seq+1
	for _, c := range chunks {
		m.bytes += len(c.data)
	}
	m.trim()
	return nil
}

// trim drops the oldest chunks of the oldest run until everything fits.
func (m *Memory) trim() {
	for m.bytes > memoryBytes {
		// The oldest run that still has samples gives up its oldest chunk. If only the present run is left it loses its
		// own beginning, because the newest minutes are the ones somebody needs when the disk has just failed.
		i := slices.IndexFunc(m.runs, func(r *memoryRun) bool { return len(r.chunks) > 0 })
		if i < 0 {
			return
		}
		m.bytes -= len(m.runs[i].chunks[0].data)
		m.runs[i].chunks = slices.Delete(m.runs[i].chunks, 0, 1)
	}
}

// Event keeps something worth knowing about run id, or about the station with id 0.
func (m *Memory) Event(_ context.Context, id int64, e station.RunEvent) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if id != 0 && m.run(id) == nil {
		return fmt.Errorf("keep event %q of run %d: %w", e.Code, id, station.ErrNoRun{ID: id})
	}
	m.events = append(m.events, memoryEvent{id, e})
	// Delete from the front moves the rest: 2048 small structs, once per event beyond the bound, in a situation that
	// lasts for minutes.
	if len(m.events) > memoryEvents {
		m.events = slices.Delete(m.events, 0, len(m.events)-memoryEvents)
	}
	return nil
}

// End keeps how a run came out. A run ends once.
func (m *Memory) End(_ context.Context, id int64, e station.RunEnd) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	r := m.run(id)
	switch {
	case e.State == "":
		return fmt.Errorf("end run %d: no state is given; an empty state means that the run is open", id)
	case r == nil:
		return fmt.Errorf("end run %d: %w", id, station.ErrNoRun{ID: id})
	case r.end.State != "":
		return fmt.Errorf("end run %d: %w", id, errors.New("it has already ended"))
	}
	r.end = e
	return nil
}

// Runs returns the newest runs first, at most limit of them.
func (m *Memory) Runs(_ context.Context, limit int) ([]station.RunRecord, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var out []station.RunRecord
	for i := len(m.runs) - 1; i >= 0 && len(out) < limit; i-- {
		out = append(out, m.runs[i].record())
	}
	return out, nil
}

// Run returns one run, or ErrNoRun.
func (m *Memory) Run(_ context.Context, id int64) (station.RunRecord, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if r := m.run(id); r != nil {
		return r.record(), nil
	}
	return station.RunRecord{}, station.ErrNoRun{ID: id}
}

// Samples returns the columns and the rows that still fit.
func (m *Memory) Samples(_ context.Context, id int64) ([]station.Channel, []station.Sample, error) {
	m.mu.Lock()
	r := m.run(id)
	if r == nil {
		m.mu.Unlock()
		return nil, nil, station.ErrNoRun{ID: id}
	}
	// Chunks are never changed once made, so the lock is needed for the list alone. Unpacking the longest run takes a
	// tenth of a second (measured on a two-core x86), during which the recorder must not stand still.
	channels, chunks := slices.Clone(r.head.Channels), slices.Clone(r.chunks)
	m.mu.Unlock()
	var rows []station.Sample
	for i := range chunks {
		rows, _ = chunks[i].unpack(rows) // memory does not rot
	}
	return channels, rows, nil
}

// Events returns what happened in a run, or with id 0 to the station, oldest first.
func (m *Memory) Events(_ context.Context, id int64) ([]station.RunEvent, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if id != 0 && m.run(id) == nil {
		return nil, station.ErrNoRun{ID: id}
	}
	var out []station.RunEvent
	for _, e := range m.events {
		if e.run == id {
			out = append(out, e.RunEvent)
		}
	}
	return out, nil
}

// from returns some rows of a run, in order, the first of them the oldest that is held and numbered next or higher; none
// when there is no such row.
func (m *Memory) from(id int64, next uint64) []station.Sample {
	m.mu.Lock()
	defer m.mu.Unlock()
	r := m.run(id)
	if r == nil {
		return nil
	}
	for i := range r.chunks {
		c := &r.chunks[i]
		if c.first+uint64(c.samples) <= next {
			continue
		}
		rows, _ := c.unpack(nil) // memory does not rot
		return slices.DeleteFunc(rows, func(s station.Sample) bool { return s.Seq < next })
	}
	return nil
}

// forget drops a run with its events, because it is kept elsewhere.
func (m *Memory) forget(id int64) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if i := slices.IndexFunc(m.runs, func(r *memoryRun) bool { return r.head.ID == id }); i >= 0 {
		for _, c := range m.runs[i].chunks {
			m.bytes -= len(c.data)
		}
		m.runs = slices.Delete(m.runs, i, i+1)
	}
	m.events = slices.DeleteFunc(m.events, func(e memoryEvent) bool { return e.run == id && id != 0 })
}

// run finds a run by its number, nil when it is not or no longer here. The caller holds the lock.
func (m *Memory) run(id int64) *memoryRun {
	for _, r := range m.runs {
		if r.head.ID == id {
			return r
		}
	}
	return nil
}

// record describes the run as an archive does. Samples counts what is still held, which may be less than was given.
func (r *memoryRun) record() station.RunRecord {
	out := station.RunRecord{Head: r.head, End: r.end}
	out.Head.Channels = slices.Clone(r.head.Channels)
	for _, c := range r.chunks {
		out.Samples, out.LastAt = out.Samples+c.samples, c.last
	}
	return out
}
