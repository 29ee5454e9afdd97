package logfile

import (
	"bytes"
	"strings"
)

// scale is the unit of a temperature column.
type scale int

const (
	unsaid scale = iota
	celsius
	fahrenheit
	another // no temperature in °C or °F
)

func (s scale) String() string {
	if s == fahrenheit {
		return "°F"
	}
	return "°C"
}

// unitWords are what a row of units or a bracket behind a name may say. Kelvin counts as another unit: in logs it is a difference as often as a
// temperature.
var unitWords = map[string]scale{
	"c": celsius, "°c": celsius, "degc": celsius, "deg c": celsius, "celsius": celsius, "º c": celsius, "ºc": celsius, "° c": celsius,
	"f": fahrenheit, "°f": fahrenheit, "degf": fahrenheit, "deg f": fahrenheit, "fahrenheit": fahrenheit, "ºf": fahrenheit, "° f": fahrenheit,
	"s": another, "sec": another, "seconds": another, "ms": another, "min": another, "h": another, "h:m:s": another, "hh:mm:ss": another, "mm:ss": another, "m:s": another,
	"k": another, "w": another, "kw": another, "v": another, "mv": another, "a": another, "%": another, "pct": another, "hz": another, "rpm": another, "-": another,
	"c/s": another, "°c/s": another, "date": another, "time": another,
}

// unitWord brings a unit to the form of unitWords.
func unitWord(s string) string {
	return strings.ToLower(strings.TrimSpace(strings.Trim(strings.TrimSpace(s), "()[]")))
}

// otherUnits are endings of names that say a column is no temperature in °C.
var otherUnits = [...]string{"_w", "_kw", "_pct", "_percent", "_duty", "_v", "_mv", "_a", "_s", "_ms", "_hz", "_rpm", "_c_per_s", "_k"}

// scaleOf is what a name, in any case, says of its unit: an ending, a bracket, or what stands behind a stroke as in "T / °C".
func scaleOf(name string) scale {
	low := strings.ToLower(strings.TrimSpace(name))
	for _, e := range otherUnits {
		if strings.HasSuffix(low, e) {
			return another
		}
	}
	for _, e := range [...]struct {
		scale scale
		ends  []string
	}{{celsius, []string{"_c", "_degc", "°c"}}, {fahrenheit, []string{"_f", "_degf", "°f"}}} {
		for _, end := range e.ends {
			if strings.HasSuffix(low, end) {
				return e.scale
			}
		}
	}
	if _, u := splitUnit(low); u != "" {
		if s, ok := unitWords[u]; ok {
			return s
		}
	}
	switch {
	case strings.Contains(low, "°f") || strings.Contains(low, "fahrenheit"):
		return fahrenheit
	case strings.Contains(low, "celsius"):
		return celsius
	}
	return unsaid
}

// splitUnit parts a name in lower case into what comes before its unit and the unit: "joint (°c)", "joint [c]", "t / s".
func splitUnit(low string) (base, unit string) {
	if n := len(low); n > 2 && (low[n-1] == ')' || low[n-1] == ']') {
		if i := strings.LastIndexAny(low, "(["); i >= 0 {
			return strings.TrimSpace(low[:i]), unitWord(low[i:])
		}
	}
	if i := strings.LastIndexByte(low, '/'); i > 0 {
		if u := unitWord(low[i+1:]); unitWords[u] != unsaid && u != "time" {
			return strings.TrimSpace(low[:i]), u
		}
	}
	return low, ""
}

// withUnit takes the unit off a cell such as "25.3 °C". Only what follows a digit is one.
func withUnit(c []byte) (bare []byte, s scale) {
	n := len(c)
	if n == 0 || c[n-1] >= '0' && c[n-1] <= '9' {
		return c, unsaid
	}
	bare = bytes.TrimRight(c, "cCfF")
	if len(bare) != n-1 {
		return c, unsaid
	}
	s = celsius
	if c[n-1]|0x20 == 'f' {
		s = fahrenheit
	}
	bare = bytes.TrimSpace(bytes.TrimSuffix(bytes.TrimSuffix(bare, []byte("°")), []byte{0xb0}))
	if m := len(bare); m == 0 || !(bare[m-1] >= '0' && bare[m-1] <= '9' || bare[m-1] == '.') {
		return c, unsaid
	}
	return bare, s
}

// chooseColumns decides which columns are temperatures. It looks at the first row with something in a column, and
// leaves the row to be read.
func (p *parser) chooseColumns() error {
	// One column with its unit in the name is a sign of a log that names all its units; then the rest are not guessed at.
	numeric, inCell := p.numeric()
	scales := make([]scale, len(p.names))
	for i, n := range p.names {
		if scales[i] = unitWords[p.units[i]]; scales[i] == unsaid {
			scales[i] = scaleOf(n)
		}
		if scales[i] == unsaid {
			scales[i] = inCell[i]
		}
		p.marked = p.marked || i != p.timeAt && i != p.dateAt && (scales[i] == celsius || scales[i] == fahrenheit)
	}
	p.slot = make([]int, len(p.names))
	var hot []string
	for i, n := range p.names {
		p.slot[i] = -1
		switch {
		case i == p.timeAt || i == p.dateAt || scales[i] == another:
			continue
		case p.marked && scales[i] == unsaid, !numeric[i] && !p.marked:
			p.dropped = append(p.dropped, n)
			continue
		}
		if n == "" {
			return p.wrong(p.line, "", "column "+itoa(i+1)+" has no name", "a name for each column")
		}
		for _, other := range p.temps {
			if strings.EqualFold(other, n) {
				return p.wrong(p.line, n, "is there twice", "a name of its own for each column")
			}
		}
		if scales[i] == unsaid {
			scales[i] = celsius
		} else if scales[i] == fahrenheit {
			hot = append(hot, n)
		}
		p.slot[i] = len(p.temps)
		p.temps, p.scale = append(p.temps, n), append(p.scale, scales[i])
	}
	if len(p.temps) == 0 {
		return p.wrong(p.line, "", "no column holds temperatures", "one or more columns in °C, with names that end in _c")
	}
	if len(hot) > 0 {
		p.told("from °F: %s", strings.Join(hot, ", "))
	}
	if !p.marked {
		p.told("no column says its unit, so all are taken to be in °C")
	}
	return nil
}

// numeric looks ahead, once for all columns, for the first cell of each that holds something, and reports which of those
// are numbers, and which carry a unit of their own. A column in which nothing ever stands counts as numbers that are missing.
func (p *parser) numeric() (numeric []bool, own []scale) {
	numeric, own, open := make([]bool, len(p.names)), make([]scale, len(p.names)), len(p.names)
	decided := make([]bool, len(p.names))
	for i := range numeric {
		numeric[i] = true
	}
	ahead := p.ahead()
	for line, ok := ahead.next(); ok && open > 0; line, ok = ahead.next() {
		more := true
		for i := 0; i < len(decided) && more; i++ {
			var c []byte
			if c, line, more = ahead.cell(line); decided[i] || missing(c) {
				continue
			}
			bare, s := withUnit(c)
			_, err := p.number(bare)
			numeric[i], own[i], decided[i] = err == nil, s, true
			open--
		}
	}
	return numeric, own
}
