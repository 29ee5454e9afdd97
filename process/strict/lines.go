package strict

import (
	"bytes"
	"fmt"
	"sort"
	"strings"

	"github.com/pelletier/go-toml/v2/unstable"
)

const (
	maxDepth    = 16    // how far the index looks into lists: what lies deeper is blamed on the line of what holds it
	maxElements = 10000 // of one list
)

// Lines knows the line of every key of one file. Whoever has more than one problem to place takes it once, since
// finding the lines costs as much as reading the file does.
type Lines struct{ of map[string]int }

// LinesOf finds the lines of a file. One that is too large, or refused for its keys, has none.
func LinesOf(data []byte) Lines {
	if len(data) > MaxSize {
		return Lines{}
	}
	lines, err := indexLines(data)
	if err != nil {
		return Lines{}
	}
	return Lines{lines}
}

// At returns the line, from 1, on which a key stands, written as in a Problem: At("segment[2].ramp_c_per_s"). A key
// that is not there gets the line of the nearest table around it that is, and 0 if there is none.
func (l Lines) At(key string) int { return nearest(l.of, key) }

// Present reports whether a key, written as for At, is in the file.
func (l Lines) Present(key string) bool { return l.of[key] > 0 }

// Line is At for a path: Line(data, "segment", 2, "ramp_c_per_s"), with the index of a list element from 0.
func Line(data []byte, keyPath ...any) int {
	path := ""
	for _, k := range keyPath {
		switch k := k.(type) {
		case int:
			path += fmt.Sprintf("[%d]", k)
		default:
			path = join(path, fmt.Sprint(k))
		}
	}
	return At(data, path)
}

// At is Lines.At for a single question.
func At(data []byte, key string) int { return LinesOf(data).At(key) }

// Present is Lines.Present for a single question.
func Present(data []byte, key string) bool { return LinesOf(data).Present(key) }

// nearest returns the line of key, or of the nearest table or list around it that has one, or 0.
func nearest(lines map[string]int, key string) int {
	for key != "" {
		if line, ok := lines[key]; ok {
			return line
		}
		cut := strings.LastIndexAny(key, ".[")
		if cut < 0 {
			break
		}
		key = key[:cut]
	}
	return 0
}

// join puts a key behind the table it is in. A quoted key with a dot in it looks like two; for finding a line that
// does not matter.
func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}

// refused says why a file is not looked at any further.
type refused struct {
	line          int
	what, allowed string
}

// indexer walks the expressions of a file and remembers where every key stands.
type indexer struct {
	parser   unstable.Parser
	newlines []int          // offsets
	lines    map[string]int // by key
	lists    map[string]int // how many [[tables]] of a name there have been
	children map[string]int // by table: how many keys it has
	prefix   string         // the table we are in
	err      *refused
}

// indexLines returns the line of every key. A file that is not TOML gives the lines up to the mistake: the reader
// proper says what is wrong with it.
func indexLines(data []byte) (map[string]int, *refused) {
	// Offsets of line ends first: a binary search for each key is cheap, counting lines from the top for each is not.
	x := &indexer{lines: map[string]int{}, lists: map[string]int{}, children: map[string]int{}}
	for at := 0; ; {
		n := bytes.IndexByte(data[at:], '\n')
		if n < 0 {
			break
		}
		at += n + 1
		x.newlines = append(x.newlines, at-1)
	}
	x.parser.Reset(data)
	for x.err == nil && x.parser.NextExpression() {
		switch e := x.parser.Expression(); e.Kind {
		case unstable.Table, unstable.ArrayTable:
			x.header(e)
		case unstable.KeyValue:
			x.keyValue(x.prefix, e, 0)
		}
	}
	return x.lines, x.err
}

// line returns the line a node stands on, or fallback for the few nodes that do not know: lists, and empty text.
func (x *indexer) line(n *unstable.Node, fallback int) int {
	if n.Raw.Length == 0 {
		return fallback
	}
	return 1 + sort.SearchInts(x.newlines, int(n.Raw.Offset))
}

// note remembers where key stands, the first time it is met. A long key is refused: every key below it would carry it
// along, and a few hundred kilobytes of them would become gigabytes of names. So are more keys than anybody writes.
func (x *indexer) note(table, key string, line int) {
	if len(key) > maxKey {
		x.err = &refused{line, fmt.Sprintf("the key %.40s… is longer than %d characters", key, maxKey), "short names"}
		return
	}
	if _, ok := x.lines[key]; ok {
		return
	}
	x.lines[key] = line
	x.children[table]++
	switch {
	case x.children[table] > maxTableKeys:
		x.err = &refused{line, fmt.Sprintf("%.40s has more than %d keys", orFile(table), maxTableKeys), "fewer"}
	case len(x.lines) > maxKeys:
		x.err = &refused{line, fmt.Sprintf("the file has more than %d keys and elements", maxKeys), "fewer"}
	}
}

// element is note for an element of a list: it is no key of a table.
func (x *indexer) element(key string, line int) {
	x.note(key, key, line)
}

// orFile names the table that is the file itself.
func orFile(table string) string {
	if table == "" {
		return "the file"
	}
	return table
}

// header enters a [table] or a [[table]]. Each further [[table]] of a name is the next element of its list, and a
// [table] below a list belongs to its latest element, as TOML has it.
func (x *indexer) header(e *unstable.Node) {
	path, line := "", 0
	for it := e.Key(); it.Next() && x.err == nil; {
		n := it.Node()
		line = x.line(n, line)
		table := path
		path = join(path, string(n.Data))
		last := it.IsLast()
		if last && e.Kind == unstable.ArrayTable {
			x.lists[path]++
			x.note(table, path, line)
		}
		if count := x.lists[path]; count > 0 {
			path = fmt.Sprintf("%s[%d]", path, count-1)
			x.element(path, line)
			continue
		}
		x.note(table, path, line)
	}
	x.prefix = path
}

// keyValue notes a key, which may be dotted, and what is inside its value. Each part of a dotted key is a table that may
// be met here for the first time.
func (x *indexer) keyValue(prefix string, e *unstable.Node, depth int) {
	path, line := prefix, 0
	for it := e.Key(); it.Next() && x.err == nil; {
		line = x.line(it.Node(), line)
		table := path
		path = join(path, string(it.Node().Data))
		x.note(table, path, line)
	}
	x.value(path, e.Value(), line, depth)
}

// value notes the keys of inline tables and the elements of lists, as deep as maxDepth. What lies deeper has no line of
// its own and gets that of what holds it, which is where a person would begin to look.
func (x *indexer) value(path string, v *unstable.Node, line, depth int) {
	if depth >= maxDepth || x.err != nil {
		return
	}
	switch v.Kind {
	case unstable.InlineTable:
		for it := v.Children(); it.Next() && x.err == nil; {
			if n := it.Node(); n.Kind == unstable.KeyValue {
				x.keyValue(path, n, depth+1)
			}
		}
	case unstable.Array:
		i := 0 // scalars inside a list that spans lines know their own line; the list itself does not
		for it := v.Children(); it.Next() && x.err == nil; i++ {
			if i == maxElements {
				x.err = &refused{line, fmt.Sprintf("%.40s has more than %d elements", path, maxElements), "fewer"}
				return
			}
			at := fmt.Sprintf("%s[%d]", path, i)
			line = x.line(it.Node(), line)
			x.element(at, line)
			x.value(at, it.Node(), line, depth+1)
		}
	}
}
