package store

import (
	"cmp"
	"context"
	"errors"
	"slices"

	"trivet/station"
)

// Reading back through a Spare. What the disk has not got comes from memory, everything else from the disk. If the disk
// cannot be read, memory answers with what it has, which is the present run at least; a record that neither has is an
// error and never an empty one.

// fromMemory reports whether memory knows more of a run than the disk.
func (s *Spare) fromMemory(id int64) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	b := s.debt(id)
	return b != nil && !b.bare && b.owed()
}

// either reads from memory what the disk lacks or cannot read, and all else from the disk.
func either[T any](s *Spare, id int64, disk, memory func(id int64) (T, error)) (T, error) {
	var none station.ErrNoRun
	if s.fromMemory(id) {
		// It may leave memory between the question and the answer, because the disk has just taken it.
		if held, err := memory(id); !errors.As(err, &none) {
			return held, err
		}
	}
	out, err := disk(s.diskNumber(id))
	if err == nil || errors.As(err, &none) {
		return out, err
	}
	if held, noHelp := memory(id); noHelp == nil {
		return held, nil
	}
	return out, err
}

// Run returns one run, or ErrNoRun.
func (s *Spare) Run(ctx context.Context, id int64) (station.RunRecord, error) {
	r, err := either(s, id, func(n int64) (station.RunRecord, error) { return s.disk.Run(ctx, n) },
		func(n int64) (station.RunRecord, error) { return s.mem.Run(ctx, n) })
	if err == nil {
		r.Head.ID = id
	}
	return r, err
}

// columnsAndRows is what Samples returns, as one value.
type columnsAndRows struct {
	columns []station.Channel
	rows    []station.Sample
}

// Samples returns the columns of a run and its kept rows in order.
func (s *Spare) Samples(ctx context.Context, id int64) ([]station.Channel, []station.Sample, error) {
	read := func(a station.Archive) func(int64) (columnsAndRows, error) {
		return func(n int64) (out columnsAndRows, err error) {
			out.columns, out.rows, err = a.Samples(ctx, n)
			return out, err
		}
	}
	out, err := either(s, id, read(s.disk), read(s.mem))
	return out.columns, out.rows, err
}

// Events returns what happened in a run, or with id 0 to the station, oldest first.
func (s *Spare) Events(ctx context.Context, id int64) ([]station.RunEvent, error) {
	out, err := either(s, id, func(n int64) ([]station.RunEvent, error) { return s.disk.Events(ctx, n) },
		func(n int64) ([]station.RunEvent, error) { return s.mem.Events(ctx, n) })
	if err != nil {
		return nil, err
	}
	// Of the station, and of runs that are on the disk, memory holds only what is still owed.
	s.mu.Lock()
	defer s.mu.Unlock()
	if id == 0 {
		return append(out, s.station...), nil
	}
	if b := s.debt(id); b != nil && b.bare {
		out = append(out, b.events...)
	}
	return out, nil
}

// Runs returns the newest runs first, at most limit of them.
func (s *Spare) Runs(ctx context.Context, limit int) ([]station.RunRecord, error) {
	held, _ := s.mem.Runs(ctx, memoryRuns) // memory does not fail
	list, err := s.disk.Runs(ctx, limit)
	if err != nil && len(held) == 0 {
		return nil, err
	}
	s.mu.Lock()
	here := map[int64]int64{} // numbers here, by those on disk
	for id, n := range s.alias {
		here[n] = id
	}
	for i := range list {
		if id, ok := here[list[i].Head.ID]; ok {
			list[i].Head.ID = id
		}
	}
	s.mu.Unlock()
	for _, r := range held {
		i := slices.IndexFunc(list, func(o station.RunRecord) bool { return o.Head.ID == r.Head.ID })
		switch {
		case i < 0 && (err != nil || s.fromMemory(r.Head.ID)):
			list = append(list, r)
		case i >= 0 && s.fromMemory(r.Head.ID):
			list[i] = r
		}
	}
	slices.SortFunc(list, func(a, b station.RunRecord) int { return cmp.Compare(b.Head.ID, a.Head.ID) })
	return list[:min(len(list), max(0, limit))], nil
}

// LastNumber returns the highest number ever given to a run.
func (s *Spare) LastNumber(ctx context.Context) (int64, error) {
	n, err := s.disk.LastNumber(ctx)
	s.mem.mu.Lock()
	defer s.mem.mu.Unlock()
	if s.mem.last >= n { // it began there, so it is never behind what was given in this process
		return s.mem.last, nil
	}
	return n, err
}

// Lessons returns what runs have taught about a pairing, oldest first.
func (s *Spare) Lessons(ctx context.Context, pairing string) ([]station.Lesson, error) {
	if s.lessonsOwed(pairing) {
		return s.mem.Lessons(ctx, pairing)
	}
	l, err := s.disk.Lessons(ctx, pairing)
	if err != nil {
		if held, _ := s.mem.Lessons(ctx, pairing); len(held) > 0 {
			return held, nil
		}
	}
	return l, err
}

func (s *Spare) lessonsOwed(pairing string) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Contains(s.lessons, pairing)
}

// SetLessons replaces all lessons of a pairing.
func (s *Spare) SetLessons(ctx context.Context, pairing string, l []station.Lesson) error {
	s.mu.Lock()
	err := s.mem.SetLessons(ctx, pairing, l)
	if err == nil {
		// At the end, and once, except that the first of the list may be on its way with the old lessons.
		first := s.lessons[:min(1, len(s.lessons))]
		rest := slices.DeleteFunc(s.lessons[len(first):], func(p string) bool { return p == pairing })
		s.lessons = append(s.lessons[:len(first)+len(rest)], pairing)
		if len(s.lessons) > memoryPairings {
			s.lessons = slices.Delete(s.lessons, 0, len(s.lessons)-memoryPairings)
		}
	}
	s.mu.Unlock()
	if err != nil {
		return err
	}
	s.pay(ctx)
	return nil
}

// Pairings lists every pairing that has lessons, sorted.
func (s *Spare) Pairings(ctx context.Context) ([]string, error) {
	out, err := s.disk.Pairings(ctx)
	held, _ := s.mem.Pairings(ctx)
	if err != nil && len(held) == 0 {
		return nil, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	out = slices.DeleteFunc(out, func(p string) bool { return slices.Contains(s.lessons, p) })
	for _, p := range held {
		if !slices.Contains(out, p) && (err != nil || slices.Contains(s.lessons, p)) {
			out = append(out, p)
		}
	}
	slices.Sort(out)
	return out, nil
}

var _ Full = (*Spare)(nil)
