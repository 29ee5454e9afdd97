package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"
	"hash"

	"trivet/station"
)

// The chain of a run. Each link is SHA-256 (FIPS 180-4) over a word for its kind, the link before it and every column of
// its row, so that a row cannot be changed, taken out, put in or moved without breaking it:
//
//	head ── event ── event ── … ── end ── late event ── …     state.db; the newest link is also kept in the run's row
//	  └──── chunk ── chunk ── …     ──┘                        samples.db; the end covers the last link and how many there are
//
// There are two strands because the two files do not reach the disk together: after a power cut the newest chunks may be
// missing while a later event is there, and that must not look like tampering. The end ties the strands together.
//
// There is no key. The chain finds damage, mistakes and edits made by hand; somebody who recomputes all of it is found only
// by comparing the seal with a copy kept elsewhere.

// The kinds of link. They are part of the format.
const (
	linkHead  = "trivet run head 1"
	linkChunk = "trivet run chunk 1"
	linkEvent = "trivet run event 1"
	linkEnd   = "trivet run end 1"
)

// Columns that links cover, in this order. They are part of the format: a column added later needs a kind of link of its own.
const (
	headColumns = `id, boot_id, begun_utc, clock_synced, kind, profile, profile_toml, board, part, serial, begun_by, station, simulated, software,
	channels, period_ns`
	endColumns   = `end_state, end_code, end_reason, ended_by, ended_utc, elapsed_ns, verdict, chain_events, chain_chunks, chain_last`
	eventColumns = `id, run, at_ns, utc, code, text, by_who`
	chunkColumns = `id, run, first_seq, samples, columns, last_ns, crc, data`
)

// link is one step of the chain: over the kind, the link before (nil for a head) and the values as they lie in the file.
// Each value has a letter for its type and, where it varies, its length in front, so that no two different rows are the
// same bytes.
func link(kind string, before []byte, values ...any) ([]byte, error) {
	h := sha256.New()
	putBytes(h, 't', []byte(kind))
	putBytes(h, 'b', before)
	for i, v := range values {
		switch v := v.(type) {
		case nil:
			h.Write([]byte{'n'})
		case int64:
			h.Write(binary.BigEndian.AppendUint64([]byte{'i'}, uint64(v)))
		case string:
			putBytes(h, 't', []byte(v))
		case []byte:
			putBytes(h, 'b', v)
		default: // a STRICT table of these columns holds nothing else, unless it was damaged
			return nil, fmt.Errorf("value %d of a %s is a %T: %w", i, kind, v, errDamaged)
		}
	}
	return h.Sum(nil), nil
}

func putBytes(h hash.Hash, letter byte, b []byte) {
	h.Write(binary.BigEndian.AppendUint64([]byte{letter}, uint64(len(b))))
	h.Write(b)
}

// querier is a connection, a pool or a transaction.
type querier interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
}

// linkRow is link over the one row that a query gives. Writers read back what they have just written and link that, so
// that whatever SQLite makes of a value, writer and verifier see the same. It returns sql.ErrNoRows when there is none.
func linkRow(ctx context.Context, q querier, kind string, before []byte, query string, args ...any) ([]byte, error) {
	rows, err := q.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	if !rows.Next() {
		return nil, errors.Join(rows.Err(), sql.ErrNoRows)
	}
	values, err := scanAny(rows)
	if err != nil {
		return nil, err
	}
	sum, err := link(kind, before, values...)
	return sum, errors.Join(err, rows.Close())
}

// scanAny takes a row as it is.
func scanAny(rows *sql.Rows) ([]any, error) {
	names, err := rows.Columns()
	if err != nil {
		return nil, err
	}
	values, into := make([]any, len(names)), make([]any, len(names))
	for i := range values {
		into[i] = &values[i]
	}
	return values, rows.Scan(into...)
}

// linkChunkRow is the link of a chunk that is about to be written under the number id.
func linkChunkRow(before []byte, id int64, c *chunk) []byte {
	// Of these types link knows all, so it cannot fail.
	sum, _ := link(linkChunk, before, id, c.run, int64(c.first), int64(c.samples), int64(c.columns), int64(c.last), int64(c.crc), c.data)
	return sum
}

// chainHead links the head of a run that was just inserted.
func chainHead(ctx context.Context, tx *sql.Tx, id int64) ([]byte, error) {
	sum, err := linkRow(ctx, tx, linkHead, nil, "SELECT "+headColumns+" FROM runs WHERE id=?", id)
	if err != nil {
		return nil, err
	}
	_, err = tx.ExecContext(ctx, "UPDATE runs SET chain_head=?, chain_tip=? WHERE id=?", sum, sum, id)
	return sum, err
}

// chainTip returns the newest link in state.db, nil when the run has no chain, or ErrNoRun.
func chainTip(ctx context.Context, tx *sql.Tx, id int64) (tip []byte, err error) {
	err = tx.QueryRowContext(ctx, "SELECT chain_tip FROM runs WHERE id=?", id).Scan(&tip)
	if errors.Is(err, sql.ErrNoRows) {
		err = station.ErrNoRun{ID: id}
	}
	return tip, err
}

// chainEvent links an event that was just inserted.
func chainEvent(ctx context.Context, tx *sql.Tx, run, event int64, tip []byte) error {
	sum, err := linkRow(ctx, tx, linkEvent, tip, "SELECT "+eventColumns+" FROM events WHERE id=?", event)
	if err != nil {
		return err
	}
	if _, err := tx.ExecContext(ctx, "UPDATE events SET chain=? WHERE id=?", sum, event); err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, "UPDATE runs SET chain_tip=? WHERE id=?", sum, run)
	return err
}

// chainEnd links an end that was just written, and with it the strand of chunks.
func chainEnd(ctx context.Context, tx *sql.Tx, id int64, s strand) error {
	tip, err := chainTip(ctx, tx, id)
	if err != nil || tip == nil {
		return err
	}
	_, err = tx.ExecContext(ctx, `UPDATE runs SET chain_events=(SELECT count(*) FROM events WHERE run=?), chain_chunks=?, chain_last=? WHERE id=?`,
		id, s.chunks, s.last, id)
	if err != nil {
		return err
	}
	sum, err := linkRow(ctx, tx, linkEnd, tip, "SELECT "+endColumns+" FROM runs WHERE id=?", id)
	if err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, "UPDATE runs SET chain_end=?, chain_tip=? WHERE id=?", sum, sum, id)
	return err
}

// strand is how far the chunks of a run have come: how many there are, and the newest link. last is nil without a chain.
type strand struct {
	chunks int64
	last   []byte
}

// strandOf finds the strand of a run of an earlier process. Where the list of chunks is torn the strand says what can be
// read; Verify then finds that it does not hold, which is the truth.
func (d *DB) strandOf(ctx context.Context, id int64) (strand, error) {
	var s strand
	if err := d.state.write.QueryRowContext(ctx, "SELECT chain_head FROM runs WHERE id=?", id).Scan(&s.last); err != nil || s.last == nil {
		return s, err
	}
	var last []byte
	err := d.samples.write.QueryRowContext(ctx, "SELECT chain FROM chunks WHERE run=? ORDER BY first_seq DESC LIMIT 1", id).Scan(&last)
	switch {
	case errors.Is(err, sql.ErrNoRows), broken(err):
		return s, nil
	case err != nil:
		return s, err
	}
	s.last = last
	err = d.samples.write.QueryRowContext(ctx, "SELECT count(*) FROM chunks WHERE run=?", id).Scan(&s.chunks)
	if broken(err) {
		err = nil
	}
	return s, err
}
