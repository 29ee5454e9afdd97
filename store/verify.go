package store

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"

	"trivet/station"
)

// Proof is what Verify has found out about the record of one run.
type Proof struct {
	Chained bool   // false: the run was begun by a version that kept no chain, so nothing can be said about it
	Open    bool   // there is no end yet: only the process that records the run knows what its newest chunk is
	Chunks  int    // links that hold
	Events  int    // links that hold
	Seal    string // the newest link, in hexadecimal: who keeps it elsewhere can tell later that nothing was changed
	// Faults says what is not as it was written, one sentence each, at most maxFaults; empty when everything is.
	Faults []string
}

// OK reports whether the whole record is as it was written.
func (p *Proof) OK() bool { return p.Chained && len(p.Faults) == 0 }

// maxFaults bounds the list of faults. A run whose first row was changed has one fault, not one per row after it: each
// link is compared as it was kept, and the next one is computed from the kept one.
const maxFaults = 20

func (p *Proof) fault(format string, args ...any) {
	if len(p.Faults) < maxFaults {
		p.Faults = append(p.Faults, fmt.Sprintf(format, args...))
	}
}

// Verify recomputes the chain of a run and says whether head, samples, events and end are as they were written. It
// finds every edit, removal, reorder and addition that neither recomputed the chain nor wiped every link of it (there is no
// key, see chain.go). A run that is not chained is as it may be: nothing is claimed of it.
//
// It reads the whole run; ErrNoRun when there is none. An error means that the disk could not be read, not that the
// record is bad.
func (d *DB) Verify(ctx context.Context, id int64) (Proof, error) {
	p, s, err := d.verifyState(ctx, id)
	if err == nil && p.Chained {
		err = d.verifyChunks(ctx, id, &p, s)
	}
	if err != nil {
		var none station.ErrNoRun
		if errors.As(err, &none) {
			return Proof{}, none
		}
		return Proof{}, fmt.Errorf("verify run %d: %w", id, err)
	}
	return p, nil
}

// sealed is what the row of a run says about its chain.
type sealed struct {
	head, tip, end, last []byte
	events, chunks       sql.NullInt64
}

// verifyState walks head, events and end, in one read transaction so that a run that is going on can be looked at.
func (d *DB) verifyState(ctx context.Context, id int64) (p Proof, s sealed, err error) {
	tx, err := d.state.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return p, s, err
	}
	defer tx.Rollback() // there is nothing to commit
	var ended sql.NullString
	err = tx.QueryRowContext(ctx, "SELECT chain_head, chain_tip, chain_end, chain_last, chain_events, chain_chunks, end_state FROM runs WHERE id=?", id).
		Scan(&s.head, &s.tip, &s.end, &s.last, &s.events, &s.chunks, &ended)
	if errors.Is(err, sql.ErrNoRows) {
		return p, s, station.ErrNoRun{ID: id}
	} else if err != nil {
		return p, s, err
	}
	p.Chained = s.head != nil || s.tip != nil || s.end != nil
	p.Open, p.Seal = s.end == nil && !ended.Valid, hex.EncodeToString(s.tip)
	if !p.Chained {
		// Somebody who wipes the columns must not turn a changed run into an old one: its events and chunks tell.
		if n, err := d.countLinks(ctx, tx, id); err != nil || n == 0 {
			return p, s, err
		}
		p.Chained = true
		p.fault("The chain was taken out of the head of run %d.", id)
	}
	sum, err := linkRow(ctx, tx, linkHead, nil, "SELECT "+headColumns+" FROM runs WHERE id=?", id)
	if err != nil && !errors.Is(err, errDamaged) {
		return p, s, err
	}
	if !bytes.Equal(sum, s.head) {
		p.fault("The head of run %d was changed.", id)
	}
	return p, s, verifyEvents(ctx, tx, id, &p, s)
}

// verifyEvents walks the events of a run, with its end at the place where it belongs, up to the newest link.
func verifyEvents(ctx context.Context, tx *sql.Tx, id int64, p *Proof, s sealed) error {
	rows, err := tx.QueryContext(ctx, "SELECT chain, "+eventColumns+" FROM events WHERE run=? ORDER BY id", id)
	if err != nil {
		return err
	}
	defer rows.Close()
	at, n := s.head, int64(0)
	before := at // what the end must follow: the newest link of the events before it
	end := func() {
		if s.end != nil && n == s.events.Int64 {
			at = s.end
		}
	}
	for end(); rows.Next(); end() {
		v, err := scanAny(rows)
		if err != nil {
			return err
		}
		kept, _ := v[0].([]byte)
		sum, err := link(linkEvent, at, v[1:]...)
		if err != nil && !errors.Is(err, errDamaged) {
			return err
		}
		if n++; bytes.Equal(sum, kept) {
			p.Events++
		} else {
			p.fault("Event %d of run %d is not the one that was kept there: it was changed, or one was taken out, put in or moved before it.", n, id)
		}
		at = kept
		if n <= s.events.Int64 {
			before = kept
		}
	}
	if err := rows.Err(); err != nil {
		return err
	}
	if err := rows.Close(); err != nil {
		return err
	}
	if err := verifyEnd(ctx, tx, id, p, s, before); err != nil {
		return err
	}
	if s.end != nil && n < s.events.Int64 {
		p.fault("Run %d had %d events when it ended; %d are there.", id, s.events.Int64, n)
	} else if !bytes.Equal(at, s.tip) {
		p.fault("The newest events of run %d are missing, or others were put in.", id)
	}
	return nil
}

// verifyEnd checks the end against the newest event before it.
func verifyEnd(ctx context.Context, tx *sql.Tx, id int64, p *Proof, s sealed, before []byte) error {
	if p.Open {
		return nil
	}
	sum, err := linkRow(ctx, tx, linkEnd, before, "SELECT "+endColumns+" FROM runs WHERE id=?", id)
	if err != nil && !errors.Is(err, errDamaged) {
		return err
	}
	if !bytes.Equal(sum, s.end) {
		p.fault("The end of run %d was changed, or put in, or does not follow its events.", id)
	}
	return nil
}

// countLinks counts the events and chunks of a run that carry a link.
func (d *DB) countLinks(ctx context.Context, tx *sql.Tx, id int64) (int, error) {
	var events, chunks int
	if err := tx.QueryRowContext(ctx, "SELECT count(chain) FROM events WHERE run=?", id).Scan(&events); err != nil {
		return 0, err
	}
	err := d.samples.read.QueryRowContext(ctx, "SELECT count(chain) FROM chunks WHERE run=?", id).Scan(&chunks)
	if broken(err) {
		err = nil
	}
	return events + chunks, err
}

// strandNow is how far the chunks of a run of this process have come, zero for others: of a run that is going on, only
// this process knows what its newest chunk is.
func (d *DB) strandNow(id int64) strand {
	d.mu.Lock()
	run := d.open[id]
	d.mu.Unlock()
	if run == nil {
		return strand{}
	}
	run.mu.Lock()
	defer run.mu.Unlock()
	return run.strand
}

// verifyChunks walks the chunks of a run, one query each, so that one that cannot be read costs only itself.
func (d *DB) verifyChunks(ctx context.Context, id int64, p *Proof, s sealed) error {
	live := d.strandNow(id) // before the list is read: chunks may be added in between, not taken away
	ids, _, err := d.chunkIDs(ctx, id)
	if broken(err) {
		p.fault("The list of the samples of run %d is damaged.", id)
	} else if err != nil {
		return err
	}
	at := s.head
	for i, row := range ids {
		v, kept, err := d.chunkValues(ctx, row)
		if err != nil {
			return err
		}
		sum, err := link(linkChunk, at, v...)
		if err != nil && !errors.Is(err, errDamaged) {
			return err
		}
		if v != nil && bytes.Equal(sum, kept) {
			p.Chunks++
		} else {
			p.fault("Chunk %d of the samples of run %d is not the one that was kept there: it was changed, or one was taken out, put in or moved before it.", i+1, id)
		}
		at = kept
	}
	switch n := int64(len(ids)); {
	case p.Open:
		if n < live.chunks {
			p.fault("Of run %d %d chunks of samples were kept so far; %d are there.", id, live.chunks, n)
		}
	case n != s.chunks.Int64:
		p.fault("Run %d had %d chunks of samples when it ended; %d are there.", id, s.chunks.Int64, n)
	case !bytes.Equal(at, s.last):
		p.fault("The last samples of run %d are not those that were there when it ended.", id)
	}
	return nil
}

// chunkValues reads one chunk and its link; nil for one that cannot be read because it is damaged.
func (d *DB) chunkValues(ctx context.Context, row int64) (values []any, kept []byte, err error) {
	rows, err := d.samples.read.QueryContext(ctx, "SELECT chain, "+chunkColumns+" FROM chunks WHERE id=?", row)
	if err == nil {
		defer rows.Close()
		if rows.Next() {
			if values, err = scanAny(rows); err == nil {
				kept, _ = values[0].([]byte)
				return values[1:], kept, nil
			}
		}
		err = errors.Join(err, rows.Err())
	}
	if err == nil || broken(err) {
		return nil, nil, nil
	}
	return nil, nil, err
}
