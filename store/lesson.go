package store

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"slices"
	"time"

	"trivet/station"
)

// Bounds of what is kept per pairing. They are judgements: what a board taught sixteen runs ago says little that later
// runs do not say better, and a fitted model with its history is a few kB. Nothing here grows without bound.
const (
	maxLessons     = 16
	maxLessonBytes = 64 << 10
	maxPairing     = 1024 // bytes of a key
)

// Lessons returns what runs have taught about a pairing, oldest first, at most the newest 16; none when the pairing is
// unknown. A lesson that is not what was written is left out, and Notices counts it: a wrong lesson is worse than none.
func (d *DB) Lessons(ctx context.Context, pairing string) ([]station.Lesson, error) {
	rows, err := d.state.read.QueryContext(ctx, "SELECT pairing, run, utc, data, crc FROM lessons WHERE pairing=? ORDER BY id DESC LIMIT ?",
		pairing, maxLessons)
	if err != nil {
		return nil, fmt.Errorf("read the lessons of %q: %w", pairing, err)
	}
	defer rows.Close()
	var out []station.Lesson
	damaged := 0
	for rows.Next() {
		var l station.Lesson
		var when string
		var crc int64
		if err := rows.Scan(&l.Pairing, &l.Run, &when, &l.Data, &crc); err != nil {
			return nil, fmt.Errorf("read the lessons of %q: %w", pairing, err)
		}
		// The index led here. The key is in the sum as well, so a row filed under the wrong pairing fails too.
		l.UTC, err = time.Parse(time.RFC3339Nano, when)
		if err != nil || l.Pairing != pairing || int64(lessonSum(pairing, l.Run, when, l.Data)) != crc {
			damaged++
			continue
		}
		l.Data = append([]byte{}, l.Data...) // an empty blob comes as nil; memory gives an empty one
		out = append(out, l)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("read the lessons of %q: %w", pairing, err)
	}
	d.noteLessons(pairing, damaged)
	slices.Reverse(out)
	return out, nil
}

// SetLessons replaces all lessons of a pairing by l, oldest first, in one transaction: a reader or a crash sees the old
// list or the new one. An empty list forgets the pairing.
//
// It refuses, and changes nothing, when the pairing is empty or longer than 1024 bytes, when l holds more than 16
// lessons, when one is larger than 64 KiB, and when one names another pairing (an empty name is filled in).
func (d *DB) SetLessons(ctx context.Context, pairing string, l []station.Lesson) error {
	if err := checkLessons(pairing, l); err != nil {
		return err
	}
	if err := d.replaceLessons(ctx, pairing, l); err != nil {
		return fmt.Errorf("keep the lessons of %q: %w", pairing, err)
	}
	d.noteLessons(pairing, 0) // damaged ones were replaced too
	return nil
}

func (d *DB) replaceLessons(ctx context.Context, pairing string, l []station.Lesson) error {
	tx, err := d.state.write.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback() // does nothing after a commit
	if _, err := tx.ExecContext(ctx, "DELETE FROM lessons WHERE pairing=?", pairing); err != nil {
		return err
	}
	for i := range l {
		// A nil slice would be stored as NULL, which the table refuses.
		when, data := utc(l[i].UTC), append([]byte{}, l[i].Data...)
		if _, err := tx.ExecContext(ctx, "INSERT INTO lessons (pairing, run, utc, data, crc) VALUES (?, ?, ?, ?, ?)",
			pairing, l[i].Run, when, data, int64(lessonSum(pairing, l[i].Run, when, data))); err != nil {
			return err
		}
	}
	return tx.Commit()
}

// Pairings lists every pairing that has lessons, sorted. A pairing whose lessons are all damaged is listed too.
func (d *DB) Pairings(ctx context.Context) ([]string, error) {
	rows, err := d.state.read.QueryContext(ctx, "SELECT DISTINCT pairing FROM lessons ORDER BY pairing")
	if err != nil {
		return nil, fmt.Errorf("list the pairings: %w", err)
	}
	defer rows.Close()
	var out []string
	for rows.Next() {
		var p string
		if err := rows.Scan(&p); err != nil {
			return nil, fmt.Errorf("list the pairings: %w", err)
		}
		out = append(out, p)
	}
	return out, rows.Err()
}

// noteLessons remembers how many lessons of a pairing are damaged, so that reading them twice counts them once.
func (d *DB) noteLessons(pairing string, damaged int) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if damaged == 0 {
		delete(d.badLessons, pairing)
		return
	}
	d.badLessons[pairing] = damaged
}

// checkLessons says what is wrong with a list before anything is changed.
func checkLessons(pairing string, l []station.Lesson) error {
	if n := len(pairing); n == 0 || n > maxPairing {
		return fmt.Errorf("keep lessons: the name of the pairing has %d bytes; 1 to %d are allowed", n, maxPairing)
	}
	if len(l) > maxLessons {
		return fmt.Errorf("keep the lessons of %q: %d lessons; at most %d are kept", pairing, len(l), maxLessons)
	}
	for i := range l {
		if n := len(l[i].Data); n > maxLessonBytes {
			return fmt.Errorf("keep the lessons of %q: lesson %d has %d bytes; at most %d are allowed", pairing, i, n, maxLessonBytes)
		}
		if p := l[i].Pairing; p != "" && p != pairing {
			return fmt.Errorf("keep the lessons of %q: lesson %d belongs to %q", pairing, i, p)
		}
		// RFC 3339 has four digits for the year; more could be written and not read back.
		if y := l[i].UTC.UTC().Year(); y < 0 || y > 9999 {
			return fmt.Errorf("keep the lessons of %q: lesson %d was learned in the year %d; 0 to 9999 are allowed", pairing, i, y)
		}
	}
	return nil
}

// lessonSum is CRC-32C (Castagnoli) over the key, the run, the time as it is written and the data, each of the variable
// ones with its length before it (little-endian int64), so that no two different rows are the same bytes.
func lessonSum(pairing string, run int64, when string, data []byte) uint32 {
	var b bytes.Buffer
	put := func(n int64) { b.Write(binary.LittleEndian.AppendUint64(nil, uint64(n))) }
	put(int64(len(pairing)))
	b.WriteString(pairing)
	put(run)
	put(int64(len(when)))
	b.WriteString(when)
	put(int64(len(data)))
	castagnoli := crc32.MakeTable(crc32.Castagnoli)
	return crc32.Update(crc32.Checksum(b.Bytes(), castagnoli), castagnoli, data)
}

// memoryPairings bounds the lessons of the memory record: 64 pairings of 16 lessons, a few MB of what is usual.
const memoryPairings = 64

// Lessons returns what runs have taught about a pairing, by the rules of DB.Lessons; memory is never damaged.
func (m *Memory) Lessons(_ context.Context, pairing string) ([]station.Lesson, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	i := m.pairing(pairing)
	if i < 0 {
		return nil, nil
	}
	return cloneLessons(pairing, m.lessons[i]), nil
}

// SetLessons replaces all lessons of a pairing, by the rules of DB.SetLessons. Beyond 64 pairings the one that has not been
// set for longest is forgotten.
func (m *Memory) SetLessons(_ context.Context, pairing string, l []station.Lesson) error {
	if err := checkLessons(pairing, l); err != nil {
		return err
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	if i := m.pairing(pairing); i >= 0 {
		m.lessons = slices.Delete(m.lessons, i, i+1)
	}
	if len(l) > 0 {
		m.lessons = append(m.lessons, cloneLessons(pairing, l))
	}
	if len(m.lessons) > memoryPairings {
		m.lessons = slices.Delete(m.lessons, 0, 1)
	}
	return nil
}

// Pairings lists every pairing that has lessons, sorted.
func (m *Memory) Pairings(context.Context) ([]string, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var out []string
	for _, l := range m.lessons {
		out = append(out, l[0].Pairing)
	}
	slices.Sort(out)
	return out, nil
}

// pairing finds a list by its key, -1 when there is none. The caller holds the lock. No list is empty.
func (m *Memory) pairing(key string) int {
	return slices.IndexFunc(m.lessons, func(l []station.Lesson) bool { return l[0].Pairing == key })
}

// cloneLessons copies a list with its data, as the disk would: what the caller does to its own copy afterwards must not
// reach the record.
func cloneLessons(pairing string, l []station.Lesson) []station.Lesson {
	out := slices.Clone(l)
	for i := range out {
		out[i].Pairing, out[i].UTC, out[i].Data = pairing, out[i].UTC.UTC(), append([]byte{}, out[i].Data...)
	}
	return out
}
