package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"testing"
	"time"

	"trivet/process/unit"
	"trivet/station"
)

func event(n int) station.RunEvent {
	return station.RunEvent{At: time.Duration(n) * time.Second, UTC: time.Date(2026, 5, 4, 10, 20, n, 0, time.UTC), Code: fmt.Sprintf("code:%d", n),
		Text: fmt.Sprintf("What happened at %d.", n), By: "Kim"}
}

// chained makes a directory with three runs: one before, the one to be edited (4 chunks, 3 events, the end, 2 events
// after it) and one after, so that rows of other runs can be mistaken for its own.
func chained(t *testing.T) (dir string, id int64) {
	t.Helper()
	dir = t.TempDir()
	d, ctx := open(t, dir), t.Context()
	for k := range 3 {
		run := must[int64](t)(d.Begin(ctx, head()))
		var err error
		for i := range 4 {
			err = errors.Join(err, d.Append(ctx, run, samples(uint64(i*10), 10)))
			if i < 3 {
				err = errors.Join(err, d.Event(ctx, run, event(i)), d.Event(ctx, 0, event(i)))
			}
		}
		err = errors.Join(err, d.End(ctx, run, station.RunEnd{State: station.Complete, Code: "complete", Reason: "Done.", EndedUTC: event(9).UTC, Elapsed: 9 * time.Second, Verdict: verdict(t)}),
			d.Event(ctx, run, event(10)), d.Event(ctx, run, event(11)))
		if err != nil {
			t.Fatal(err)
		}
		if k == 1 {
			id = run
		}
	}
	if err := d.Close(); err != nil {
		t.Fatal(err)
	}
	return dir, id
}

// edited copies a directory and does something to it with plain SQL, as somebody with a tool would.
func edited(t *testing.T, dir, file string, statements ...string) *DB {
	t.Helper()
	to := t.TempDir()
	if err := os.CopyFS(to, os.DirFS(dir)); err != nil {
		t.Fatal(err)
	}
	d := open(t, to)
	f := d.state
	if file == "samples" {
		f = d.samples
	}
	for _, s := range statements {
		if _, err := f.write.Exec(s); err != nil {
			t.Fatalf("%s: %v", s, err)
		}
	}
	return d
}

func TestARecordNobodyTouchedVerifies(t *testing.T) {
	dir, id := chained(t)
	for range 2 {
		d := open(t, dir)
		p := must[Proof](t)(d.Verify(t.Context(), id))
		if !p.OK() || p.Open || p.Chunks != 4 || p.Events != 5 || len(p.Seal) != 64 {
			t.Errorf("proof %+v; want 4 chunks and 5 events without a fault", p)
		}
		d.Close()
	}
	var none station.ErrNoRun
	if _, err := open(t, dir).Verify(t.Context(), 77); !errors.As(err, &none) {
		t.Errorf("run 77: %v; want ErrNoRun", err)
	}
}

func TestARunVerifiesWhileItGoesOn(t *testing.T) {
	ctx, d := t.Context(), open(t, t.TempDir())
	id := must[int64](t)(d.Begin(ctx, head()))
	for i := range 5 {
		if err := errors.Join(d.Append(ctx, id, samples(uint64(i*10), 10)), d.Event(ctx, id, event(i))); err != nil {
			t.Fatal(err)
		}
		if p := must[Proof](t)(d.Verify(ctx, id)); !p.OK() || !p.Open || p.Chunks != i+1 || p.Events != i+1 {
			t.Errorf("after %d: %+v", i+1, p)
		}
	}
	if _, err := d.samples.write.Exec("DELETE FROM chunks WHERE first_seq=40"); err != nil {
		t.Fatal(err)
	}
	if p := must[Proof](t)(d.Verify(ctx, id)); p.OK() {
		t.Error("the newest chunk of an open run was taken out, and nothing was said")
	}
}

func TestARunThatWasCutOffVerifiesAsItWasFound(t *testing.T) {
	dir, ctx := t.TempDir(), t.Context()
	d := open(t, dir)
	id := must[int64](t)(d.Begin(ctx, head()))
	if err := errors.Join(d.Append(ctx, id, samples(0, 600)), d.Event(ctx, id, event(0)), d.Close()); err != nil {
		t.Fatal(err)
	}
	d = open(t, dir)
	if p := must[Proof](t)(d.Verify(ctx, id)); !p.OK() || p.Open || p.Chunks != 2 || p.Events != 1 {
		t.Errorf("proof %+v; want 2 chunks and an event", p)
	}
	// From now on its end is known, so that nothing can be cut off any more.
	if _, err := d.samples.write.Exec("DELETE FROM chunks WHERE first_seq>0"); err != nil {
		t.Fatal(err)
	}
	if p := must[Proof](t)(d.Verify(ctx, id)); p.OK() {
		t.Error("the last chunk was taken out, and nothing was said")
	}
}

// columns lists the columns of a table, so that a column added later is tested without anybody thinking of it.
func columns(t *testing.T, d *DB, f *file, table string) (names []string, types map[string]string) {
	t.Helper()
	rows, err := f.read.QueryContext(t.Context(), "SELECT name, type FROM pragma_table_info(?)", table)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	types = map[string]string{}
	for rows.Next() {
		var n, k string
		if err := rows.Scan(&n, &k); err != nil {
			t.Fatal(err)
		}
		names, types[n] = append(names, n), k
	}
	return names, types
}

func TestAnEditOfAnyColumnOfAnyRowIsFound(t *testing.T) {
	dir, id := chained(t)
	d := open(t, dir)
	rowIDs := func(f *file, query string) (out []int64) {
		rows, err := f.read.QueryContext(t.Context(), query, id)
		if err != nil {
			t.Fatal(err)
		}
		defer rows.Close()
		for rows.Next() {
			var n int64
			if err := rows.Scan(&n); err != nil {
				t.Fatal(err)
			}
			out = append(out, n)
		}
		return out
	}
	tables := []struct {
		file, table string
		f           *file
		ids         []int64
	}{
		{"state", "runs", d.state, []int64{id}},
		{"state", "events", d.state, rowIDs(d.state, "SELECT id FROM events WHERE run=?")},
		{"samples", "chunks", d.samples, rowIDs(d.samples, "SELECT id FROM chunks WHERE run=?")},
	}
	edits := 0
	for _, tab := range tables {
		names, types := columns(t, d, tab.f, tab.table)
		for _, row := range tab.ids {
			for _, name := range names {
				change := map[string]string{"INTEGER": "coalesce(%[1]s, 0)+1000", "TEXT": "coalesce(%[1]s, '')||' '", "BLOB": "CAST(coalesce(%[1]s, x'')||'x' AS BLOB)"}[types[name]]
				statement := fmt.Sprintf("UPDATE %s SET %s=%s WHERE id=%d", tab.table, name, fmt.Sprintf(change, name), row)
				e := edited(t, dir, tab.file, statement)
				edits++
				if p, err := e.Verify(t.Context(), id); err == nil && p.OK() {
					t.Errorf("%s: not found", statement)
				}
				if err := e.Close(); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
	t.Logf("%d edits, all found", edits)
}

func TestRowsTakenOutPutInOrMovedAreFound(t *testing.T) {
	dir, id := chained(t)
	for what, c := range map[string]struct {
		file  string
		edits []string
	}{
		"a chunk in between":      {"samples", []string{"DELETE FROM chunks WHERE run=%d AND first_seq=10"}},
		"the first chunk":         {"samples", []string{"DELETE FROM chunks WHERE run=%d AND first_seq=0"}},
		"the last chunk":          {"samples", []string{"DELETE FROM chunks WHERE run=%d AND first_seq=30"}},
		"all chunks":              {"samples", []string{"DELETE FROM chunks WHERE run=%d"}},
		"a chunk twice":           {"samples", []string{"INSERT INTO chunks SELECT 900, run, 40, samples, columns, last_ns, crc, data, chain FROM chunks WHERE run=%d AND first_seq=30"}},
		"two chunks swapped":      {"samples", []string{"UPDATE chunks SET first_seq=1030-first_seq WHERE run=%[1]d AND first_seq IN (10, 20)", "UPDATE chunks SET first_seq=first_seq-1000 WHERE run=%[1]d AND first_seq>1000"}},
		"a chunk of another run":  {"samples", []string{"DELETE FROM chunks WHERE run=%[1]d AND first_seq=30", "UPDATE chunks SET run=%[1]d WHERE run=%[1]d+1 AND first_seq=30"}},
		"an event in between":     {"state", []string{"DELETE FROM events WHERE run=%d AND at_ns=1000000000"}},
		"the first event":         {"state", []string{"DELETE FROM events WHERE run=%d AND at_ns=0"}},
		"the last before the end": {"state", []string{"DELETE FROM events WHERE run=%d AND at_ns=2000000000"}},
		"the last of all":         {"state", []string{"DELETE FROM events WHERE run=%d AND at_ns=11000000000"}},
		"those after the end":     {"state", []string{"DELETE FROM events WHERE run=%d AND at_ns>9000000000"}},
		"all events":              {"state", []string{"DELETE FROM events WHERE run=%d"}},
		"an event of no link":     {"state", []string{"INSERT INTO events (run, at_ns, utc, code, text, by_who) VALUES (%d, 5, '2026-05-04T10:20:31Z', 'x', 'y', 'z')"}},
		"an event twice":          {"state", []string{"INSERT INTO events SELECT 900, run, at_ns, utc, code, text, by_who, chain FROM events WHERE run=%d AND at_ns=11000000000"}},
		"two events swapped":      {"state", []string{"UPDATE events SET id=id+1000 WHERE run=%[1]d AND at_ns=0", "UPDATE events SET id=id-2 WHERE run=%[1]d AND at_ns=1000000000", "UPDATE events SET id=id-998 WHERE run=%[1]d AND at_ns=0"}},
		"the end":                 {"state", []string{"UPDATE runs SET end_state=NULL, end_code=NULL, chain_end=NULL WHERE id=%d"}},
		"the chain of the head":   {"state", []string{"UPDATE runs SET board='another', chain_head=NULL, chain_tip=NULL, chain_end=NULL WHERE id=%d"}},
		"the head for another":    {"state", []string{"UPDATE runs SET (board, chain_head)=(SELECT 'another', chain_head FROM runs WHERE id=%[1]d+1) WHERE id=%[1]d"}},
	} {
		t.Run(what, func(t *testing.T) {
			var edits []string
			for _, e := range c.edits {
				edits = append(edits, fmt.Sprintf(e, id))
			}
			d := edited(t, dir, c.file, edits...)
			p := must[Proof](t)(d.Verify(t.Context(), id))
			if p.OK() || !p.Chained {
				t.Errorf("nothing was found: %+v", p)
			}
			for _, other := range []int64{id - 1, id + 1} {
				if what == "a chunk of another run" && other == id+1 {
					continue
				}
				if p := must[Proof](t)(d.Verify(t.Context(), other)); !p.OK() {
					t.Errorf("run %d, which nobody touched: %q", other, p.Faults)
				}
			}
		})
	}
}

func TestARunOfBeforeTheChainIsReportedAsNotChained(t *testing.T) {
	d, ctx := open(t, schemaOne(t)), t.Context()
	if err := d.Event(ctx, 1, event(1)); err != nil { // late, for a run that has no chain to go on with
		t.Fatal(err)
	}
	for _, id := range []int64{1, 2} { // 2 was left open and closed as lost when the file was opened
		if p := must[Proof](t)(d.Verify(ctx, id)); p.Chained || p.OK() || len(p.Faults) != 0 {
			t.Errorf("run %d: %+v; want not chained, and no fault", id, p)
		}
	}
	id := must[int64](t)(d.Begin(ctx, head()))
	if err := errors.Join(d.Append(ctx, id, samples(0, 10)), d.End(ctx, id, station.RunEnd{State: station.Stopped})); err != nil {
		t.Fatal(err)
	}
	if p := must[Proof](t)(d.Verify(ctx, id)); !p.OK() || p.Chunks != 1 {
		t.Errorf("a new run in the old file: %+v", p)
	}
}

func TestTheLinkOfOtherRowsIsNeverTheSame(t *testing.T) {
	seen := map[string]string{}
	for _, row := range [][]any{
		{}, {nil}, {nil, nil}, {int64(0)}, {int64(1)}, {""}, {[]byte{}}, {"a", "b"}, {"ab", ""}, {"", "ab"}, {"ab"}, {[]byte("ab")}, {"a", nil, "b"}, {int64('n')}, {"n"},
	} {
		for _, before := range [][]byte{nil, []byte("x")} {
			sum, err := link("kind", before, row...)
			if err != nil {
				t.Fatal(err)
			}
			what := fmt.Sprintf("%#v after %q", row, before)
			if other, twice := seen[string(sum)]; twice {
				t.Errorf("%s and %s have the same link", what, other)
			}
			seen[string(sum)] = what
		}
	}
	if _, err := link("kind", nil, 1.5); !errors.Is(err, errDamaged) {
		t.Errorf("a type that the tables do not hold: %v; want errDamaged", err)
	}
}

func BenchmarkVerifyARunOfSevenMinutes(b *testing.B) {
	d, ctx := open(b, b.TempDir()), context.Background()
	h := head()
	for len(h.Channels) < 27 {
		h.Channels = append(h.Channels, station.Channel{Name: "x", Unit: "1", Kind: "duty"})
	}
	id := must[int64](b)(d.Begin(ctx, h))
	for i := range uint64(420) {
		rows := samples(i*10, 10)
		for k := range rows {
			rows[k].N = 27
			for c := range 27 {
				rows[k].Quality[c] = unit.Good
			}
		}
		if err := d.Append(ctx, id, rows); err != nil {
			b.Fatal(err)
		}
	}
	for b.Loop() {
		if p, err := d.Verify(ctx, id); err != nil || !p.OK() {
			b.Fatal(p, err)
		}
	}
}

var _ querier = (*sql.Tx)(nil)
