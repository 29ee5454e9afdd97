package store

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// TestAFlippedByteInTheLessonsIsLeftOutAndTold: a lesson that comes back is one that was given, and one that does not come back has been told
// of, wherever in the file the byte was.
func TestAFlippedByteInTheLessonsIsLeftOutAndTold(t *testing.T) {
	dir, ctx := t.TempDir(), t.Context()
	d := open(t, dir)
	given := lessons(1, 4)
	if err := d.SetLessons(ctx, pairing, given); err != nil {
		t.Fatal(err)
	}
	if err := d.Close(); err != nil {
		t.Fatal(err)
	}
	m := image{"state.db": mustRead(t, dir, "state.db"), "samples.db": mustRead(t, dir, "samples.db")}
	states, told, missing, began := 0, 0, 0, time.Now()
	for i := 0; i < len(m["state.db"]); i++ {
		if !allStates && i%(37*thin) != 0 {
			continue
		}
		bad := m.clone()
		bad["state.db"][i] ^= 1 << (i % 8)
		fill(t, dir, bad)
		states++
		d, err := Open(ctx, dir)
		if err != nil {
			t.Errorf("byte %d: %v", i, err)
			continue
		}
		got, err := d.Lessons(ctx, pairing)
		said := len(d.Notices()) > 0 || err != nil
		if said {
			told++
		}
		if len(got) < len(given) {
			if missing++; !said {
				t.Errorf("byte %d: %d of %d lessons, and nobody was told", i, len(got), len(given))
			}
		}
		for _, l := range got {
			if k := int(l.Run) - 1; k < 0 || k >= len(given) || cmp.Diff(given[k], l) != "" {
				t.Errorf("byte %d: a lesson that nobody gave: %+v", i, l)
			}
		}
		if err := d.Close(); err != nil {
			t.Error(err)
		}
	}
	t.Logf("%d states in %.1f s, %d with something told, %d without all lessons", states, time.Since(began).Seconds(), told, missing)
}
