package logfile

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"strconv"
	"strings"
	"unicode/utf16"
)

// mostPreamble is how many lines a recorder may write about itself before its header. Judgement.
const mostPreamble = 60

// open takes the bytes: UTF-8, or UTF-16 with its mark, lines ended in any of the three ways.
func (p *parser) open(r []byte) {
	p.plain, p.sep, p.dateAt = true, ',', -1
	var order binary.ByteOrder
	switch {
	case bytes.HasPrefix(r, []byte("\xff\xfe")):
		order = binary.LittleEndian
	case bytes.HasPrefix(r, []byte("\xfe\xff")):
		order = binary.BigEndian
	}
	if order != nil {
		words := make([]uint16, 0, len(r)/2)
		for r = r[2:]; len(r) >= 2; r = r[2:] {
			words = append(words, order.Uint16(r))
		}
		r = []byte(string(utf16.Decode(words)))
		p.told("UTF-16")
	}
	p.rest = bytes.TrimPrefix(r, []byte("\ufeff"))
	if !bytes.Contains(p.rest, []byte("\n")) && bytes.Contains(p.rest, []byte("\r")) {
		p.rest = bytes.ReplaceAll(p.rest, []byte("\r"), []byte("\n"))
	}
}

// header finds the line with the names of the columns, which one is the time among them. It is the first line that names a time and at least one more
// column and holds no number or moment: lines above it are the recorder's own.
func (p *parser) header() error {
	look, forced := p.ahead(), byte(0)
	first, skipped := []string(nil), 0
	var at int
	for n := 0; n < mostPreamble; n++ {
		line, ok := look.next()
		if !ok {
			break
		}
		if hint, ok := bytes.CutPrefix(bytes.ToLower(line), []byte("sep=")); ok && len(hint) == 1 && separators[hint[0]] != "" {
			forced = hint[0] // spreadsheets write this
			continue
		}
		if look.sep = forced; forced == 0 {
			look.sep = separatorOf(line)
		}
		cells := look.cells(latin(line))
		if first == nil {
			first, at, p.sep = cells, look.line, look.sep
		}
		if !isHeader(cells) {
			skipped++
			continue
		}
		p.rest, p.line, p.sep = look.rest, look.line, look.sep
		return p.namesFrom(cells, skipped)
	}
	switch {
	case first == nil:
		return p.wrong(0, "", "the log is empty", "a header with time_s and temperature columns, then rows")
	case len(first) > MaxColumns:
		return p.wrong(at, "", fmt.Sprintf("there are more than %d columns", MaxColumns), fmt.Sprintf("at most %d", MaxColumns))
	}
	what := fmt.Sprintf("no column is called time_s; there are %.80s", strings.Join(first, ", "))
	if _, err := strconv.ParseFloat(strings.Replace(first[0], ",", ".", 1), 64); err == nil || momentLike(first[0]) {
		what = "the header is missing"
	}
	return p.wrong(at, "", what, "a header with time_s (seconds) and temperature columns in °C")
}

// separatorOf is what separates the cells of a header: tabs before semicolons before commas, because names may hold the latter.
func separatorOf(line []byte) byte {
	for _, s := range []byte("\t;") {
		if bytes.IndexByte(line, s) >= 0 {
			return s
		}
	}
	return ','
}

// latin makes the degree sign of ISO 8859-1 one of UTF-8.
func latin(line []byte) []byte {
	if bytes.IndexByte(line, 0xb0) < 0 || bytes.Contains(line, []byte("°")) {
		return line
	}
	return bytes.ReplaceAll(line, []byte{0xb0}, []byte("°"))
}

// isHeader reports whether cells are names of columns with a time among them.
func isHeader(cells []string) bool {
	times := 0
	for _, c := range cells {
		if _, err := strconv.ParseFloat(strings.Replace(c, ",", ".", 1), 64); err == nil && !strings.EqualFold(c, "nan") || momentLike(c) {
			return false
		}
		if _, ok := timeName(c); ok {
			times++
		}
	}
	return times > 0 && (len(cells) > 1 || cells[0] == "time_s")
}

// namesFrom takes over the header.
func (p *parser) namesFrom(cells []string, skipped int) error {
	if len(cells) > MaxColumns {
		return p.wrong(p.line, "", fmt.Sprintf("there are more than %d columns", MaxColumns), fmt.Sprintf("at most %d", MaxColumns))
	}
	p.names = cells
	exact := 0
	for i, n := range cells {
		if strings.EqualFold(n, "time_s") {
			p.timeAt = i
			exact++
		}
	}
	if exact > 1 {
		return p.wrong(p.line, "time_s", "is there twice", "one column time_s")
	}
	p.own = p.sep == ',' && exact == 1 && skipped == 0
	p.plain = p.plain && p.own
	// A separator behind the last name is no column, where recorders write one behind each row.
	if n := len(p.names); n > 2 && p.names[n-1] == "" && !p.own {
		p.names = p.names[:n-1]
	}
	p.units = make([]string, len(p.names))
	switch skipped {
	case 0:
	case 1:
		p.told("one line before the header left out")
	default:
		p.told("%d lines before the header left out", skipped)
	}
	if exact == 1 {
		return nil
	}
	return p.chooseTime()
}

// unitsRow takes a row of units behind the header, if there is one: every cell that holds something is a word for a unit.
func (p *parser) unitsRow() error {
	look := p.ahead()
	line, ok := look.next()
	if !ok {
		return nil
	}
	cells := look.cells(latin(line))
	found := false
	for _, c := range cells {
		if c == "" {
			continue
		}
		if _, ok := unitWords[unitWord(c)]; !ok {
			return nil
		}
		found = true
	}
	if !found || len(cells) < len(p.names) {
		return nil
	}
	p.rest, p.line = look.rest, look.line
	for i := range p.names {
		p.units[i] = unitWord(cells[i])
	}
	p.own = false
	p.told("units from the row behind the header")
	return nil
}

// decimals finds out whether decimals follow a point or a comma: every number in the file must agree. Where commas separate columns, only a
// number in quotes can have one.
func (p *parser) decimals() error {
	if p.sep == ',' && bytes.IndexByte(p.rest, '"') < 0 {
		return nil
	}
	look := p.ahead()
	point, comma := 0, 0 // lines of the first of each
	for line, ok := look.next(); ok; line, ok = look.next() {
		for more := true; more; {
			var c []byte
			c, line, more = look.cell(line)
			c, _ = withUnit(c)
			if len(c) == 0 || len(bytes.Trim(c, "0123456789+-.,eE")) > 0 || bytes.Count(c, []byte("."))+bytes.Count(c, []byte(",")) != 1 {
				if bytes.IndexByte(c, ',') > 0 && bytes.IndexByte(c, '.') > 0 && len(bytes.Trim(c, "0123456789+-.,")) == 0 {
					return p.wrong(look.line, "", fmt.Sprintf("a number has a comma and a point, %.40q", c), "no separators of thousands")
				}
				continue
			}
			if bytes.IndexByte(c, ',') >= 0 {
				comma = max(comma, look.line)
			} else {
				point = max(point, look.line)
			}
			if point > 0 && comma > 0 {
				return p.wrong(look.line, "", fmt.Sprintf("numbers are written with points and with commas, here %.40q", c), "one of the two throughout, and no separators of thousands")
			}
		}
	}
	if p.comma = comma > 0; p.comma {
		p.plain, p.own = false, false
	}
	return nil
}
