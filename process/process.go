// Package process holds what is heated and whether it came out right: solder alloys, profiles, the plan a
// controller follows, the process window with the source of every limit, and the verdict on a recorded trace.
//
// It is pure: no clock, no goroutine, no I/O, no logging. Time comes in as a duration since the start of a run.
// It never acts on hardware, and nothing here can add heat or loosen a cut-off: a limit in a window judges a run,
// the limits that remove heat live in package safety.
//
// The process limits were read in secondary copies of the standards or are common practice of the trade; each row
// says which. Conformity with a standard is not claimed.
package process

import (
	"fmt"
	"strings"
)

// Kind is what a run is for. The words are stored and sent: do not rename them.
type Kind string

// The kinds of run.
const (
	Removal   Kind = "removal"   // take a part off; the part is lifted while every joint is molten
	Placement Kind = "placement" // put a part on; the joints are to be kept
	Reball    Kind = "reball"    // put new balls on a part that is off the board
	Dressing  Kind = "dressing"  // hold the site warm while somebody cleans it with iron and wick; what else is on the board stays solid
	Preheat   Kind = "preheat"   // warm a board for work by hand, and nothing else
)

// Kinds lists every kind of run, in the order in which people meet them.
func Kinds() []Kind { return []Kind{Removal, Placement, Reball, Dressing, Preheat} }

// Melts reports whether joints are to melt in a run of this kind.
func (k Kind) Melts() bool { return k != Dressing && k != Preheat }

// kindWords lists the kinds as a person would.
func kindWords() string {
	var w []string
	for _, k := range Kinds() {
		w = append(w, string(k))
	}
	return strings.Join(w, ", ")
}

// ParseKind returns the kind that is spelled s, ignoring case, or an error that lists the kinds there are.
func ParseKind(s string) (Kind, error) {
	for _, k := range Kinds() {
		if strings.EqualFold(strings.TrimSpace(s), string(k)) {
			return k, nil
		}
	}
	return "", fmt.Errorf("kind %q is not known; allowed: %s", s, kindWords())
}

// Problem is one thing that is wrong with a description, named by its key as it is written in a file.
type Problem struct {
	Key     string // such as "segment[2].ramp_c_per_s", counted from 0; empty for the whole
	What    string // what is wrong, with the value that was found
	Allowed string // what would be right
}

// String returns the problem as one line.
func (p Problem) String() string {
	s := p.What
	if p.Key != "" {
		s = p.Key + ": " + s
	}
	if p.Allowed != "" {
		s += "; allowed: " + p.Allowed
	}
	return s
}

// Problems is every problem found at once, so that nobody has to mend a description one mistake at a time.
type Problems []Problem

// Error returns one line per problem.
func (p Problems) Error() string {
	lines := make([]string, len(p))
	for i := range p {
		lines[i] = p[i].String()
	}
	return strings.Join(lines, "\n")
}

// add notes a problem.
func (p *Problems) add(key, what, allowed string) {
	*p = append(*p, Problem{Key: key, What: what, Allowed: allowed})
}

// err returns the problems as an error, or nil if there are none.
func (p Problems) err() error {
	if len(p) == 0 {
		return nil
	}
	return p
}
