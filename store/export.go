package store

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"unicode/utf8"

	"trivet/station"
)

// RecordFormat names the form in which the record of one run leaves the database.
const RecordFormat = "trivet-record-v1"

// record is the whole record of one run with its chain, value by value as it lies in the database, so that whoever has the file can recompute
// every link. It holds nothing that no link covers.
type record struct {
	head   linked
	events []linked
	end    *linked // nil of a run that is going on
	chunks []linked
}

// linked is one row and its link.
type linked struct {
	Values []value  `json:"values"`
	Link   hexBytes `json:"link"`
}

// hexBytes is written as hexadecimal digits.
type hexBytes []byte

// MarshalText implements encoding.TextMarshaler.
func (h hexBytes) MarshalText() ([]byte, error) { return []byte(hex.EncodeToString(h)), nil }

// UnmarshalText implements encoding.TextUnmarshaler.
func (h *hexBytes) UnmarshalText(text []byte) (err error) {
	*h, err = hex.DecodeString(string(text))
	return err
}

// value is what a column holds: nothing, a whole number, text or bytes.
type value struct{ v any }

// MarshalJSON writes numbers and text as themselves; bytes, and text that is no UTF-8, as base64 under a name for their type.
func (v value) MarshalJSON() ([]byte, error) {
	switch x := v.v.(type) {
	case []byte:
		return json.Marshal(map[string]string{"bytes": base64.StdEncoding.EncodeToString(x)})
	case string:
		if !utf8.ValidString(x) {
			return json.Marshal(map[string]string{"text": base64.StdEncoding.EncodeToString([]byte(x))})
		}
	}
	return json.Marshal(v.v)
}

// UnmarshalJSON reads what MarshalJSON writes.
func (v *value) UnmarshalJSON(data []byte) error {
	switch data[0] {
	case 'n':
		v.v = nil
		return nil
	case '"':
		var s string
		err := json.Unmarshal(data, &s)
		v.v = s
		return err
	case '{':
		var m map[string]string
		if err := json.Unmarshal(data, &m); err != nil || len(m) != 1 {
			return errors.Join(err, fmt.Errorf("%.40s is no value", data))
		}
		for kind, text := range m {
			b, err := base64.StdEncoding.Strict().DecodeString(text)
			if v.v = b; kind == "text" {
				v.v = string(b)
			}
			return err
		}
	}
	n, err := strconv.ParseInt(string(data), 10, 64)
	v.v = n
	return err
}

// raw is a row as link takes it.
func (l *linked) raw() []any {
	out := make([]any, len(l.Values))
	for i := range l.Values {
		out[i] = l.Values[i].v
	}
	return out
}

// cover says which columns the values are, in their order.
var cover = [...]struct{ name, columns string }{{"head_columns", headColumns}, {"event_columns", eventColumns}, {"end_columns", endColumns}, {"chunk_columns", chunkColumns}}

// bytes writes a record, one row a line. It is the only way to write one: a file that differs from it by a byte was changed.
func (r *record) bytes() ([]byte, error) {
	var b bytes.Buffer
	fmt.Fprintf(&b, "{\"format\":%q,\n", RecordFormat)
	for _, c := range cover {
		names, err := json.Marshal(strings.Fields(strings.ReplaceAll(c.columns, ",", " ")))
		if err != nil {
			return nil, err
		}
		fmt.Fprintf(&b, "%q:%s,\n", c.name, names)
	}
	one := func(l *linked) {
		text, err := json.Marshal(l) // nothing in it can fail
		if err == nil {
			b.Write(text)
		}
	}
	list := func(name string, rows []linked) {
		fmt.Fprintf(&b, "%q:[", name)
		for i := range rows {
			b.WriteString(map[bool]string{true: "\n", false: ",\n"}[i == 0])
			one(&rows[i])
		}
		b.WriteString("\n]")
	}
	b.WriteString("\"head\":")
	one(&r.head)
	b.WriteString(",\n")
	list("events", r.events)
	b.WriteString(",\n\"end\":")
	one(r.end)
	b.WriteString(",\n")
	list("chunks", r.chunks)
	b.WriteString("}\n")
	return b.Bytes(), nil
}

// Export returns the record of one run with its chain, as a file that VerifyRecord can check without a database. station.ErrNoRun when there is no
// such run; an error for one of which no chain was kept, because its file could prove nothing, and for one that cannot be read whole.
func (d *DB) Export(ctx context.Context, id int64) ([]byte, error) {
	var r record
	err := d.export(ctx, id, &r)
	if err != nil {
		return nil, fmt.Errorf("export run %d: %w", id, err)
	}
	return r.bytes()
}

func (d *DB) export(ctx context.Context, id int64, r *record) error {
	// The samples first: an end that is read afterwards covers more than was read only if the run ended in between, and then they are read again.
	for range 3 {
		*r = record{}
		var err error
		if r.chunks, err = linkedRows(ctx, d.samples.read, "SELECT chain, "+chunkColumns+" FROM chunks WHERE run=? ORDER BY first_seq", id); err != nil {
			return err
		}
		tx, err := d.state.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
		if err != nil {
			return err
		}
		err = r.state(ctx, tx, id)
		if err := errors.Join(err, tx.Rollback()); err != nil {
			return err
		}
		if r.end == nil || len(r.end.Values) < 9 || r.end.Values[8].v == int64(len(r.chunks)) {
			return nil
		}
	}
	return nil // what is missing is missing, and VerifyRecord says so
}

// state reads what state.db has of a run.
func (r *record) state(ctx context.Context, q querier, id int64) error {
	head, err := linkedRows(ctx, q, "SELECT chain_head, "+headColumns+" FROM runs WHERE id=?", id)
	if err != nil {
		return err
	}
	if len(head) == 0 {
		return station.ErrNoRun{ID: id}
	}
	if r.head = head[0]; r.head.Link == nil {
		return errors.New("no chain was kept of it")
	}
	if r.events, err = linkedRows(ctx, q, "SELECT chain, "+eventColumns+" FROM events WHERE run=? ORDER BY id", id); err != nil {
		return err
	}
	end, err := linkedRows(ctx, q, "SELECT chain_end, "+endColumns+" FROM runs WHERE id=? AND end_state IS NOT NULL", id)
	if len(end) > 0 {
		r.end = &end[0]
	}
	return err
}

// linkedRows reads rows whose first column is their link.
func linkedRows(ctx context.Context, q querier, query string, args ...any) ([]linked, error) {
	rows, err := q.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	out := []linked{}
	for rows.Next() {
		v, err := scanAny(rows)
		if err != nil {
			return nil, err
		}
		l := linked{Values: make([]value, len(v)-1)}
		l.Link, _ = v[0].([]byte)
		for i := range l.Values {
			l.Values[i].v = v[1+i]
		}
		out = append(out, l)
	}
	return out, rows.Err()
}

// readRecord takes an exported record apart. The error says why it is none.
func readRecord(data []byte) (*record, error) {
	var f struct {
		Format string   `json:"format"`
		Head   linked   `json:"head"`
		Events []linked `json:"events"`
		End    *linked  `json:"end"`
		Chunks []linked `json:"chunks"`
	}
	if err := json.Unmarshal(data, &f); err != nil {
		return nil, fmt.Errorf("the record cannot be read: %w", err)
	}
	if f.Format != RecordFormat {
		return nil, fmt.Errorf("the record has the format %.40q; this program reads %q", f.Format, RecordFormat)
	}
	return &record{f.Head, f.Events, f.End, f.Chunks}, nil
}

// VerifyRecord recomputes the chain of an exported record and says what is not as it was written, down to the line of the file. An error means that
// it cannot be read at all, which an edit may well cause.
func VerifyRecord(data []byte) (p Proof, err error) {
	r, err := readRecord(data)
	if err != nil {
		return p, err
	}
	p.Chained, p.Open, p.Seal = true, r.end == nil, hex.EncodeToString(r.head.Link)
	holds := func(kind string, before []byte, l *linked) bool {
		sum, err := link(kind, before, l.raw()...)
		return err == nil && bytes.Equal(sum, l.Link)
	}
	if !holds(linkHead, nil, &r.head) {
		p.fault("The head of the run was changed.")
	}
	r.verifyEvents(&p, holds)
	at := []byte(r.head.Link)
	for i := range r.chunks {
		if holds(linkChunk, at, &r.chunks[i]) {
			p.Chunks++
		} else {
			p.fault("Chunk %d of the samples is not the one that was kept there: it was changed, or one was taken out, put in or moved before it.", i+1)
		}
		at = r.chunks[i].Link
	}
	if r.end != nil {
		if n, _ := r.end.Values[8].v.(int64); n != int64(len(r.chunks)) {
			p.fault("The run had %d chunks of samples when it ended; %d are there.", n, len(r.chunks))
		} else if last, _ := r.end.Values[9].v.([]byte); !bytes.Equal(last, at) {
			p.fault("The last samples are not those that were there when the run ended.")
		}
	}
	again, err := r.bytes()
	if err != nil {
		return p, err
	}
	if n := lineOfDifference(data, again); n > 0 && len(p.Faults) == 0 {
		p.fault("Line %d of the record was changed.", n)
	}
	return p, nil
}

// verifyEvents walks the events with the end where it belongs.
func (r *record) verifyEvents(p *Proof, holds func(kind string, before []byte, l *linked) bool) {
	at, upTo := []byte(r.head.Link), int64(-1)
	if r.end != nil {
		if len(r.end.Values) != 10 {
			p.fault("The end of the run was changed.")
			r.end = &linked{Values: make([]value, 10)} // so that the rest can be looked at
		}
		upTo, _ = r.end.Values[7].v.(int64)
	}
	for i := 0; i <= len(r.events); i++ {
		if int64(i) == upTo {
			if !holds(linkEnd, at, r.end) {
				p.fault("The end of the run was changed, or does not follow its events.")
			}
			at = r.end.Link
		}
		if i == len(r.events) {
			break
		}
		if holds(linkEvent, at, &r.events[i]) {
			p.Events++
		} else {
			p.fault("Event %d is not the one that was kept there: it was changed, or one was taken out, put in or moved before it.", i+1)
		}
		at = r.events[i].Link
	}
	if r.end != nil && (upTo < 0 || upTo > int64(len(r.events))) {
		p.fault("The run had %d events when it ended; %d are there.", upTo, len(r.events))
	}
	p.Seal = hex.EncodeToString(at)
}

// lineOfDifference is the line in which two files differ first, 0 when they do not.
func lineOfDifference(a, b []byte) int {
	if bytes.Equal(a, b) {
		return 0
	}
	i := 0
	for i < len(a) && i < len(b) && a[i] == b[i] {
		i++
	}
	return 1 + bytes.Count(a[:i], []byte("\n"))
}
