// Package logfile reads recorded temperature logs, whoever wrote them, into a trace that can be judged.
//
// A log is text with a header: a time and one or more temperatures, one row a moment. Recorders differ in separators, decimals, units and
// in how they write a moment; what a file shows of that is followed, and told in the trace's notes. What a file does not show
// is refused with its line, because a log read wrongly would be judged wrongly. It is decoded from bytes; there is no I/O here.
package logfile

import (
	"bytes"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"trivet/process"
	"trivet/process/strict"
	"trivet/process/unit"
)

// Limits on what is read. They are ours: two million rows are 55 hours at 10 Hz.
const (
	MaxRows     = 2_000_000
	MaxColumns  = 64
	MaxReadings = 16_000_000 // rows times temperature columns; 400 MB in memory
	maxSeconds  = 4e9        // seconds since 1970 fit, until the year 2096
)

// Parse reads a log. file is only a name for messages. The error, of type strict.Problems, holds the first mistake.
//
// Columns are separated by commas, semicolons or tabs, as the header has them; decimals follow a point, or a comma where every number
// in the file agrees. Lines before the header, a row of units behind it and lines that begin with # or // are no rows. The time is a
// number (seconds unless its unit says otherwise), h:m:s, or a date and time; it must rise from row to row.
//
// Temperature columns are those that name °C or °F, in their name or in the row of units; if there is none, every column that holds numbers,
// in °C, except names that end in another unit (_w, _pct, _v, …). Empty cells, "nan", "open" and the like are readings that are missing;
// so is any number no thermocouple near a heater can mean (unit.Measured), such as the 9999 some loggers write for an
// open input.
//
// Roles are given by name, see process.RolesFor: joint… and ball… are joints, body…, top…, package… and lid… are the
// part's body, board… is the board; air, nozzles, heaters and targets are not judged. A single column is the joint;
// if no name says joint, every unknown name is one.
func Parse(file string, r []byte) (process.Trace, error) {
	p := parser{file: file}
	return p.parse(r)
}

// parser is a log on its way to a trace.
type parser struct {
	file string
	rest []byte
	line int // of the line last taken

	sep   byte // between columns
	comma bool // decimals follow a comma
	as    []string
	plain bool // written as this program writes logs; then nothing need be told
	own   bool // laid out as this program lays out logs: then a row has exactly the cells of the header

	names  []string // of all columns
	units  []string // per column, lower case, from a row of units; empty strings without one
	timeAt int      // which column is the time
	dateAt int      // which column is its date, or -1
	when   clock
	slot   []int    // per column: which temperature it is, or -1
	temps  []string // names of the temperature columns
	scale  []scale  // per temperature column
	marked bool     // the columns say their unit

	time     []time.Duration
	readings [][]unit.Reading
	strange  []int // per temperature column: numbers that cannot be temperatures
	dropped  []string
}

func (p *parser) parse(r []byte) (process.Trace, error) {
	p.open(r)
	for _, step := range []func() error{p.header, p.unitsRow, p.decimals, p.chooseColumns, p.chooseClock, p.rows, p.doubtful} {
		if err := step(); err != nil {
			return process.Trace{}, err
		}
	}
	p.spread()
	return p.trace()
}

func (p *parser) wrong(line int, key, what, allowed string) error {
	return strict.Problems{{File: p.file, Line: line, Key: key, What: what, Allowed: allowed}}
}

// told adds to what is told about how the file was read.
func (p *parser) told(format string, args ...any) {
	p.plain = false
	p.as = append(p.as, fmt.Sprintf(format, args...))
}

// next returns the next line that is neither empty nor a comment, without its end; false when there is none. Tabs at its ends stay:
// they may stand for empty cells.
func (p *parser) next() ([]byte, bool) {
	for len(p.rest) > 0 {
		line, rest, _ := bytes.Cut(p.rest, []byte("\n"))
		p.rest = rest
		p.line++
		if bare := bytes.TrimSpace(line); len(bare) > 0 && bare[0] != '#' && !bytes.HasPrefix(bare, []byte("//")) {
			return bytes.Trim(line, " \r"), true
		}
	}
	return nil, false
}

// ahead is a reader of its own from here on, so that no row is lost by looking.
func (p *parser) ahead() *parser { return &parser{rest: p.rest, line: p.line, sep: p.sep} }

// cell takes the first cell off a line, without its quotes. Inside quotes a separator is a character like any other. A quote that is not
// closed before the next separator is none.
func (p *parser) cell(line []byte) (cell, rest []byte, more bool) {
	if quoted := bytes.TrimLeft(line, " "); len(quoted) > 1 && quoted[0] == '"' {
		if end := bytes.IndexByte(quoted[1:], '"'); end >= 0 {
			after := bytes.TrimLeft(quoted[end+2:], " ")
			switch inner := bytes.TrimSpace(quoted[1 : end+1]); {
			case len(after) == 0:
				return inner, nil, false
			case after[0] == p.sep:
				return inner, after[1:], true
			}
		}
	}
	cell, rest, more = bytes.Cut(line, []byte{p.sep})
	return bytes.TrimSpace(cell), rest, more
}

// cells splits a whole line, at most MaxColumns+1 of it.
func (p *parser) cells(line []byte) (out []string) {
	for more := true; more && len(out) <= MaxColumns; {
		var c []byte
		c, line, more = p.cell(line)
		out = append(out, strings.ToValidUTF8(string(c), "?"))
	}
	return out
}

// rows reads every row. Memory is taken once, after the rows have been counted.
func (p *parser) rows() error {
	count := bytes.Count(p.rest, []byte("\n")) + 1
	if count > MaxRows || count*len(p.temps) > MaxReadings {
		return p.wrong(0, "", fmt.Sprintf("there are about %d rows of %d temperatures", count, len(p.temps)),
			fmt.Sprintf("at most %d rows and %d readings", MaxRows, MaxReadings))
	}
	p.time = make([]time.Duration, 0, count)
	p.strange = make([]int, len(p.temps))
	p.readings = make([][]unit.Reading, len(p.temps))
	for i := range p.readings {
		p.readings[i] = make([]unit.Reading, 0, count)
	}
	// One row at a time, so that a row with a mistake leaves the columns equally long.
	values := make([]float64, len(p.temps)) // NaN inside this function only: a cell without a reading
	for line, ok := p.next(); ok; line, ok = p.next() {
		now, err := p.row(line, values)
		if err != nil {
			return err
		}
		p.time = append(p.time, now)
		for i, v := range values {
			reading := unit.Unusable(now, unit.NotRead)
			if !math.IsNaN(v) {
				reading = unit.Measured(now, unit.Celsius(v))
				if !reading.Usable() {
					p.strange[i]++
				}
			}
			p.readings[i] = append(p.readings[i], reading)
		}
	}
	if len(p.time) < 2 {
		return p.wrong(p.line, "", fmt.Sprintf("the log has %d rows", len(p.time)), "at least 2")
	}
	return nil
}

// row reads one row into values, all of which it sets, and returns its time. A row that is too short or too long is
// refused: half a row is what is left after a power cut, and an extra cell is what a decimal comma makes.
func (p *parser) row(line []byte, values []float64) (now time.Duration, err error) {
	var date, at []byte
	k := 0
	for more := true; more; k++ {
		var c []byte
		c, line, more = p.cell(line)
		if k >= len(p.names) {
			if len(c) == 0 && !more && !p.own {
				break // a separator behind the last cell
			}
			return 0, p.wrong(p.line, "", fmt.Sprintf("the row has more than the %d cells of the header", len(p.names)), "one cell for each column, points before decimals")
		}
		switch {
		case k == p.timeAt:
			at = c
		case k == p.dateAt:
			date = c
		case p.slot[k] >= 0:
			v, err := p.celsius(p.names[k], p.scale[p.slot[k]], c)
			if err != nil {
				return 0, err
			}
			values[p.slot[k]] = v
		}
	}
	if k < len(p.names) {
		return 0, p.wrong(p.line, "", fmt.Sprintf("the row has %d cells, the header %d", k, len(p.names)), "one cell for each column; leave it empty where there is no reading")
	}
	return p.moment(date, at)
}

// number reads a number as this file writes them.
func (p *parser) number(c []byte) (float64, error) {
	if p.comma {
		c = bytes.Replace(c, []byte(","), []byte("."), 1)
	}
	return strconv.ParseFloat(string(c), 64)
}

// missing reports whether a cell says that there was no reading. The words are those that spreadsheets, plotting tools
// and loggers write; any other text is an error, because it may hide a number.
func missing(c []byte) bool {
	if len(c) > 9 {
		return false
	}
	switch strings.ToLower(string(c)) {
	case "", "-", "--", "---", "nan", "na", "n/a", "#n/a", "null", "none", "open", "ol", "err", "error", "fault", "overrange":
		return true
	}
	return false
}

// celsius reads a temperature; NaN stands for a cell without a reading, inside this package only. An infinite number is
// refused: no logger means it. A cell may carry the unit of its column.
func (p *parser) celsius(name string, s scale, c []byte) (float64, error) {
	if missing(c) {
		return math.NaN(), nil
	}
	bare, own := withUnit(c)
	v, err := p.number(bare)
	if err != nil || math.IsInf(v, 0) || math.IsNaN(v) || own != unsaid && own != s {
		return 0, p.wrong(p.line, name, fmt.Sprintf("is %.40q", c), "a temperature in "+s.String()+" with a "+map[bool]string{false: "point", true: "comma"}[p.comma]+" before decimals, or nothing")
	}
	if s == fahrenheit {
		v = (v - 32) * 5 / 9
	}
	return v, nil
}

// doubtful refuses temperatures whose unit nobody stated when they cannot be told from °F: no joint, body or board that is to live sees 300 °C,
// and a reflow in °F peaks near 450.
func (p *parser) doubtful() error {
	if p.marked {
		return nil
	}
	for i, role := range process.RolesFor(p.temps) {
		for k, r := range p.readings[i] {
			if c, ok := r.Temp(); ok && c > mostUnnamed && role != process.RoleOther {
				return p.wrong(0, p.temps[i], fmt.Sprintf("reads %g at %g s, and no column says whether it is in °C or °F", float64(c), p.time[k].Seconds()),
					"names that end in _c or _f")
			}
		}
	}
	return nil
}

// mostUnnamed is what a column on the board may read, °C, where nobody stated a unit. Judgement.
const mostUnnamed unit.Celsius = 300

// trace puts together what was read, with what the person should know about it.
func (p *parser) trace() (process.Trace, error) {
	t := process.Trace{Time: p.time}
	var taken []string
	for i, role := range process.RolesFor(p.temps) {
		t.Columns = append(t.Columns, process.Column{Name: p.temps[i], Role: role, Readings: p.readings[i]})
		taken = append(taken, p.temps[i]+" as "+roleWords[role])
	}
	if len(p.as) > 0 || !p.plain {
		t.Notes = append(t.Notes, strings.Join(append([]string{fmt.Sprintf("how this file was read: %d rows, columns separated by %s, decimals behind a %s",
			len(p.time), separators[p.sep], map[bool]string{false: "point", true: "comma"}[p.comma])}, p.as...), "; "))
		t.Notes = append(t.Notes, "taken by their names: "+strings.Join(taken, ", "))
	}
	for i, n := range p.strange {
		if n > 0 {
			t.Notes = append(t.Notes, fmt.Sprintf("%s: %d numbers are no temperature near a heater and count as missing", p.temps[i], n))
		}
	}
	if len(p.dropped) > 0 {
		t.Notes = append(t.Notes, "columns that hold no temperatures were left out: "+strings.Join(p.dropped, ", "))
	}
	return t, nil
}

// roleWords say a role to people.
var roleWords = map[string]string{process.RoleJoint: "a joint", process.RoleBody: "the body", process.RoleBoard: "the board", process.RoleOther: "not on the board"}

// separators names what may stand between columns.
var separators = map[byte]string{',': "commas", ';': "semicolons", '\t': "tabs"}
