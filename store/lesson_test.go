package store

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"trivet/station"
)

type school interface {
	Lessons(ctx context.Context, pairing string) ([]station.Lesson, error)
	SetLessons(ctx context.Context, pairing string, l []station.Lesson) error
	Pairings(ctx context.Context) ([]string, error)
}

var _, _ school = (*DB)(nil), (*Memory)(nil)

const pairing = "panel 7|U12|bench"

func lesson(run int64) station.Lesson {
	return station.Lesson{Pairing: pairing, Run: run, UTC: time.Date(2026, 5, 4, 10, 20, 30, int(run), time.UTC),
		Data: []byte(fmt.Sprintf("%d\x00what was learned", run))}
}

func lessons(from, n int64) []station.Lesson {
	var out []station.Lesson
	for i := range n {
		out = append(out, lesson(from+i))
	}
	return out
}

func TestLessonsReadBackEqualAndInOrder(t *testing.T) {
	for name, s := range map[string]school{"disk": open(t, t.TempDir()), "memory": NewMemory()} {
		t.Run(name, func(t *testing.T) {
			ctx := t.Context()
			if got, err := s.Lessons(ctx, pairing); err != nil || len(got) != 0 {
				t.Errorf("an unknown pairing: %d lessons, %v; want none", len(got), err)
			}
			other := station.Lesson{UTC: time.Unix(0, 0).UTC(), Data: []byte{}} // names no pairing: filled in
			if err := errors.Join(s.SetLessons(ctx, pairing, lessons(1, 5)), s.SetLessons(ctx, pairing, lessons(4, 16)),
				s.SetLessons(ctx, "another", []station.Lesson{other}), s.SetLessons(ctx, "gone", lessons(1, 0)[:0]),
				s.SetLessons(ctx, "dropped", []station.Lesson{other}), s.SetLessons(ctx, "dropped", nil)); err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(lessons(4, 16), must[[]station.Lesson](t)(s.Lessons(ctx, pairing))); diff != "" {
				t.Errorf("lessons differ (-want +got):\n%s", diff)
			}
			other.Pairing = "another"
			if diff := cmp.Diff([]station.Lesson{other}, must[[]station.Lesson](t)(s.Lessons(ctx, "another"))); diff != "" {
				t.Errorf("the other pairing differs (-want +got):\n%s", diff)
			}
			if diff := cmp.Diff([]string{"another", pairing}, must[[]string](t)(s.Pairings(ctx))); diff != "" {
				t.Errorf("pairings differ (-want +got):\n%s", diff)
			}
		})
	}
}

func TestLessonsThatDoNotFitAreRefusedAndChangeNothing(t *testing.T) {
	for name, s := range map[string]school{"disk": open(t, t.TempDir()), "memory": NewMemory()} {
		t.Run(name, func(t *testing.T) {
			ctx := t.Context()
			if err := s.SetLessons(ctx, pairing, lessons(1, 2)); err != nil {
				t.Fatal(err)
			}
			big, late, full := lesson(9), lesson(9), lesson(9)
			big.Data, late.UTC, full.Data = make([]byte, maxLessonBytes+1), late.UTC.AddDate(9000, 0, 0), make([]byte, maxLessonBytes)
			for what, err := range map[string]error{
				"too many":                   s.SetLessons(ctx, pairing, lessons(1, maxLessons+1)),
				"too large":                  s.SetLessons(ctx, pairing, []station.Lesson{lesson(1), big}),
				"learned in year 11026":      s.SetLessons(ctx, pairing, []station.Lesson{late}),
				"of another pairing":         s.SetLessons(ctx, "another", lessons(1, 1)),
				"of no pairing":              s.SetLessons(ctx, "", nil),
				"of a pairing of 1025 bytes": s.SetLessons(ctx, strings.Repeat("x", maxPairing+1), nil),
			} {
				if err == nil {
					t.Errorf("lessons %s: accepted", what)
				}
			}
			if diff := cmp.Diff(lessons(1, 2), must[[]station.Lesson](t)(s.Lessons(ctx, pairing))); diff != "" {
				t.Errorf("after refusals (-want +got):\n%s", diff)
			}
			if err := s.SetLessons(ctx, pairing, []station.Lesson{full}); err != nil {
				t.Errorf("a lesson of the largest size: %v", err)
			}
		})
	}
}

func TestLessonsSurviveReopening(t *testing.T) {
	dir, ctx := t.TempDir(), t.Context()
	d := open(t, dir)
	if err := errors.Join(d.SetLessons(ctx, pairing, lessons(1, 3)), d.Close()); err != nil {
		t.Fatal(err)
	}
	d = open(t, dir)
	if diff := cmp.Diff(lessons(1, 3), must[[]station.Lesson](t)(d.Lessons(ctx, pairing))); diff != "" {
		t.Errorf("lessons differ (-want +got):\n%s", diff)
	}
	if n := d.Notices(); len(n) != 0 {
		t.Errorf("notices %q; want none", n)
	}
}

func TestADamagedLessonIsLeftOutAndCountedOnce(t *testing.T) {
	for column, change := range map[string]string{
		"run": "run=run+1", "utc": "utc='2026-05-04T10:20:31Z'", "utc to no time": "utc='noon'", "data": "data=x'00'", "crc": "crc=crc+1", "pairing": "pairing='" + pairing + " '",
	} {
		t.Run(column, func(t *testing.T) {
			ctx, d := t.Context(), open(t, t.TempDir())
			if err := d.SetLessons(ctx, pairing, lessons(1, 3)); err != nil {
				t.Fatal(err)
			}
			if _, err := d.state.write.Exec("UPDATE lessons SET " + change + " WHERE run=2"); err != nil {
				t.Fatal(err)
			}
			under := pairing
			want := []station.Lesson{lesson(1), lesson(3)}
			if column == "pairing" { // then it is found where it does not belong
				under, want = pairing+" ", nil
			}
			for range 2 {
				if diff := cmp.Diff(want, must[[]station.Lesson](t)(d.Lessons(ctx, under))); diff != "" {
					t.Errorf("the sound lessons must read back as they were:\n%s", diff)
				}
			}
			if n := d.Notices(); len(n) != 1 || !strings.HasPrefix(n[0], "1 of the lessons") {
				t.Errorf("notices %q; want one that counts 1", n)
			}
			if err := d.SetLessons(ctx, under, nil); err != nil || len(d.Notices()) != 0 {
				t.Errorf("after they were replaced: %v, notices %q; want none", err, d.Notices())
			}
		})
	}
}

func TestTheLessonsInMemoryAreBoundedAndTheirOwn(t *testing.T) {
	ctx, m := t.Context(), NewMemory()
	given := []station.Lesson{{Run: 1, UTC: time.Unix(0, 0).UTC(), Data: []byte("as given")}}
	for i := range memoryPairings + 10 {
		if err := m.SetLessons(ctx, fmt.Sprintf("p%03d", i), given); err != nil {
			t.Fatal(err)
		}
	}
	given[0].Data[0] = 'X'
	if p := must[[]string](t)(m.Pairings(ctx)); len(p) != memoryPairings || p[0] != "p010" {
		t.Errorf("%d pairings from %s; want the newest %d, from p010", len(p), p[0], memoryPairings)
	}
	got := must[[]station.Lesson](t)(m.Lessons(ctx, "p020"))
	if string(got[0].Data) != "as given" {
		t.Errorf("the record says %q: it changed with the caller's slice", got[0].Data)
	}
}

// schemaOne copies data that was written by the first version of this package, at schema 1: a run of 100 samples and
// an event that is complete, one of 30 samples and an event that was left open, and an event of the station.
func schemaOne(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	if err := os.CopyFS(dir, os.DirFS(filepath.Join("testdata", "schema1"))); err != nil {
		t.Fatal(err)
	}
	return dir
}

func TestADatabaseOfTheFirstSchemaIsBroughtUpAndLosesNothing(t *testing.T) {
	dir, ctx := schemaOne(t), t.Context()
	for range 2 { // the second time there is nothing to migrate
		d := open(t, dir)
		if len(d.Notices()) != 0 {
			t.Fatalf("notices %q; want none", d.Notices())
		}
		runs := must[[]station.RunRecord](t)(d.Runs(ctx, 10))
		if len(runs) != 2 || runs[1].End.State != station.Complete || runs[0].End.Code != "power_lost" {
			t.Fatalf("runs %+v; want one lost and one complete", runs)
		}
		for id, want := range map[int64][]station.Sample{1: samples(0, 100), 2: samples(0, 30)} {
			_, got, err := d.Samples(ctx, id)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(want, got); diff != "" {
				t.Errorf("samples of run %d differ:\n%s", id, diff)
			}
			if e := must[[]station.RunEvent](t)(d.Events(ctx, id)); len(e) != 1 {
				t.Errorf("%d events of run %d; want 1", len(e), id)
			}
		}
		if err := d.SetLessons(ctx, pairing, lessons(1, 2)); err != nil {
			t.Error(err)
		}
		if n := len(must[[]station.Lesson](t)(d.Lessons(ctx, pairing))); n != 2 {
			t.Errorf("%d lessons; want 2", n)
		}
		if err := d.Close(); err != nil {
			t.Fatal(err)
		}
	}
}
