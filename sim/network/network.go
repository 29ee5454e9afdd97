// Package network computes transients of plain thermal networks: heat capacities, resistances, one ambient of fixed
// temperature, and power sources that step at given times. The format is rc-network-v1, JSON.
//
// It knows nothing of boards or heaters, does no I/O, and is exact: between two steps of the sources the network is a
// linear system with constant input, and that is solved in closed form by its eigenvectors, not by time stepping.
// What remains is rounding, below a millionth of a degree for networks within the limits.
package network

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
)

// Format is the value of the key "format".
const Format = "rc-network-v1"

// Limits, so that a mistaken or hostile file costs little.
const (
	MaxSize  = 1 << 20 // bytes
	MaxNodes = 200
	maxParts = 20000 // resistors, and steps of all sources together
)

// Network is a thermal network. Parse returns only networks that Simulate accepts.
type Network struct {
	Format      string     `json:"format"`
	Ambient     float64    `json:"ambient"`      // °C, −273.15…5000
	AmbientNode string     `json:"ambient_node"` // the name by which resistors refer to it
	Nodes       []Node     `json:"nodes"`
	Resistors   []Resistor `json:"resistors"`
	Sources     []Source   `json:"sources"`
}

// Node is a lump of heat capacity C in J/K, above 0, that starts at T0 in °C. A node without capacity is refused: it
// has no temperature of its own to start from, and its resistors can be merged by hand.
type Node struct {
	Name string  `json:"name"`
	C    float64 `json:"C"`
	T0   float64 `json:"T0"`
}

// Resistor joins two nodes, or a node and the ambient, with R in K/W, above 0.
type Resistor struct {
	A string  `json:"a"`
	B string  `json:"b"`
	R float64 `json:"R"`
}

// Source puts power into a node. Each step is [time in s, power in W], held until the next; before the first it is 0.
type Source struct {
	Node  string       `json:"node"`
	Steps [][2]float64 `json:"steps"`
}

// Parse reads and checks a network. The error holds every mistake, one line each, as file:line: what is wrong; what is
// allowed. A mistake in the JSON itself is told alone.
func Parse(file string, data []byte) (*Network, error) {
	p := &parser{file: file, data: data}
	if len(data) > MaxSize {
		return nil, fmt.Errorf("%s: the file has %d bytes; allowed: at most %d", file, len(data), MaxSize)
	}
	if err := p.grammar(); err != nil {
		return nil, err
	}
	var n Network
	d := json.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields()
	if err := d.Decode(&n); err != nil {
		return nil, p.explain(err, d.InputOffset())
	}
	if rest := bytes.TrimSpace(data[d.InputOffset():]); len(rest) > 0 {
		return nil, fmt.Errorf("%s:%d: more follows after the network; allowed: one JSON object", file, p.line(d.InputOffset()+1))
	}
	p.check(&n)
	if len(p.found) > 0 {
		return nil, errors.New(strings.Join(p.found, "\n"))
	}
	return &n, nil
}

// parser finds lines for mistakes and collects what is wrong.
type parser struct {
	file  string
	data  []byte
	lines map[string]int // by path, such as nodes[3].C
	found []string
}

func (p *parser) line(offset int64) int {
	offset = min(max(offset, 0), int64(len(p.data)))
	return 1 + bytes.Count(p.data[:offset], []byte{'\n'})
}

func (p *parser) say(path, what, allowed string) {
	if len(p.found) >= 50 { // a file that wrong is not mended line by line
		return
	}
	at := p.file
	if line := p.lines[path]; line > 0 {
		at = fmt.Sprintf("%s:%d", p.file, line)
	}
	p.found = append(p.found, fmt.Sprintf("%s: %s: %s; allowed: %s", at, path, what, allowed))
}

// explain turns an error of the JSON reader into one line.
func (p *parser) explain(err error, offset int64) error {
	var syntax *json.SyntaxError
	var typ *json.UnmarshalTypeError
	switch {
	case errors.As(err, &syntax) && strings.Contains(err.Error(), "unexpected end"):
		return fmt.Errorf("%s:%d: the file ends too early; allowed: one JSON object", p.file, p.line(int64(len(p.data))))
	case errors.As(err, &syntax):
		return fmt.Errorf("%s:%d: not JSON: %v", p.file, p.line(syntax.Offset-1), err)
	case errors.As(err, &typ):
		field := typ.Field
		if field == "" {
			field = "the whole"
		}
		return fmt.Errorf("%s:%d: %s: is a %s; allowed: %s", p.file, p.line(typ.Offset-1), field, typ.Value, wanted(typ))
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		return fmt.Errorf("%s:%d: the file ends too early; allowed: one JSON object", p.file, p.line(int64(len(p.data))))
	}
	return fmt.Errorf("%s:%d: %s", p.file, p.line(offset), strings.TrimPrefix(err.Error(), "json: "))
}

func wanted(e *json.UnmarshalTypeError) string {
	switch e.Type.Kind().String() {
	case "float64":
		return "a number"
	case "string":
		return "a text"
	case "slice", "array":
		return "a list"
	}
	return "an object"
}

// keysOf says which keys each object may have; a path is written with [] for any index.
var keysOf = map[string]string{
	"":            "format, ambient, ambient_node, nodes, resistors, sources",
	"nodes[]":     "name, C, T0",
	"resistors[]": "a, b, R",
	"sources[]":   "node, steps",
}

// grammar walks the tokens once: it notes the line of every key, and refuses unknown, misspelt and doubled keys, which
// the JSON reader would accept in any case of letters or take the last of.
func (p *parser) grammar() error {
	p.lines = map[string]int{}
	d := json.NewDecoder(bytes.NewReader(p.data))
	d.UseNumber()
	if err := p.value(d, "", "", 0); err != nil {
		var said *mistake
		if errors.As(err, &said) {
			return err
		}
		// Read token by token, the place of a syntax error is not exact; reading the whole once more finds it.
		var whole json.RawMessage
		if exact := json.Unmarshal(p.data, &whole); exact != nil {
			err = exact
		}
		return p.explain(err, d.InputOffset())
	}
	return nil
}

// mistake is an error that already names file and line.
type mistake struct{ text string }

func (m *mistake) Error() string { return m.text }

func (p *parser) value(d *json.Decoder, path, kind string, depth int) error {
	if depth > 6 {
		return &mistake{fmt.Sprintf("%s:%d: nested too deep; allowed: as in the format, 4 levels", p.file, p.line(d.InputOffset()))}
	}
	tok, err := d.Token()
	if err != nil {
		return err
	}
	p.lines[path] = p.line(d.InputOffset())
	switch tok {
	case json.Delim('{'):
		return p.object(d, path, kind, depth)
	case json.Delim('['):
		count := 0
		for ; d.More(); count++ {
			if err := p.value(d, fmt.Sprintf("%s[%d]", path, count), kind+"[]", depth+1); err != nil {
				return err
			}
		}
		if kind == "sources[].steps[]" && count != 2 { // decoding would drop what is too much and put 0 for what lacks
			return &mistake{fmt.Sprintf("%s:%d: %s: has %d values; allowed: two, [time in s, power in W]", p.file, p.line(d.InputOffset()), path, count)}
		}
		_, err = d.Token()
		return err
	}
	if tok == nil {
		return &mistake{fmt.Sprintf("%s:%d: %s: is null; allowed: a value", p.file, p.line(d.InputOffset()), path)}
	}
	return nil
}

func (p *parser) object(d *json.Decoder, path, kind string, depth int) error {
	allowed, known := keysOf[kind]
	seen := map[string]bool{}
	for d.More() {
		tok, err := d.Token()
		if err != nil {
			return err
		}
		key, _ := tok.(string)
		at := p.line(d.InputOffset())
		if !known || !listed(allowed, key) {
			return &mistake{fmt.Sprintf("%s:%d: unknown key %q%s; allowed: %s", p.file, at, key, inside(path), orNone(allowed))}
		}
		if seen[key] {
			return &mistake{fmt.Sprintf("%s:%d: key %q appears twice%s; allowed: once", p.file, at, key, inside(path))}
		}
		seen[key] = true
		sub := key
		if path != "" {
			sub = path + "." + key
		}
		if err := p.value(d, sub, strings.TrimPrefix(kind+"."+key, "."), depth+1); err != nil {
			return err
		}
	}
	for _, key := range strings.Split(allowed, ", ") {
		if !seen[key] && key != "sources" {
			return &mistake{fmt.Sprintf("%s:%d: key %q is missing%s; allowed: %s", p.file, p.line(d.InputOffset()), key, inside(path), allowed)}
		}
	}
	_, err := d.Token()
	return err
}

func listed(list, key string) bool {
	for _, k := range strings.Split(list, ", ") {
		if k == key {
			return true
		}
	}
	return false
}

func inside(path string) string {
	if path == "" {
		return ""
	}
	return " in " + path
}

func orNone(allowed string) string {
	if allowed == "" {
		return "none here"
	}
	return allowed
}

// check says everything that the format cannot mean. Ranges are generous; NaN cannot occur in JSON but would fail.
func (p *parser) check(n *Network) {
	if n.Format != Format {
		p.say("format", fmt.Sprintf("is %q", n.Format), fmt.Sprintf("%q", Format))
	}
	p.in("ambient", n.Ambient, -273.15, 5000, "°C")
	if n.AmbientNode == "" {
		p.say("ambient_node", "is empty", "a name for the ambient")
	}
	if len(n.Nodes) == 0 || len(n.Nodes) > MaxNodes {
		p.say("nodes", fmt.Sprintf("has %d entries", len(n.Nodes)), fmt.Sprintf("1…%d", MaxNodes))
		return
	}
	names := map[string]bool{n.AmbientNode: true}
	for i, node := range n.Nodes {
		at := fmt.Sprintf("nodes[%d]", i)
		switch {
		case node.Name == "":
			p.say(at+".name", "is empty", "a name")
		case names[node.Name]:
			p.say(at+".name", fmt.Sprintf("%q is taken", node.Name), "a name of its own, other than the ambient's")
		case strings.ContainsAny(node.Name, ",\"\r\n") || node.Name == "time_s":
			p.say(at+".name", fmt.Sprintf("is %q", node.Name), "no commas, quotes or line breaks, and not time_s: it heads a column of CSV")
		}
		names[node.Name] = true
		p.in(at+".C", node.C, 1e-9, 1e12, "J/K")
		p.in(at+".T0", node.T0, -273.15, 5000, "°C")
	}
	p.checkParts(n, names)
}

func (p *parser) checkParts(n *Network, names map[string]bool) {
	if len(n.Resistors) > maxParts {
		p.say("resistors", fmt.Sprintf("has %d entries", len(n.Resistors)), fmt.Sprintf("at most %d", maxParts))
		return
	}
	known := func(path, name string) {
		if !names[name] {
			p.say(path, fmt.Sprintf("is %q, which is no node", name), "a node's name or "+n.AmbientNode)
		}
	}
	for i, r := range n.Resistors {
		at := fmt.Sprintf("resistors[%d]", i)
		known(at+".a", r.A)
		known(at+".b", r.B)
		if r.A == r.B {
			p.say(at, fmt.Sprintf("joins %q to itself", r.A), "two different nodes")
		}
		p.in(at+".R", r.R, 1e-9, 1e12, "K/W")
	}
	steps := 0
	for i, s := range n.Sources {
		at := fmt.Sprintf("sources[%d]", i)
		known(at+".node", s.Node)
		if s.Node == n.AmbientNode {
			p.say(at+".node", "is the ambient, whose temperature is fixed", "a node")
		}
		if steps += len(s.Steps); steps > maxParts {
			p.say("sources", "have too many steps", fmt.Sprintf("at most %d in all", maxParts))
			return
		}
		last := math.Inf(-1)
		for k, step := range s.Steps {
			here := fmt.Sprintf("%s.steps[%d]", at, k)
			if !(step[0] > last && step[0] >= 0 && step[0] <= 1e9) {
				p.say(here, fmt.Sprintf("begins at %g s", step[0]), "0…1e9 s, later than the step before")
			}
			last = step[0]
			p.in(here, step[1], -1e9, 1e9, "W")
		}
	}
}

func (p *parser) in(path string, v, lo, hi float64, unit string) {
	if !(v >= lo && v <= hi) {
		p.say(path, fmt.Sprintf("is %g", v), fmt.Sprintf("%g…%g %s", lo, hi, unit))
	}
}
