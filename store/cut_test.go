package store

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"trivet/station"
	"trivet/store/iofault"
)

// image is the content of a data directory at one moment, by file name.
type image map[string][]byte

func (m image) clone() image {
	out := image{}
	for n, b := range m {
		out[n] = slices.Clone(b)
	}
	return out
}

// apply makes a change, or the first part of a write.
func (m image) apply(c iofault.Change) {
	switch c.Op {
	case iofault.Write:
		b := m[c.File]
		if end := int(c.Offset) + len(c.Data); end > len(b) {
			b = append(b, make([]byte, end-len(b))...)
		}
		copy(b[c.Offset:], c.Data)
		m[c.File] = b
	case iofault.Truncate:
		m[c.File] = append(m[c.File][:min(len(m[c.File]), int(c.Offset))], make([]byte, max(0, int(c.Offset)-len(m[c.File])))...)
	case iofault.Delete:
		delete(m, c.File)
	}
}

// mark says what had been promised when so many changes had been asked for.
type mark struct {
	changes int
	begun   int // runs
	ended   int
	events  map[int64]int
	samples map[int64]int
}

// history is a recording session with every change of a file in it.
type history struct {
	base    image // before
	changes []iofault.Change
	marks   []mark
	truth   *Memory // what was given, complete
}

// at builds the image after so many changes.
func (h *history) at(n int) image {
	m := h.base.clone()
	for _, c := range h.changes[:n] {
		m.apply(c)
	}
	return m
}

// promised is what had been acknowledged by then.
func (h *history) promised(n int) (last mark) {
	for _, m := range h.marks {
		if m.changes <= n {
			last = m
		}
	}
	return last
}

// session records three runs on a fresh directory: small, as the number of states grows with it.
func session(t *testing.T) *history {
	t.Helper()
	dir := t.TempDir()
	if err := open(t, dir).Close(); err != nil { // made and migrated before the first change that is looked at
		t.Fatal(err)
	}
	h := &history{base: image{}, truth: NewMemory()}
	for _, name := range []string{"state.db", "samples.db"} {
		h.base[name] = must[[]byte](t)(os.ReadFile(filepath.Join(dir, name)))
	}
	disk, err := iofault.Watch(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer disk.Close()
	disk.Record()
	d, ctx := open(t, dir), t.Context()
	now := mark{events: map[int64]int{}, samples: map[int64]int{}}
	note := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		n := mark{len(disk.Changes()), now.begun, now.ended, map[int64]int{}, map[int64]int{}}
		for id := range now.samples {
			n.events[id], n.samples[id] = now.events[id], now.samples[id]
		}
		h.marks = append(h.marks, n)
	}
	for range 3 {
		id := must[int64](t)(d.Begin(ctx, head()))
		must[int64](t)(h.truth.Begin(ctx, head()))
		now.begun, now.samples[id] = now.begun+1, 0
		note(nil)
		for k := range 6 {
			rows := samples(uint64(k*10), 10)
			err := errors.Join(d.Append(ctx, id, rows), h.truth.Append(ctx, id, rows))
			now.samples[id] += len(rows)
			note(err)
			if k%2 == 0 {
				err := errors.Join(d.Event(ctx, id, event(k)), h.truth.Event(ctx, id, event(k)))
				now.events[id]++
				note(err)
			}
		}
		e := station.RunEnd{State: station.Complete, Code: "complete", Reason: "Done.", EndedUTC: event(9).UTC, Elapsed: 6 * time.Second}
		err := errors.Join(d.End(ctx, id, e), h.truth.End(ctx, id, e))
		now.ended++
		note(err)
	}
	h.changes = disk.Changes() // as it was before the orderly end
	return h
}

// found is what came out of opening an image.
type found struct {
	refused                     bool
	told                        bool // the operator was told: a notice, a damaged chunk, or a chain that does not hold
	runs, ended                 int
	events, samples             map[int64]int
	differ                      []string // something that reads back other than it was given, without anybody being told
	damagedChunks, brokenChains int
}

// look writes an image, opens it and compares everything in it with what was given.
func (h *history) look(t *testing.T, dir string, m image) found {
	t.Helper()
	for _, e := range must[[]os.DirEntry](t)(os.ReadDir(dir)) {
		if err := os.Remove(filepath.Join(dir, e.Name())); err != nil {
			t.Fatal(err)
		}
	}
	for name, b := range m {
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	f := found{events: map[int64]int{}, samples: map[int64]int{}}
	ctx := t.Context()
	d, err := Open(ctx, dir)
	if err != nil {
		f.refused, f.told = true, true
		t.Logf("refused: %v", err)
		return f
	}
	defer d.Close()
	f.told = len(d.Notices()) > 0
	list, err := d.Runs(ctx, 100)
	f.told = f.told || err != nil || len(d.Notices()) > 0
	for _, l := range list {
		h.lookAtRun(ctx, d, l.Head.ID, &f)
	}
	return f
}

func (h *history) lookAtRun(ctx context.Context, d *DB, id int64, f *found) {
	told := false
	r, err := d.Run(ctx, id)
	told = told || err != nil || r.Bad > 0
	f.damagedChunks += r.Bad
	_, rows, err := d.Samples(ctx, id)
	told = told || err != nil
	events, err := d.Events(ctx, id)
	told = told || err != nil
	p, err := d.Verify(ctx, id)
	if told = told || err != nil || !p.OK(); err == nil && !p.OK() {
		f.brokenChains++
	}
	f.told = f.told || told
	f.runs++
	f.events[id], f.samples[id] = len(events), len(rows)
	say := func(format string, args ...any) {
		f.differ = append(f.differ, fmt.Sprintf("run %d: ", id)+fmt.Sprintf(format, args...))
	}
	// Samples have a check of their own, so a wrong one may never be shown, told or not.
	for _, s := range rows {
		if s != sample(s.Seq) {
			say("sample %d is not what was given", s.Seq)
			break
		}
	}
	want, err := h.truth.Run(ctx, id)
	if told {
		return
	}
	if err != nil {
		say("%v", err)
		return
	}
	if diff := cmp.Diff(want.Head, r.Head); diff != "" {
		say("head: %s", diff)
	}
	if r.End.Code != "power_lost" {
		f.ended++
		if diff := cmp.Diff(want.End, r.End); diff != "" {
			say("end: %s", diff)
		}
	}
	given, _ := h.truth.Events(ctx, id)
	if len(events) > len(given) || cmp.Diff(given[:len(events)], events, cmpopts.EquateEmpty()) != "" {
		say("events are not the first of those that were given")
	}
}

// keeps says what was promised and is not there. Nobody may be told of damage, as nothing was damaged.
func (f *found) keeps(p mark, samplesToo bool) string {
	switch {
	case f.told:
		return fmt.Sprintf("taken for damage: refused %v, %d chunks, %d chains", f.refused, f.damagedChunks, f.brokenChains)
	case len(f.differ) > 0:
		return strings.Join(f.differ, "; ")
	case f.runs < p.begun:
		return fmt.Sprintf("%d runs; %d were begun", f.runs, p.begun)
	case f.ended < p.ended:
		return fmt.Sprintf("%d runs ended; %d had", f.ended, p.ended)
	}
	for id := range p.samples {
		if f.events[id] < p.events[id] {
			return fmt.Sprintf("run %d: %d events; %d were kept", id, f.events[id], p.events[id])
		}
		if samplesToo && f.samples[id] < p.samples[id] {
			return fmt.Sprintf("run %d: %d samples; %d were kept", id, f.samples[id], p.samples[id])
		}
	}
	return ""
}

// cuts calls do with every place where the history can be cut: between changes, and in each write at each sector of 512
// bytes and one byte after it.
func (h *history) cuts(do func(changes int, part int, m image)) {
	m := h.base.clone()
	for n, c := range h.changes {
		do(n, 0, m)
		for at := 512; c.Op == iofault.Write && at < len(c.Data); at += 512 {
			for _, part := range []int{at, at + 1} {
				torn := m.clone()
				torn.apply(iofault.Change{Op: c.Op, File: c.File, Offset: c.Offset, Data: c.Data[:part]})
				do(n, part, torn)
			}
		}
		m.apply(c)
	}
	do(len(h.changes), 0, m)
}

// TestEveryCutInTheOrderOfWritingKeepsWhatWasPromised cuts the power after every change and inside of every write.
func TestEveryCutInTheOrderOfWritingKeepsWhatWasPromised(t *testing.T) {
	h, dir, states, i := session(t), t.TempDir(), 0, 0
	h.cuts(func(n, part int, m image) {
		if i++; !allStates && (part != 0 || thin > 1) && i%(7*thin) != 0 {
			return
		}
		states++
		f := h.look(t, dir, m)
		if wrong := f.keeps(h.promised(n), true); wrong != "" {
			t.Fatalf("cut after %d of %d changes and %d bytes: %s", n, len(h.changes), part, wrong)
		}
	})
	t.Logf("%d changes, %d states opened, in all of them what was promised is there", len(h.changes), states)
}

// TestACutThatLosesUnsyncedWritesKeepsWhatWasPromised also lets the disk lose or tear any of the writes that were not synced
// yet, in any combination, as a real one may. Heads, events and ends are promised; of samples the newest may be lost.
func TestACutThatLosesUnsyncedWritesKeepsWhatWasPromised(t *testing.T) {
	h, dir, rng := session(t), t.TempDir(), rand.New(rand.NewPCG(1, 2))
	trials := 400 / thin
	if allStates {
		trials = 20_000
	}
	told, lostSamples := 0, 0
	for trial := range trials {
		n := rng.IntN(len(h.changes) + 1)
		m := h.base.clone()
		for i, c := range h.changes[:n] {
			synced := slices.ContainsFunc(h.changes[i:n], func(later iofault.Change) bool { return later.Op == iofault.Sync && later.File == c.File })
			if synced || c.Op != iofault.Write {
				m.apply(c)
				continue
			}
			for at := 0; at < len(c.Data); at += 512 { // each sector on its own
				if end := min(at+512, len(c.Data)); rng.IntN(4) > 0 {
					m.apply(iofault.Change{Op: c.Op, File: c.File, Offset: c.Offset + int64(at), Data: c.Data[at:end]})
				}
			}
		}
		f, p := h.look(t, dir, m), h.promised(n)
		// The log of the samples is not synced at each commit. Its rest behind a lost page may look like damage and be told so.
		if f.told && !f.refused && f.damagedChunks == 0 {
			told++
			f.told = f.brokenChains > 0
		}
		if wrong := f.keeps(p, false); wrong != "" {
			t.Fatalf("trial %d, cut after %d of %d changes: %s", trial, n, len(h.changes), wrong)
		}
		for id, k := range p.samples {
			lostSamples = max(lostSamples, k-f.samples[id])
		}
	}
	t.Logf("%d states opened, %d of them with a notice about the log of the samples; at most %d samples of a run lost", trials, told, lostSamples)
}

func mustRead(t *testing.T, dir, name string) []byte {
	t.Helper()
	return must[[]byte](t)(os.ReadFile(filepath.Join(dir, name)))
}
