// Package witness reads what the kernel's own trace says of GPIO lines and answers questions about it: when did these lines go low for
// good, has one ever become an input, was it high before it should. It is pure: no clock and no file.
//
// The events are gpio:gpio_value and gpio:gpio_direction (kernel, include/trace/events/gpio.h), stamped with the monotonic clock. They are
// written when the kernel calls the chip's driver. What a driver does by itself, for instance when a line is let go, is not among them.
package witness

import (
	"bufio"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"
)

// Kind is what happened to a line.
type Kind uint8

// What the trace tells. A read of a line is not kept.
const (
	Set       Kind = iota // the kernel drove it, or set what it will drive
	BecameIn              // it was made an input
	BecameOut             // it was made an output
)

// Event is one call of the kernel to a chip's driver.
type Event struct {
	At   time.Duration // on the monotonic clock
	Task string        // who was running: name and number
	Line int           // in the kernel's flat numbering
	Kind Kind
	High bool // of Set
}

// Parse reads a trace. Lines that are comments or about something else are passed over; a line about GPIO that cannot be understood is an
// error, because a witness that overlooks things is none.
func Parse(r io.Reader) ([]Event, error) {
	var out []Event
	lines := bufio.NewScanner(r)
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		text := lines.Text()
		if strings.HasPrefix(text, "#") {
			if lost := strings.Contains(text, "LOST"); lost {
				return nil, fmt.Errorf("witness: events were lost: %q", text)
			}
			continue
		}
		head, rest, ok := strings.Cut(text, ": gpio_")
		if !ok {
			continue
		}
		e, keep, err := event(head, rest)
		if err != nil {
			return nil, fmt.Errorf("witness: %q: %w", text, err)
		}
		if keep {
			out = append(out, e)
		}
	}
	return out, lines.Err()
}

// event takes apart "trivet-71 [000] ..... 12.345678" and "value: 1022 set 1" or "direction: 1022 out (0)".
func event(head, rest string) (Event, bool, error) {
	h, f := strings.Fields(head), strings.Fields(rest)
	if len(h) < 3 || len(f) != 4 {
		return Event{}, false, fmt.Errorf("%d and %d words", len(h), len(f))
	}
	at, err := stamp(h[len(h)-1])
	if err != nil {
		return Event{}, false, err
	}
	e := Event{At: at, Task: h[0]}
	if e.Line, err = strconv.Atoi(f[1]); err != nil {
		return e, false, err
	}
	switch f[0] + " " + f[2] {
	case "value: set":
		e.Kind, e.High = Set, f[3] != "0"
	case "value: get":
		return e, false, nil
	case "direction: in":
		e.Kind = BecameIn
	case "direction: out":
		e.Kind = BecameOut
	default:
		return e, false, fmt.Errorf("neither value nor direction")
	}
	return e, true, nil
}

// stamp reads seconds with a fraction without going through a float: the digits are microseconds.
func stamp(s string) (time.Duration, error) {
	whole, part, ok := strings.Cut(s, ".")
	sec, err := strconv.ParseInt(whole, 10, 64)
	if !ok || err != nil || len(part) != 6 {
		return 0, fmt.Errorf("time is %q; seconds with six digits behind the point are expected", s)
	}
	us, err := strconv.ParseInt(part, 10, 64)
	return time.Duration(sec)*time.Second + time.Duration(us)*time.Microsecond, err
}

// Since returns the events from a moment on.
func Since(events []Event, moment time.Duration) []Event {
	for i, e := range events {
		if e.At >= moment {
			return events[i:]
		}
	}
	return nil
}

// Lines is a set of lines.
type Lines map[int]bool

// Low is what became of a set of lines after a moment.
type Low struct {
	WereHigh int           // how many of them were high at that moment
	Low      bool          // all are low at the end, and no event made one of them an input
	For      time.Duration // from the moment until the last of them went low for good; 0 if none was high afterwards
	Calls    int           // how many calls there were after the moment
}

// LowAfter tells what became of lines after a moment, up to the end of the trace.
func LowAfter(events []Event, lines Lines, moment time.Duration) Low {
	high, was := map[int]bool{}, map[int]bool{}
	var l Low
	input := false
	for _, e := range events {
		if !lines[e.Line] {
			continue
		}
		if e.At > moment {
			l.Calls++
		} else if e.Kind == Set {
			was[e.Line] = e.High
		}
		switch {
		case e.Kind == BecameIn:
			input = true
		case e.Kind == Set && high[e.Line] && !e.High && e.At > moment:
			l.For = e.At - moment
			high[e.Line] = false
		case e.Kind == Set:
			high[e.Line] = e.High
		}
	}
	for _, h := range was {
		if h {
			l.WereHigh++
		}
	}
	l.Low = !input
	for _, h := range high {
		l.Low = l.Low && !h
	}
	return l
}

// Inputs counts how often one of the lines was made an input, and names the first.
func Inputs(events []Event, lines Lines) (n int, first Event) {
	for _, e := range events {
		if lines[e.Line] && e.Kind == BecameIn {
			if n++; n == 1 {
				first = e
			}
		}
	}
	return n, first
}

// Start is how lines came to life.
type Start struct {
	Taken     int           // lines that became an output
	LowFirst  int           // of these: set low before or with that, and never high before
	FirstHigh time.Duration // when the first of them went high; 0 for never
}

// Began tells how lines came to life.
func Began(events []Event, lines Lines) Start {
	var s Start
	low, out := map[int]bool{}, map[int]bool{}
	spoiled := map[int]bool{}
	for _, e := range events {
		if !lines[e.Line] {
			continue
		}
		switch {
		case e.Kind == Set && !out[e.Line]:
			low[e.Line] = !e.High
			spoiled[e.Line] = spoiled[e.Line] || e.High
		case e.Kind == Set && e.High && s.FirstHigh == 0:
			s.FirstHigh = e.At
		case e.Kind == BecameOut && !out[e.Line]:
			out[e.Line] = true
			s.Taken++
			if low[e.Line] && !spoiled[e.Line] {
				s.LowFirst++
			}
		}
	}
	return s
}

// Pulses counts how often one of the lines went high before a moment.
func Pulses(events []Event, lines Lines, before time.Duration) int {
	n, high := 0, map[int]bool{}
	for _, e := range events {
		if lines[e.Line] && e.Kind == Set && e.At < before {
			if e.High && !high[e.Line] {
				n++
			}
			high[e.Line] = e.High
		}
	}
	return n
}

// Edges returns when a line changed.
func Edges(events []Event, line int) []time.Duration {
	var out []time.Duration
	high := false
	for _, e := range events {
		if e.Line == line && e.Kind == Set && e.High != high {
			high = e.High
			out = append(out, e.At)
		}
	}
	return out
}
