// Package logfile reads recorded temperature logs, whoever wrote them, into a trace that can be judged.
//
// A log is comma-separated text with a header: a column time_s in seconds and one or more temperatures in °C. It is
// decoded from bytes; there is no I/O here. What cannot be understood surely is refused with its line, because a log
// read wrongly would be judged wrongly: semicolons, decimal commas and degrees Fahrenheit are not guessed at.
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
// Temperature columns are those whose name ends in _c; if there is none, every column that holds numbers, except
// names that end in another unit (_w, _pct, _v, …). Empty cells, "nan" and the like are readings that are missing;
// so is any number no thermocouple near a heater can mean (unit.Measured), such as the 9999 some loggers write for an
// open input. Time must rise from row to row. Lines that begin with # are comments.
//
// Roles are given by name, see process.RolesFor: joint… and ball… are joints, body…, top…, package… and lid… are the
// part's body, board… is the board; air, nozzles, heaters and targets are not judged. A single column is the joint;
// if no name says joint, every unknown name is one.
func Parse(file string, r []byte) (process.Trace, error) {
	p := parser{file: file, rest: bytes.TrimPrefix(r, []byte("\ufeff"))}
	if err := p.header(); err != nil {
		return process.Trace{}, err
	}
	if err := p.chooseColumns(); err != nil {
		return process.Trace{}, err
	}
	if err := p.rows(); err != nil {
		return process.Trace{}, err
	}
	return p.trace()
}

// parser is a log on its way to a trace.
type parser struct {
	file string
	rest []byte
	line int // of the line last taken

	names  []string // of all columns
	timeAt int      // which column is the time
	slot   []int    // per column: which temperature it is, or -1
	temps  []string // names of the temperature columns

	time     []time.Duration
	readings [][]unit.Reading
	strange  []int // per temperature column: numbers that cannot be temperatures
	dropped  []string
}

func (p *parser) wrong(line int, key, what, allowed string) error {
	return strict.Problems{{File: p.file, Line: line, Key: key, What: what, Allowed: allowed}}
}

// next returns the next line that is neither empty nor a comment, without its end; false when there is none.
func (p *parser) next() ([]byte, bool) {
	for len(p.rest) > 0 {
		line, rest, _ := bytes.Cut(p.rest, []byte("\n"))
		p.rest = rest
		p.line++
		if line = bytes.TrimSpace(line); len(line) > 0 && line[0] != '#' {
			return line, true
		}
	}
	return nil, false
}

// cell takes the first cell off a line, without its quotes. Commas inside quotes are not supported: no temperature and no
// sensible name has one, and a row that has one gets the wrong number of cells and is refused.
func cell(line []byte) (cell, rest []byte, more bool) {
	cell, rest, more = bytes.Cut(line, []byte(","))
	cell = bytes.TrimSpace(cell)
	if n := len(cell); n >= 2 && cell[0] == '"' && cell[n-1] == '"' {
		cell = bytes.TrimSpace(cell[1 : n-1])
	}
	return cell, rest, more
}

// header reads the names of the columns and finds the time.
func (p *parser) header() error {
	line, ok := p.next()
	if !ok {
		return p.wrong(0, "", "the log is empty", "a header with time_s and temperature columns, then rows")
	}
	if !bytes.Contains(line, []byte(",")) && bytes.ContainsAny(line, ";\t") {
		return p.wrong(p.line, "", "the columns are not separated by commas", "commas between columns and a point before decimals")
	}
	// Names are compared without case, because loggers differ in it; nothing else about a name is guessed.
	p.timeAt = -1
	for more := true; more; {
		var c []byte
		c, line, more = cell(line)
		if len(p.names) == MaxColumns {
			return p.wrong(p.line, "", fmt.Sprintf("there are more than %d columns", MaxColumns), fmt.Sprintf("at most %d", MaxColumns))
		}
		name := strings.ToValidUTF8(string(c), "?")
		if strings.EqualFold(name, "time_s") {
			if p.timeAt >= 0 {
				return p.wrong(p.line, "time_s", "is there twice", "one column time_s")
			}
			p.timeAt = len(p.names)
		}
		p.names = append(p.names, name)
	}
	if p.timeAt < 0 {
		what := fmt.Sprintf("no column is called time_s; there are %.80s", strings.Join(p.names, ", "))
		if _, err := strconv.ParseFloat(p.names[0], 64); err == nil {
			what = "the header is missing"
		}
		return p.wrong(p.line, "", what, "a header with time_s (seconds) and temperature columns in °C")
	}
	return nil
}

// otherUnits are endings of names that say a column is no temperature in °C. Kelvin is among them: in logs _k is a
// difference as often as a temperature.
var otherUnits = [...]string{"_w", "_kw", "_pct", "_percent", "_duty", "_v", "_mv", "_a", "_s", "_ms", "_hz", "_rpm", "_c_per_s", "_k"}

// chooseColumns decides which columns are temperatures. It looks at the first row with something in a column, and
// leaves the row to be read.
func (p *parser) chooseColumns() error {
	// One column with its unit in the name is a sign of a log that names all its units; then the rest are not guessed at.
	marked := false
	for i, n := range p.names {
		low := strings.ToLower(n)
		if i != p.timeAt && (strings.HasSuffix(low, "_f") || strings.HasSuffix(low, "_degf") || strings.Contains(low, "°f") || strings.Contains(low, "fahrenheit")) {
			return p.wrong(p.line, n, "is in degrees Fahrenheit", "temperatures in °C, with names that end in _c")
		}
		marked = marked || i != p.timeAt && celsius(low)
	}
	var numeric []bool
	if !marked {
		numeric = p.numeric()
	}
	p.slot = make([]int, len(p.names))
	for i, n := range p.names {
		p.slot[i] = -1
		low := strings.ToLower(n)
		switch {
		case i == p.timeAt || marked && !celsius(low) || hasSuffix(low, otherUnits[:]):
			continue
		case !marked && !numeric[i]:
			p.dropped = append(p.dropped, n)
			continue
		}
		if n == "" {
			return p.wrong(p.line, "", fmt.Sprintf("column %d has no name", i+1), "a name for each column")
		}
		for _, other := range p.temps {
			if strings.EqualFold(other, n) {
				return p.wrong(p.line, n, "is there twice", "a name of its own for each column")
			}
		}
		p.slot[i] = len(p.temps)
		p.temps = append(p.temps, n)
	}
	if len(p.temps) == 0 {
		return p.wrong(p.line, "", "no column holds temperatures", "one or more columns in °C, with names that end in _c")
	}
	return nil
}

// celsius reports whether a name, in lower case, says °C.
func celsius(low string) bool {
	return strings.HasSuffix(low, "_c") || strings.HasSuffix(low, "_degc") || strings.HasSuffix(low, "°c") || strings.HasSuffix(low, "(°c)") || strings.HasSuffix(low, "(c)")
}

// hasSuffix reports whether s ends in any of the suffixes.
func hasSuffix(s string, suffixes []string) bool {
	for _, e := range suffixes {
		if strings.HasSuffix(s, e) {
			return true
		}
	}
	return false
}

// numeric looks ahead, once for all columns, for the first cell of each that holds something, and reports which of those
// are numbers. A column in which nothing ever stands counts as numbers that are missing.
func (p *parser) numeric() []bool {
	numeric, open := make([]bool, len(p.names)), len(p.names)
	decided := make([]bool, len(p.names))
	for i := range numeric {
		numeric[i] = true
	}
	ahead := parser{rest: p.rest} // a reader of its own, so that no row is lost
	for line, ok := ahead.next(); ok && open > 0; line, ok = ahead.next() {
		more := true
		for i := 0; i < len(decided) && more; i++ {
			var c []byte
			if c, line, more = cell(line); decided[i] || missing(c) {
				continue
			}
			_, err := strconv.ParseFloat(string(c), 64)
			numeric[i], decided[i] = err == nil, true
			open--
		}
	}
	return numeric
}

// missing reports whether a cell says that there was no reading. The words are those that spreadsheets, plotting tools
// and loggers write; any other text is an error, because it may hide a number.
func missing(c []byte) bool {
	if len(c) > 4 {
		return false
	}
	switch strings.ToLower(string(c)) {
	case "", "-", "--", "nan", "na", "n/a", "null", "none":
		return true
	}
	return false
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
func (p *parser) row(line []byte, values []float64) (time.Duration, error) {
	now, k := time.Duration(0), 0
	for more := true; more; k++ {
		var c []byte
		c, line, more = cell(line)
		if k >= len(p.names) {
			return 0, p.wrong(p.line, "", fmt.Sprintf("the row has more than the %d cells of the header", len(p.names)), "one cell for each column, points before decimals")
		}
		switch {
		case k == p.timeAt:
			t, err := p.seconds(c)
			if err != nil {
				return 0, err
			}
			now = t
		case p.slot[k] >= 0:
			v, err := p.celsius(p.names[k], c)
			if err != nil {
				return 0, err
			}
			values[p.slot[k]] = v
		}
	}
	if k < len(p.names) {
		return 0, p.wrong(p.line, "", fmt.Sprintf("the row has %d cells, the header %d", k, len(p.names)), "one cell for each column; leave it empty where there is no reading")
	}
	return now, nil
}

// seconds reads a moment, to the microsecond: finer than any logger, and coarse enough that seconds since 1970 in a
// float still rise.
func (p *parser) seconds(c []byte) (time.Duration, error) {
	s, err := strconv.ParseFloat(string(c), 64)
	if err != nil || !(math.Abs(s) <= maxSeconds) {
		return 0, p.wrong(p.line, "time_s", fmt.Sprintf("is %.40q", c), "seconds, such as 12.3")
	}
	t := time.Duration(math.Round(s*1e6)) * time.Microsecond
	if n := len(p.time); n > 0 && t <= p.time[n-1] {
		return 0, p.wrong(p.line, "time_s", fmt.Sprintf("is %s after %g", c, p.time[n-1].Seconds()), "a later time on each row")
	}
	return t, nil
}

// celsius reads a temperature; NaN stands for a cell without a reading, inside this package only. An infinite number is
// refused: no logger means it.
func (p *parser) celsius(name string, c []byte) (float64, error) {
	if missing(c) {
		return math.NaN(), nil
	}
	v, err := strconv.ParseFloat(string(c), 64)
	if err != nil || math.IsInf(v, 0) || math.IsNaN(v) {
		return 0, p.wrong(p.line, name, fmt.Sprintf("is %.40q", c), "a temperature in °C with a point before decimals, or nothing")
	}
	return v, nil
}

// trace puts together what was read, with what the person should know about it.
func (p *parser) trace() (process.Trace, error) {
	t := process.Trace{Time: p.time}
	for i, role := range process.RolesFor(p.temps) {
		t.Columns = append(t.Columns, process.Column{Name: p.temps[i], Role: role, Readings: p.readings[i]})
		if n := p.strange[i]; n > 0 {
			t.Notes = append(t.Notes, fmt.Sprintf("%s: %d numbers are no temperature near a heater and count as missing", p.temps[i], n))
		}
	}
	if len(p.dropped) > 0 {
		t.Notes = append(t.Notes, "columns that hold no numbers were left out: "+strings.Join(p.dropped, ", "))
	}
	return t, nil
}
