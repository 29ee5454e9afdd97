// Package strict reads TOML so that a mistake cannot pass: an unknown key, a wrong type or a number that is none is
// an error, and every one in a file is told at once, each with its line and with what is allowed there.
//
// It decodes bytes it is given and does no I/O. What a value may be is the caller's to check; Line and At find the
// line to blame.
package strict

import (
	"errors"
	"fmt"
	"reflect"
	"strings"

	"github.com/pelletier/go-toml/v2"
)

// Limits on what is looked at, so that a hostile or mistaken file costs at most some 50 ms. A description of a machine is
// a few kilobytes, a profile of 200 segments has 1600 keys; these are generous.
const (
	MaxSize      = 128 << 10 // bytes
	maxKey       = 256       // bytes in a key with all its tables
	maxTableKeys = 500       // in one table: the TOML reader compares each new key with all before it
	maxKeys      = 20000     // in all, elements of lists included
	maxProblems  = 50        // told at once
)

// Problem is one mistake in a file.
type Problem struct {
	File    string
	Line    int    // from 1; 0 when it belongs to no line
	Key     string // such as "segment[2].ramp_c_per_s", array elements counted from 0; empty for the whole file
	What    string
	Allowed string // may be empty
}

// String returns the problem as one line: file:line: key: what is wrong; allowed: ….
func (p Problem) String() string {
	var b strings.Builder
	b.WriteString(p.File)
	if p.Line > 0 {
		fmt.Fprintf(&b, ":%d", p.Line)
	}
	b.WriteString(": ")
	if p.Key != "" {
		b.WriteString(p.Key + ": ")
	}
	b.WriteString(p.What)
	if p.Allowed != "" {
		b.WriteString("; allowed: " + p.Allowed)
	}
	return b.String()
}

// Problems is every mistake found in a file, in the order of its lines.
type Problems []Problem

// Error returns one line per problem.
func (p Problems) Error() string {
	lines := make([]string, len(p))
	for i := range p {
		lines[i] = p[i].String()
	}
	return strings.Join(lines, "\n")
}

// Placed reports whether the message names its file itself, so that whoever prints it need not.
func (p Problems) Placed() bool { return len(p) > 0 && p[0].File != "" }

// Decode reads TOML from data into out, a pointer to a struct with toml tags. The error is of type Problems.
// file is only a name to put into messages. When there is an error, out is untouched unless the last step failed.
//
// Keys must be spelled exactly as in the tag. Whole numbers are accepted where a number is wanted; inf and nan,
// which TOML has, are refused everywhere, because nothing here can use them.
func Decode(file string, data []byte, out any) error {
	if len(data) > MaxSize {
		return Problems{{File: file, What: fmt.Sprintf("the file has %d bytes", len(data)), Allowed: fmt.Sprintf("at most %d", MaxSize)}}
	}
	t := reflect.TypeOf(out)
	if t == nil || t.Kind() != reflect.Pointer || t.Elem().Kind() != reflect.Struct || reflect.ValueOf(out).IsNil() {
		return Problems{{File: file, What: fmt.Sprintf("cannot be read into %T", out), Allowed: "a pointer to a struct"}}
	}
	// The lines first: they are found without recursion into the keys, so a key with a hundred thousand dots is
	// refused before anything nests that deep.
	lines, err := indexLines(data)
	if err != nil {
		return Problems{{File: file, Line: err.line, What: err.what, Allowed: err.allowed}}
	}
	var doc map[string]any
	if err := toml.Unmarshal(data, &doc); err != nil {
		return Problems{syntax(file, err)}
	}
	w := walker{file: file, lines: lines}
	w.table("", doc, t.Elem())
	if len(w.problems) > 0 {
		return w.sorted()
	}
	if err := toml.Unmarshal(data, out); err != nil {
		return Problems{syntax(file, err)}
	}
	return nil
}

// syntax turns an error of the TOML reader into a problem.
func syntax(file string, err error) Problem {
	p := Problem{File: file, What: "is not TOML: " + strings.TrimPrefix(err.Error(), "toml: ")}
	var at *toml.DecodeError
	if errors.As(err, &at) {
		p.Line, _ = at.Position()
		p.Key = strings.Join(at.Key(), ".")
	}
	return p
}
