package store

import (
	"context"
	"errors"
	"slices"

	"trivet/station"
)

// settle hands everything that is owed to the disk, in the order in which it came about, and stops at the first failure:
// what comes later would be out of order. The caller holds work and not mu.
func (s *Spare) settle(ctx context.Context) error {
	s.mu.Lock()
	closed := s.closed
	s.mu.Unlock()
	if closed {
		return nil
	}
	err := s.settleAll(ctx)
	s.found(err)
	return err
}

func (s *Spare) settleAll(ctx context.Context) error {
	s.mu.Lock()
	runs := slices.Clone(s.runs)
	s.mu.Unlock()
	for _, b := range runs {
		if err := s.settleRun(ctx, b); err != nil {
			return err
		}
	}
	for {
		s.mu.Lock()
		owed := len(s.station) > 0
		var e station.RunEvent
		if owed {
			e = s.station[0]
		}
		s.mu.Unlock()
		if !owed {
			break
		}
		if err := s.disk.Event(ctx, 0, e); err != nil {
			return err
		}
		s.mu.Lock()
		s.station = drop(s.station, e)
		s.mu.Unlock()
	}
	return s.settleLessons(ctx)
}

// drop takes e off the front. It may be gone already, pushed out by newer ones while the disk was waited for.
func drop(list []station.RunEvent, e station.RunEvent) []station.RunEvent {
	if len(list) > 0 && list[0] == e {
		return slices.Delete(list, 0, 1)
	}
	return list
}

// settleRun hands over one run: its head, its samples, its events and its end. More may come in while the disk is waited
// for, so what is next is decided anew after each step; the end goes last, because the disk takes no samples after it.
func (s *Spare) settleRun(ctx context.Context, b *debt) error {
	if err := s.settleHead(ctx, b); err != nil {
		return err
	}
	for {
		s.mu.Lock()
		rows, events, end := b.next < b.have, b.events, b.end
		var e station.RunEvent
		if len(events) > 0 {
			e = events[0]
		}
		s.mu.Unlock()
		var err error
		switch {
		case rows:
			err = s.settleSamples(ctx, b)
		case len(events) > 0:
			err = s.settleEvent(ctx, b, e)
		default:
			return s.settleEnd(ctx, b, end)
		}
		if err != nil {
			return err
		}
	}
}

func (s *Spare) settleEvent(ctx context.Context, b *debt, e station.RunEvent) error {
	err := s.disk.Event(ctx, b.onDisk, e)
	var none station.ErrNoRun
	if err != nil && !errors.As(err, &none) { // an event of a run that never was is of no use to anybody
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	b.unknown = b.unknown || err != nil
	b.events = drop(b.events, e)
	return nil
}

func (s *Spare) settleHead(ctx context.Context, b *debt) error {
	if b.onDisk != 0 { // only whoever holds work writes it
		return nil
	}
	id, err := s.disk.Begin(ctx, b.head)
	if err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	b.onDisk = id
	if id != b.id {
		s.alias[b.id] = id
	}
	return nil
}

// settleSamples hands over the oldest rows that the disk lacks, a chunk at most.
func (s *Spare) settleSamples(ctx context.Context, b *debt) error {
	s.mu.Lock()
	next := b.have
	s.mu.Unlock()
	// No rows: what memory had to push out can be owed no more. The hole stays visible in the numbers.
	if rows := s.mem.from(b.id, b.next); len(rows) > 0 {
		if err := s.disk.Append(ctx, b.onDisk, rows); err != nil {
			return err
		}
		next = rows[len(rows)-1].Seq + 1
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	b.next = max(b.next, next)
	return nil
}

// settleEnd hands over the end. A run that is on the disk completely leaves memory.
func (s *Spare) settleEnd(ctx context.Context, b *debt, end *station.RunEnd) error {
	if end != nil {
		if err := s.disk.End(ctx, b.onDisk, *end); err != nil {
			// An end that was kept without its verdict is an end; the disk says so when it is asked again.
			r, again := s.disk.Run(ctx, b.onDisk)
			if again != nil || r.End.State == "" {
				return errors.Join(err, again)
			}
		}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if end != nil {
		b.end, b.ended = nil, true
	}
	if (b.ended || b.bare) && !b.owed() {
		s.runs = slices.DeleteFunc(s.runs, func(o *debt) bool { return o == b })
		s.mem.forget(b.id)
	}
	return nil
}

func (s *Spare) settleLessons(ctx context.Context) error {
	for {
		s.mu.Lock()
		if len(s.lessons) == 0 {
			s.mu.Unlock()
			return nil
		}
		pairing := s.lessons[0]
		s.mu.Unlock()
		l, _ := s.mem.Lessons(ctx, pairing) // memory does not fail
		if err := s.disk.SetLessons(ctx, pairing, l); err != nil {
			return err
		}
		s.mu.Lock()
		if len(s.lessons) > 0 && s.lessons[0] == pairing { // it may have been pushed out; set again, it stands further back
			s.lessons = slices.Delete(s.lessons, 0, 1)
		}
		s.mu.Unlock()
	}
}
