package strict

import (
	"encoding"
	"fmt"
	"maps"
	"math"
	"reflect"
	"slices"
	"sort"
	"strings"
	"time"
)

// walker compares a document with the type it is meant for and collects what does not fit. The TOML reader's own strict
// mode finds unknown keys too, but stops at the first wrong type and cannot say what is allowed.
type walker struct {
	file     string
	lines    map[string]int
	problems []finding
}

// finding is a problem on its way to being told. Of a file with thousands only the first few are, so that what takes
// long, looking for the key that was meant, waits until then.
type finding struct {
	Problem
	wrote  string  // a key that is not known,
	fields []field // and those that are; nil for every other problem
}

func (w *walker) add(key, what, allowed string) {
	w.problems = append(w.problems, finding{Problem: Problem{File: w.file, Line: nearest(w.lines, key), Key: key, What: what, Allowed: allowed}})
}

// unknown notes a key that is none of fields.
func (w *walker) unknown(path, key string, fields []field) {
	w.add(join(path, key), "is not a key that is known here", "")
	f := &w.problems[len(w.problems)-1]
	f.wrote, f.fields = key, fields
}

// told is the problem with the hints that were put off.
func (f finding) told() Problem {
	if f.fields == nil {
		return f.Problem
	}
	if near := nearestKey(f.wrote, f.fields); near != "" {
		f.What += "; did you mean " + near + "?"
	}
	f.Allowed = allowedKeys(f.fields)
	return f.Problem
}

// sorted returns the problems by line, and no more than a person reads.
func (w *walker) sorted() Problems {
	sort.SliceStable(w.problems, func(i, j int) bool { return w.problems[i].Line < w.problems[j].Line })
	var p Problems
	for _, f := range w.problems[:min(len(w.problems), maxProblems)] {
		p = append(p, f.told())
	}
	if more := len(w.problems) - maxProblems; more > 0 {
		p = append(p, Problem{File: w.file, What: fmt.Sprintf("%d more problems like these", more)})
	}
	return p
}

// table compares one table with a struct type. A key that is missing is not noticed here: only the caller knows which
// ones may be.
func (w *walker) table(path string, doc map[string]any, t reflect.Type) {
	// No limit on depth is needed: the walk goes only as deep as the type does.
	fields := fieldsOf(t)
	for _, k := range slices.Sorted(maps.Keys(doc)) { // sorted, so that the same file always gets the same message
		if i := slices.IndexFunc(fields, func(f field) bool { return f.key == k }); i >= 0 {
			w.value(join(path, k), doc[k], fields[i].typ)
			continue
		}
		w.unknown(path, k, fields)
	}
}

// field is one key a table may have.
type field struct {
	key string
	typ reflect.Type
}

// fieldsOf lists the keys of a struct in the order of its fields. Fields without a toml tag are not keys, except
// embedded structs, whose keys are those of the table around them.
func fieldsOf(t reflect.Type) []field {
	var fields []field
	// The toml tag is the key as it is spelled in files. The reader itself would also accept the field's name in any
	// case; here a key has one spelling, so that searching files for it finds every use.
	for i := range t.NumField() {
		f := t.Field(i)
		tag, _, _ := strings.Cut(f.Tag.Get("toml"), ",")
		switch {
		case tag == "-" || !f.IsExported() && !f.Anonymous:
		case tag != "":
			fields = append(fields, field{tag, f.Type})
		case f.Anonymous && f.Type.Kind() == reflect.Struct:
			fields = append(fields, fieldsOf(f.Type)...)
		}
	}
	return fields
}

// allowedKeys lists keys as a person would look for them: in the order of the documentation, which is that of the fields.
func allowedKeys(fields []field) string {
	keys := make([]string, len(fields))
	for i, f := range fields {
		keys[i] = f.key
	}
	return strings.Join(keys, ", ")
}

// nearestKey returns the allowed key that was probably meant: one that begins with what was written (its unit was
// forgotten), or one a few letters away.
func nearestKey(wrote string, fields []field) string {
	// A third of the letters may differ, and always two; beyond that a guess misleads more than it helps.
	wrote = strings.ToLower(wrote)
	best, least := "", 1+max(2, len(wrote)/3)
	for _, f := range fields {
		if f.key == wrote || len(wrote) >= 3 && strings.HasPrefix(f.key, wrote+"_") {
			return f.key
		}
		if d := distance(wrote, f.key); d < least {
			best, least = f.key, d
		}
	}
	return best
}

// distance is how many letters must be added, dropped or changed to make b of a (Levenshtein), with one row of memory.
func distance(a, b string) int {
	// row[j] is the distance from what was read of a to the first j letters of b; diagonal is its left upper neighbour.
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			change := diagonal
			if a[i] != b[j] {
				change++
			}
			diagonal = row[j+1]
			row[j+1] = min(change, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}

// isText reports whether values of t are written as text that t itself reads.
func isText(t reflect.Type) bool {
	return reflect.PointerTo(t).Implements(reflect.TypeFor[encoding.TextUnmarshaler]()) && t != reflect.TypeFor[time.Time]()
}

// value compares one value with the type it is meant for. Pointers mean "may be left out" and are looked through.
func (w *walker) value(path string, v any, t reflect.Type) {
	for t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	// A type that reads its own text (a kind, a role) also knows best what is wrong with it: its message is passed on.
	wrong := func() { w.add(path, "is "+describe(v), wanted(t)) }
	if isText(t) {
		s, ok := v.(string)
		if !ok {
			wrong()
		} else if err := reflect.New(t).Interface().(encoding.TextUnmarshaler).UnmarshalText([]byte(s)); err != nil {
			w.add(path, err.Error(), "")
		}
		return
	}
	switch t.Kind() {
	case reflect.Interface: // whoever asks for anything gets anything
	case reflect.Struct:
		switch doc, ok := v.(map[string]any); {
		case ok:
			w.table(path, doc, t)
		case reflect.TypeOf(v) != t: // a date has a struct type of its own
			wrong()
		}
	case reflect.Map:
		doc, ok := v.(map[string]any)
		if !ok {
			wrong()
		}
		for _, k := range slices.Sorted(maps.Keys(doc)) {
			w.value(join(path, k), doc[k], t.Elem())
		}
	case reflect.Slice, reflect.Array:
		w.list(path, v, t)
	default:
		if what := misfit(v, t); what != "" {
			w.add(path, what, wanted(t))
		}
	}
}

// list compares a list with a slice or an array, element by element, so that each wrong one has its own line.
func (w *walker) list(path string, v any, t reflect.Type) {
	list, ok := v.([]any)
	if !ok {
		w.add(path, "is "+describe(v), wanted(t))
		return
	}
	if t.Kind() == reflect.Array && len(list) != t.Len() {
		w.add(path, fmt.Sprintf("has %d elements", len(list)), wanted(t))
		return
	}
	for i, e := range list {
		w.value(fmt.Sprintf("%s[%d]", path, i), e, t.Elem())
	}
}

// misfit says why a plain value does not fit t, or "" if it does.
func misfit(v any, t reflect.Type) string {
	// The probe answers whether a number fits into the size of its field; nothing is ever wrapped or cut off.
	probe := reflect.New(t).Elem()
	switch t.Kind() {
	case reflect.String:
		if _, ok := v.(string); ok {
			return ""
		}
	case reflect.Bool:
		if _, ok := v.(bool); ok {
			return ""
		}
	case reflect.Float32, reflect.Float64:
		switch n := v.(type) {
		case int64: // "power_w = 1200" is how people write it
			return ""
		case float64:
			if !math.IsNaN(n) && !math.IsInf(n, 0) && !probe.OverflowFloat(n) {
				return ""
			}
		}
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		if n, ok := v.(int64); ok && !probe.OverflowInt(n) {
			return ""
		}
	case reflect.Uint, reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		if n, ok := v.(int64); ok && n >= 0 && !probe.OverflowUint(uint64(n)) {
			return ""
		}
	default: // a channel, a function: a mistake of ours that a test of any good file finds
		return fmt.Sprintf("cannot be kept as %s", t)
	}
	return "is " + describe(v)
}

// describe says what was found, with its value where it is short. Text is cut: a message is read on one line.
func describe(v any) string {
	switch v := v.(type) {
	case string:
		return fmt.Sprintf("the text %.40q", v)
	case bool:
		return fmt.Sprint(v)
	case int64, float64:
		return fmt.Sprint(v)
	case []any:
		return fmt.Sprintf("a list of %d", len(v))
	case map[string]any:
		return "a table"
	}
	return "a date or time"
}

// wanted says what a value of type t looks like in a file, in words for somebody who does not know Go.
func wanted(t reflect.Type) string {
	for t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	switch {
	case isText(t):
		return "text in quotes"
	case t == reflect.TypeFor[time.Time]():
		return "a date and time"
	}
	switch t.Kind() {
	case reflect.String:
		return "text in quotes"
	case reflect.Bool:
		return "true or false"
	case reflect.Float32, reflect.Float64:
		return "a finite number"
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		return "a whole number"
	case reflect.Uint, reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		return "a whole number, not negative"
	case reflect.Struct, reflect.Map:
		return "a table"
	case reflect.Array:
		return fmt.Sprintf("a list of exactly %d, each %s", t.Len(), wanted(t.Elem()))
	case reflect.Slice:
		return "a list, each " + wanted(t.Elem())
	}
	return "nothing"
}
