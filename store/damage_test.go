package store

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"
)

// tally counts how states came out.
type tally struct {
	states, whole, told, refused, lessSilently int
	runs, of                                   int // runs that were shown, of those that were promised, in all states
	began                                      time.Time
}

func (c *tally) String() string {
	return fmt.Sprintf("%d states in %.1f s: %d with everything there, %d with something told to be damaged, %d refused with a reason, %d without the newest transactions; %d of %d runs shown",
		c.states, time.Since(c.began).Seconds(), c.whole, c.told, c.refused, c.lessSilently, c.runs, c.of)
}

// open opens a damaged image and judges what came out. What is shown must be true, and what is missing must have been told,
// except that with a damaged log the newest transactions may be missing: newest says how many marks that may be.
func (h *history) open(t *testing.T, c *tally, dir, what string, m image, at, newest int) {
	t.Helper()
	c.states++
	f, p := h.look(t, dir, m), h.promised(at)
	c.runs, c.of = c.runs+f.runs, c.of+p.begun
	if len(f.differ) > 0 {
		t.Errorf("%s: shown as if it were right: %s", what, strings.Join(f.differ, "; "))
	}
	switch {
	case f.refused:
		c.refused++
	case f.told:
		c.told++
	case f.keeps(p, true) == "":
		c.whole++
	default:
		c.lessSilently++
		older := mark{}
		if k := slices.IndexFunc(h.marks, func(m mark) bool { return m.changes == p.changes }); k >= newest {
			older = h.marks[k-newest]
		}
		if wrong := f.keeps(older, true); wrong != "" {
			t.Errorf("%s: nobody was told that something is missing: %s", what, wrong)
		}
	}
}

// moments are places in the history whose images are damaged: in the first run, in the middle, at the end.
func (h *history) moments() []int {
	n := len(h.changes)
	return []int{n / 5, n / 2, n}
}

func TestEveryPrefixOfALogIsAnEarlierMoment(t *testing.T) {
	h, dir, c := session(t), t.TempDir(), &tally{began: time.Now()}
	const frame = walFrameHeader + pageSize
	for _, at := range h.moments() {
		m := h.at(at)
		for _, name := range []string{"state.db-wal", "samples.db-wal"} {
			ends := map[int]bool{}
			for n := 0; n <= len(m[name]); n += 512 {
				ends[n] = true
			}
			for n := walHeader; n <= len(m[name]); n += frame {
				for _, d := range []int{-1, 0, 1, walFrameHeader - 1, walFrameHeader, walFrameHeader + 1} {
					ends[n+d] = true
				}
			}
			for i, n := range slices.Sorted(maps.Keys(ends)) {
				if n > len(m[name]) || !allStates && i%(6*thin) != 0 {
					continue
				}
				short := m.clone()
				short[name] = short[name][:n]
				// A log that is short by more than the power could take says nothing of it; what is left must be consistent.
				h.open(t, c, dir, fmt.Sprintf("%s of %d bytes cut at %d", name, len(m[name]), n), short, at, len(h.marks))
			}
		}
	}
	t.Log(c)
}

func TestAnyFlippedByteIsFoundOrHarmless(t *testing.T) {
	h, dir := session(t), t.TempDir()
	for _, name := range []string{"state.db", "state.db-wal", "samples.db", "samples.db-wal"} {
		t.Run(name, func(t *testing.T) {
			c := &tally{began: time.Now()}
			for k, at := range h.moments() {
				m := h.at(at)
				step := max(1, len(m[name])*thin/60)
				if allStates {
					step = 1
				}
				// The header and the first page have many fields; there each byte is worth a look.
				for i := k % step; i < len(m[name]); i += step {
					bad := m.clone()
					bad[name][i] ^= 1 << (i % 8)
					h.open(t, c, dir, fmt.Sprintf("%s, byte %d of %d flipped after %d changes", name, i, len(m[name]), at), bad, at, 4)
				}
			}
			t.Log(c)
		})
	}
}

// closed is the image after an orderly end: everything in the database files, no log.
func (h *history) closed(t *testing.T) image {
	t.Helper()
	dir := t.TempDir()
	h.look(t, dir, h.at(len(h.changes)))
	m := image{}
	for _, name := range []string{"state.db", "samples.db"} {
		m[name] = mustRead(t, dir, name)
	}
	return m
}

func TestAnyFlippedByteAfterAnOrderlyEndIsFoundOrHarmless(t *testing.T) {
	h, dir := session(t), t.TempDir()
	m := h.closed(t)
	for _, name := range []string{"state.db", "samples.db"} {
		t.Run(name, func(t *testing.T) {
			c := &tally{began: time.Now()}
			for i := 0; i < len(m[name]); i++ {
				if !allStates && i%(149*thin) != 0 && (i >= 104 || i%thin != 0) { // all of the header, a sample of the rest
					continue
				}
				bad := m.clone()
				bad[name][i] ^= 1 << (i % 8)
				h.open(t, c, dir, fmt.Sprintf("%s, byte %d of %d flipped", name, i, len(m[name])), bad, len(h.changes), 0)
			}
			t.Log(c)
		})
	}
}

func TestTornAndSwappedPagesAreFoundOrHarmless(t *testing.T) {
	h, dir := session(t), t.TempDir()
	for _, name := range []string{"state.db", "samples.db"} {
		t.Run(name, func(t *testing.T) {
			c, m, old := &tally{began: time.Now()}, h.closed(t), h.base
			pages := len(m[name]) / pageSize
			for p := range pages {
				// Sectors of before in the page of now, and the other way round; where there was no page, zeros.
				for cut := 512; cut < pageSize; cut += 512 {
					if !allStates && cut != 512 && (cut != 2048 || thin > 1) {
						continue
					}
					before := make([]byte, pageSize)
					if end := (p + 1) * pageSize; end <= len(old[name]) {
						copy(before, old[name][p*pageSize:end])
					}
					head, tail := m.clone(), m.clone()
					copy(head[name][p*pageSize:], before[:cut])
					copy(tail[name][p*pageSize+cut:], before[cut:])
					h.open(t, c, dir, fmt.Sprintf("%s, page %d: the first %d bytes are old", name, p+1, cut), head, len(h.changes), 0)
					h.open(t, c, dir, fmt.Sprintf("%s, page %d: all but the first %d bytes are old", name, p+1, cut), tail, len(h.changes), 0)
				}
				for q := p + 1; q < pages; q++ {
					if !allStates && (p+q)%(3*thin) != 0 {
						continue
					}
					swapped := m.clone()
					copy(swapped[name][p*pageSize:(p+1)*pageSize], m[name][q*pageSize:])
					copy(swapped[name][q*pageSize:(q+1)*pageSize], m[name][p*pageSize:])
					h.open(t, c, dir, fmt.Sprintf("%s, pages %d and %d swapped", name, p+1, q+1), swapped, len(h.changes), 0)
				}
			}
			t.Log(c)
		})
	}
}
