package logfile

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// clock is how a log writes its moments.
type clock struct {
	kind  clockKind
	per   time.Duration // one unit of a number; 0: not known yet
	two   time.Duration // of the first of two parts ("5:12"): hour, or minute; 0 where two parts are not understood
	order dateOrder     // of dates with strokes
	begun bool
	zero  time.Time     // the first date and time; moments are counted from here
	days  time.Duration // midnights passed by a clock without dates
}

type clockKind int

const (
	numbers   clockKind = iota // 12.3
	ofDay                      // 0:05:12.5
	dateTimes                  // 2026-11-25 10:05:12
)

// dateOrder is what the first part of a date with strokes is.
type dateOrder int

const (
	same  dateOrder = iota // one date throughout, so that it does not matter
	day                    // day first
	month                  // month first
)

// timeNames are columns that can hold the moment, in lower case and without a unit.
var timeNames = map[string]string{
	"time": "", "elapsed": "", "elapsed time": "", "elapsed_time": "", "run time": "", "runtime": "", "time of day": "", "clock": "",
	"timestamp": "", "time stamp": "", "time_stamp": "", "datetime": "", "date time": "", "date_time": "", "date/time": "", "date and time": "",
	"seconds": "s", "sec": "s", "secs": "s", "minutes": "min", "milliseconds": "ms", "date": "date",
}

// timeUnits are what numbers in a time column can count.
var timeUnits = map[string]time.Duration{"s": time.Second, "sec": time.Second, "seconds": time.Second, "ms": time.Millisecond, "min": time.Minute, "h": time.Hour}

// timeName reports whether a column can hold the moment, and the unit that its name states.
func timeName(name string) (unit string, ok bool) {
	low := strings.ToLower(strings.TrimSpace(name))
	if unit, ok = timeNames[low]; ok {
		return unit, true
	}
	base, unit := splitUnit(low)
	for _, e := range [...]string{"s", "ms", "min", "h"} {
		if b, cut := strings.CutSuffix(low, "_"+e); cut && unit == "" {
			base, unit = b, e
		}
	}
	if _, known := timeNames[base]; known && base != "date" || base == "t" && !strings.HasPrefix(name, "T") {
		return unit, true
	}
	return "", false
}

// chooseTime finds the time in a header without time_s: a date and a time of day together, the only candidate, or the only one whose name
// states a unit.
func (p *parser) chooseTime() error {
	var all, united []int
	for i, n := range p.names {
		unit, ok := timeName(n)
		switch {
		case !ok:
		case unit == "date":
			p.dateAt = i
		default:
			all = append(all, i)
			if unit != "" {
				united = append(united, i)
			}
		}
	}
	switch {
	case len(all) == 0: // a column "date" alone, which then has the time in it
		p.timeAt, p.dateAt = p.dateAt, -1
	case len(all) == 1:
		p.timeAt = all[0]
	case len(united) == 1:
		p.timeAt, p.dateAt = united[0], -1
	default:
		return p.wrong(p.line, "", fmt.Sprintf("%q and %q could both be the time", p.names[all[0]], p.names[all[1]]), "one column for the time, best time_s")
	}
	return nil
}

// momentLike reports whether a text is a time of day or a date, so that it is no name of a column.
func momentLike(s string) bool {
	digits := 0
	for _, r := range s {
		switch {
		case r >= '0' && r <= '9':
			digits++
		case !strings.ContainsRune(":-./ ,TZ+", r):
			return false
		}
	}
	return digits >= 3 && strings.ContainsAny(s, ":-./")
}

// chooseClock decides how moments are written, by the first row.
func (p *parser) chooseClock() error {
	unit, _ := timeName(p.names[p.timeAt])
	if u := p.units[p.timeAt]; u != "" {
		unit = u
	}
	w := &p.when
	switch w.per = timeUnits[unit]; unit {
	case "mm:ss", "m:s", "min:s", "mm:ss.s":
		w.two = time.Minute
	case "hh:mm", "h:m":
		w.two = time.Hour
	}
	look := p.ahead()
	line, ok := look.next()
	if !ok {
		return nil // too few rows, which is said where they are read
	}
	cells := look.cells(line)
	if len(cells) <= max(p.timeAt, p.dateAt) {
		return nil
	}
	first := cells[p.timeAt]
	switch _, err := p.number([]byte(first)); {
	case p.dateAt >= 0:
		w.kind = dateTimes
	case err == nil || first == "" || w.per != 0: // who counts in seconds writes no h:m:s
	case strings.ContainsAny(first, "-/") || strings.Count(first, ".") > 1:
		w.kind = dateTimes
	case strings.Contains(first, ":"):
		w.kind = ofDay
	}
	return p.tellClock(unit)
}

// tellClock says how moments will be read.
func (p *parser) tellClock(unit string) error {
	w, name := &p.when, p.names[p.timeAt]
	switch w.kind {
	case numbers:
		if w.per == 0 {
			w.per = time.Second
			p.told("%q has no unit and is taken to be in seconds", name)
		} else if !strings.EqualFold(name, "time_s") {
			p.told("time from %q in %s", name, unit)
		}
	case ofDay:
		p.told("time from %q as h:m:s", name)
		if w.two == time.Minute {
			p.as[len(p.as)-1] = fmt.Sprintf("time from %q as m:s", name)
		}
	case dateTimes:
		if err := p.strokes(); err != nil {
			return err
		}
		from := fmt.Sprintf("time from %q", name)
		if p.dateAt >= 0 {
			from = fmt.Sprintf("time from %q and %q", p.names[p.dateAt], name)
		}
		p.told("%s as date and time%s", from, [...]string{"", ", day first", ", month first"}[w.order])
	}
	return nil
}

// strokes finds out what dates such as 11/25/2026 mean: a part above 12 is the day. If no part ever is, it matters only if the date changes.
func (p *parser) strokes() error {
	look, at := p.ahead(), p.timeAt
	if p.dateAt >= 0 {
		at = p.dateAt
	}
	var firstDate string
	changes, dayFirst, monthFirst := false, false, false
	for line, ok := look.next(); ok; line, ok = look.next() {
		var c []byte
		for k, more := 0, true; k <= at && more; k++ {
			c, line, more = look.cell(line)
		}
		date, _, _ := strings.Cut(string(c), " ")
		parts := strings.Split(date, "/")
		if len(parts) != 3 || len(parts[0]) == 4 {
			continue
		}
		a, _ := strconv.Atoi(parts[0])
		b, _ := strconv.Atoi(parts[1])
		dayFirst, monthFirst = dayFirst || a > 12, monthFirst || b > 12
		if firstDate == "" {
			firstDate = date
		}
		changes = changes || date != firstDate
	}
	switch {
	case dayFirst && monthFirst:
		return p.wrong(0, p.names[at], "has dates with the day first and others with the month first", "one order")
	case dayFirst:
		p.when.order = day
	case monthFirst:
		p.when.order = month
	case changes:
		return p.wrong(0, p.names[at], fmt.Sprintf("has dates such as %s, and nothing shows which part is the day", firstDate), "dates as 2026-11-25, or time_s")
	}
	return nil
}

// moment reads the time of a row, to the microsecond: finer than any logger, and coarse enough that seconds since 1970 in a
// float still rise. It must be later than that of the row before, or in the same second where a clock shows no fractions.
func (p *parser) moment(date, c []byte) (time.Duration, error) {
	var t time.Duration
	var ok bool
	switch w := &p.when; w.kind {
	case numbers:
		var s float64
		var err error
		s, err = p.number(c)
		s *= w.per.Seconds()
		ok = err == nil && math.Abs(s) <= maxSeconds
		t = time.Duration(math.Round(s*1e6)) * time.Microsecond
	case ofDay:
		t, ok = w.clock(string(c))
		// A clock that falls by half a day has passed midnight; one that falls by less goes back.
		if n := len(p.time); ok && n > 0 && t+w.days < p.time[n-1]-12*time.Hour {
			w.days += 24 * time.Hour
			p.told("midnight passed in line %d", p.line)
		}
		t += w.days
	case dateTimes:
		t, ok = w.dated(string(date), string(c))
	}
	if !ok {
		return 0, p.wrong(p.line, p.names[p.timeAt], fmt.Sprintf("is %.40q", strings.TrimSpace(string(date)+" "+string(c))), p.when.allowed())
	}
	if n := len(p.time); n > 0 && (t < p.time[n-1] || t == p.time[n-1] && !p.when.shares(t)) {
		return 0, p.wrong(p.line, p.names[p.timeAt], fmt.Sprintf("is %s after %g", c, p.time[n-1].Seconds()), "a later time on each row")
	}
	return t, nil
}

func (w *clock) allowed() string {
	switch w.kind {
	case ofDay:
		return "h:m:s, such as 0:05:12.5"
	case dateTimes:
		return "date and time, such as 2026-11-25 10:05:12"
	}
	return "seconds, such as 12.3"
}

// shares reports whether several rows may carry the moment t: a whole second of a clock that shows seconds.
func (w *clock) shares(t time.Duration) bool {
	return w.kind != numbers && w.two != time.Hour && t%time.Second == 0
}

// clock reads h:m:s with or without fractions, of a day or since the start; AM or PM behind it. Two parts only where a unit says which.
func (w *clock) clock(s string) (time.Duration, bool) {
	s = strings.ToLower(strings.TrimSpace(s))
	noon, half := time.Duration(0), false
	for _, h := range [...]string{"am", "pm"} {
		if bare, ok := strings.CutSuffix(s, h); ok {
			s, half = strings.TrimSpace(bare), true
			if h == "pm" {
				noon = 12 * time.Hour
			}
		}
	}
	parts, per := strings.Split(s, ":"), time.Hour
	switch {
	case len(parts) == 2 && w.two != 0:
		per = w.two
	case len(parts) != 3:
		return 0, false
	}
	var t time.Duration
	for i, part := range parts {
		if i == len(parts)-1 && per == time.Second {
			v, err := strconv.ParseFloat(strings.Replace(part, ",", ".", 1), 64)
			if err != nil || !(v >= 0 && v < 60) {
				return 0, false
			}
			t += time.Duration(math.Round(v*1e6)) * time.Microsecond
			break
		}
		n, err := strconv.ParseUint(part, 10, 16)
		if err != nil || i > 0 && n > 59 || half && i == 0 && !(n >= 1 && n <= 12) {
			return 0, false
		}
		if half && i == 0 {
			n %= 12
		}
		t += time.Duration(n) * per
		per /= 60
	}
	return t + noon, true
}

// dated reads a date and a time of day, as a span from the first of the log. Without an offset from UTC all rows are taken to be on one clock.
func (w *clock) dated(date, at string) (time.Duration, bool) {
	if date == "" {
		i := strings.IndexAny(at, "T ")
		if i < 0 {
			return 0, false
		}
		date, at = at[:i], strings.TrimSpace(at[i+1:])
	}
	d, ok := w.date(date)
	if !ok {
		return 0, false
	}
	at, zone := strings.TrimSpace(strings.TrimSuffix(strings.TrimSuffix(at, "Z"), "UTC")), time.Duration(0)
	if i := strings.LastIndexAny(at, "+-"); i > 0 {
		h, err := time.Parse("-0700", strings.Replace(at[i:], ":", "", 1))
		if err != nil {
			return 0, false
		}
		_, east := h.Zone()
		at, zone = strings.TrimSpace(at[:i]), time.Duration(east)*time.Second
	}
	t, ok := w.clock(at)
	if !ok || t >= 24*time.Hour {
		return 0, false
	}
	now := d.Add(t - zone)
	if !w.begun {
		w.begun, w.zero = true, now
	}
	span := now.Sub(w.zero)
	return span, span > -math.MaxInt64/2 && span < math.MaxInt64/2 && math.Abs(span.Seconds()) <= maxSeconds
}

// date reads 2026-11-25, 2026/11/25, 25.11.2026, 25-11-2026, and dates with strokes in the order that was found.
func (w *clock) date(s string) (time.Time, bool) {
	parts := strings.FieldsFunc(s, func(r rune) bool { return r == '-' || r == '.' || r == '/' })
	if len(parts) != 3 {
		return time.Time{}, false
	}
	y, m, d := parts[2], parts[1], parts[0]
	switch {
	case len(parts[0]) == 4:
		y, d = parts[0], parts[2]
	case w.order == month && strings.Contains(s, "/"):
		m, d = d, m
	}
	t, err := time.Parse("2006-1-2", y+"-"+m+"-"+d)
	if err != nil && w.order == same && strings.Contains(s, "/") {
		t, err = time.Parse("2006-1-2", y+"-"+d+"-"+m)
	}
	return t, err == nil
}

// spread moves rows that carry the same second evenly over it. Their true moments are not known to better than that.
func (p *parser) spread() {
	moved := 0
	for i := 0; i < len(p.time); {
		n := i + 1
		for n < len(p.time) && p.time[n] == p.time[i] {
			n++
		}
		for k := i + 1; k < n; k++ {
			p.time[k] += time.Duration(k-i) * time.Second / time.Duration(n-i)
			moved++
			for c := range p.readings {
				p.readings[c][k].At = p.time[k]
			}
		}
		i = n
	}
	if moved > 0 {
		p.told("rows that carry the same second are spread evenly over it (%d moved)", moved)
	}
}

func itoa(i int) string { return strconv.Itoa(i) }
