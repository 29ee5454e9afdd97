package store

import (
	"context"
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"
	"net/url"
	"os"
	"slices"
	"strings"
	"time"

	"trivet/station"
)

// rescued counts what was brought over from a damaged file.
type rescued struct {
	kept map[string]int // rows by table
	bad  int            // rows that could not be read, or are not what was written
	err  error          // why nothing or not everything could be looked at
}

// String says it in a sentence for the operator.
func (r rescued) String() string {
	var parts []string
	for _, t := range []string{"runs", "events", "lessons", "jobs", "job_events", "chunks"} {
		if n := r.kept[t]; n > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", n, strings.NewReplacer("chunks", "chunks of samples", "job_events", "events of jobs").Replace(t)))
		}
	}
	if len(parts) == 0 {
		return "Nothing in it could be read."
	}
	return fmt.Sprintf("From it %s were brought over; %d records could not be read or were not as they had been written.", strings.Join(parts, ", "), r.bad)
}

// rescue brings over into f what can be read of the damaged file at path, in one transaction: all that is found, or
// nothing. It works on a copy, so that the damaged file stays as it was found. Records with a check of their own (heads with a
// chain, chunks, lessons) are brought over only if it holds.
func rescue(ctx context.Context, f *file, path string, tables []string) (r rescued) {
	r.kept = map[string]int{}
	copyPath := path + ".reading"
	defer func() {
		for _, tail := range []string{"", "-wal", "-shm"} {
			_ = os.Remove(copyPath + tail) // it may not be there, and nothing depends on it
		}
	}()
	// First as it is but for its header, if it describes its tables as a new file does; then with the first page of a new file, which
	// says where the tables begin and what their columns are. In a file that was brought up from an older schema they begin elsewhere:
	// then the checks let nothing pass, and it is read as it describes itself.
	for _, try := range []struct{ newPage, anyWords bool }{{false, false}, {true, true}, {false, true}} {
		if r.err = copyMended(ctx, f, path, copyPath, try.newPage); r.err != nil {
			return r
		}
		from, err := sql.Open("sqlite", (&url.URL{Scheme: "file", Path: copyPath, RawQuery: "_pragma=trusted_schema(0)&_pragma=busy_timeout(0)"}).String())
		if err != nil {
			r.err = err
			return r
		}
		from.SetMaxOpenConns(1)
		if try.anyWords || sameWords(ctx, f, from) {
			r.bad = 0 // of the try before
			r.err = bring(ctx, f, from, tables, &r)
		}
		_ = from.Close() // a damaged copy may complain; it is removed in any case
		if len(r.kept) > 0 || r.err != nil && !misread(r.err) {
			return r
		}
	}
	return r
}

// sameWords reports whether two files describe their tables in the same words.
func sameWords(ctx context.Context, f *file, from *sql.DB) bool {
	words := func(db *sql.DB) (text string) {
		err := db.QueryRowContext(ctx, "SELECT group_concat(type || ' ' || name || ' ' || tbl_name || ' ' || coalesce(sql, ''), ';' ORDER BY name) FROM sqlite_schema").Scan(&text)
		if err != nil {
			return err.Error()
		}
		return text
	}
	return words(f.write) == words(from)
}

// copyMended copies the damaged file and its log, and writes into the header what it must be.
func copyMended(ctx context.Context, f *file, path, to string, newPage bool) error {
	b, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	if len(b) < pageSize {
		return unsound{path, "it has no page"}
	}
	log, err := os.ReadFile(path + "-wal")
	if err == nil && !newPage {
		err = os.WriteFile(to+"-wal", log, 0o640)
	} else if newPage {
		err = errors.Join(os.RemoveAll(to+"-wal"), os.RemoveAll(to+"-shm"))
		if err == nil {
			err = firstPage(ctx, f, b)
		}
	} else if os.IsNotExist(err) {
		err = nil
	}
	if err != nil {
		return err
	}
	mendHeader(b)
	return os.WriteFile(to, b, 0o640)
}

// firstPage copies the first page of the new file over that of b.
func firstPage(ctx context.Context, f *file, b []byte) error {
	if _, err := f.write.ExecContext(ctx, "PRAGMA wal_checkpoint(TRUNCATE)"); err != nil {
		return err
	}
	fresh, err := os.ReadFile(f.path)
	if err == nil {
		copy(b, fresh[:min(len(fresh), pageSize)])
	}
	return err
}

// mendHeader sets the fields of a database header that are the same in every file of this package, and those that follow
// from its length; the list of free pages is forgotten, as nothing is written. Source: https://sqlite.org/fileformat2.html#the_database_header.
func mendHeader(b []byte) {
	copy(b, "SQLite format 3\x00")
	be := binary.BigEndian
	be.PutUint16(b[16:], pageSize)
	copy(b[18:], []byte{2, 2, 0, 64, 32, 32}) // log for writing and reading, nothing reserved, fixed fractions
	be.PutUint32(b[28:], uint32(len(b)/pageSize))
	clear(b[32:40])          // free pages
	be.PutUint32(b[44:], 4)  // schema format
	clear(b[52:56])          // no automatic vacuum
	be.PutUint32(b[56:], 1)  // UTF-8
	clear(b[64:92])          // neither incremental vacuum nor application; reserved
	copy(b[92:96], b[24:28]) // the length above is valid
}

// bring copies the tables in one transaction.
func bring(ctx context.Context, f *file, from *sql.DB, tables []string, r *rescued) error {
	tx, err := f.write.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback() // does nothing after a commit
	for _, table := range tables {
		ids, sure, err := idsOf(ctx, from, table)
		if err != nil && !misread(err) {
			return err
		}
		for i, id := range ids {
			err := bringRow(ctx, tx, from, table, id)
			switch {
			case err == nil:
				r.kept[table]++
			case errors.Is(err, sql.ErrNoRows):
			case ctx.Err() != nil:
				return ctx.Err()
			case i < sure || !broken(err): // else it was only a try
				r.bad++
			}
		}
	}
	return tx.Commit()
}

// Numbers that are tried one by one where a list of rows breaks off: between two rows that are known, and after the last
// one that is.
const (
	maxGap  = 20_000
	maxTail = 500
)

// idsOf lists the row numbers of a table that may be there. A tree with a torn page is read from both ends; the numbers in
// between are tried one by one, because each has a way of its own down the tree. Where the far end cannot be found some
// numbers are tried all the same: those from the index sure on.
func idsOf(ctx context.Context, from *sql.DB, table string) (ids []int64, sure int, err error) {
	list := func(order string) (ids []int64, err error) {
		rows, err := from.QueryContext(ctx, "SELECT id FROM "+table+" NOT INDEXED ORDER BY id "+order)
		if err != nil {
			return nil, err
		}
		defer rows.Close()
		for rows.Next() {
			var id int64
			if err := rows.Scan(&id); err != nil {
				return ids, err
			}
			ids = append(ids, id)
		}
		return ids, rows.Err()
	}
	if ids, err = list("ASC"); err == nil || !broken(err) {
		return ids, len(ids), err
	}
	down, _ := list("DESC")
	last := int64(0)
	if len(ids) > 0 {
		last = ids[len(ids)-1]
	}
	if len(down) == 0 {
		sure = len(ids)
		for id := last + 1; id <= last+maxTail; id++ {
			ids = append(ids, id)
		}
		return ids, sure, nil
	}
	for id := last + 1; id < min(down[len(down)-1], last+maxGap); id++ {
		ids = append(ids, id)
	}
	ids = append(ids, down...)
	slices.Sort(ids)
	ids = slices.Compact(ids)
	return ids, len(ids), nil
}

// bringRow copies one row if it is what was written.
func bringRow(ctx context.Context, tx *sql.Tx, from *sql.DB, table string, id int64) error {
	rows, err := from.QueryContext(ctx, "SELECT * FROM "+table+" NOT INDEXED WHERE id=?", id)
	if err != nil {
		return err
	}
	defer rows.Close()
	if !rows.Next() {
		return errors.Join(rows.Err(), sql.ErrNoRows)
	}
	names, err := rows.Columns()
	if err != nil {
		return err
	}
	values, err := scanAny(rows)
	if err != nil {
		return err
	}
	row := map[string]any{}
	for i, n := range names {
		row[n] = values[i]
	}
	if err := rowHolds(table, row); err != nil {
		return err
	}
	// The table is STRICT: a value of a wrong type is refused here.
	_, err = tx.ExecContext(ctx, "INSERT INTO "+table+" ("+strings.Join(names, ", ")+") VALUES (?"+strings.Repeat(", ?", len(names)-1)+")", values...)
	return err
}

// rowHolds checks a row by itself.
func rowHolds(table string, row map[string]any) error {
	text := func(n string) string { s, _ := row[n].(string); return s }
	number := func(n string) int64 { i, _ := row[n].(int64); return i }
	blob := func(n string) []byte { b, _ := row[n].([]byte); return b }
	good := true
	switch table {
	case "runs":
		if sum := blob("chain_head"); sum != nil {
			var head []any
			for _, n := range strings.Split(headColumns, ",") {
				head = append(head, row[strings.TrimSpace(n)])
			}
			got, err := link(linkHead, nil, head...)
			good = err == nil && string(got) == string(sum)
		}
		good = good && isTime(text("begun_utc"))
	case "events":
		good = isTime(text("utc")) && (blob("chain") == nil || len(blob("chain")) == 32)
	case "lessons":
		good = int64(lessonSum(text("pairing"), number("run"), text("utc"), blob("data"))) == number("crc")
	case "jobs":
		good = rowOfJob(text("id"), text("utc"), blob("opening"), blob("chain"))
	case "job_events": // whether it fits behind the one before shows when the job is read
		good = text("job") != "" && number("seq") >= 0 && len(blob("chain")) == 32
	case "chunks":
		c := chunk{run: number("run"), first: uint64(number("first_seq")), samples: int(number("samples")), columns: int(number("columns")),
			last: time.Duration(number("last_ns")), crc: uint32(number("crc")), data: blob("data")}
		var rows []station.Sample
		rows, err := c.unpack(rows)
		good = err == nil && rows[len(rows)-1].At == c.last
	}
	if !good {
		return errDamaged
	}
	return nil
}

func isTime(s string) bool { _, err := time.Parse(time.RFC3339Nano, s); return err == nil }
