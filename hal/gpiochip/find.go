package gpiochip

import (
	"fmt"
	"strconv"
	"strings"
)

// Name says which line is meant: the label of its chip, and its own name or its number on the chip.
type Name struct {
	Chip string // label, as the driver gives it: "pinctrl-bcm2711"
	Line string // name, as the board's description gives it: "GPIO17"; empty to go by Offset
	// Offset counts from 0 on the chip. It is used only without a Line: offsets are fixed by the chip, but say nothing about the board.
	Offset int
}

// ParseName reads "CHIP/LINE", or "CHIP/#OFFSET" for a line without a name. The last slash counts, since labels may contain some.
func ParseName(s string) (Name, error) {
	i := strings.LastIndexByte(s, '/')
	if i <= 0 || i == len(s)-1 {
		return Name{}, fmt.Errorf("GPIO line %q: allowed are CHIP/LINE, such as pinctrl-bcm2711/GPIO17, and CHIP/#OFFSET, such as pinctrl-bcm2711/#17", s)
	}
	n := Name{Chip: s[:i], Line: s[i+1:]}
	if len(n.Chip) >= nameSize || len(n.Line) >= nameSize {
		return Name{}, fmt.Errorf("GPIO line %q: the kernel's names have at most %d bytes", s, nameSize-1)
	}
	if num, ok := strings.CutPrefix(n.Line, "#"); ok {
		v, err := strconv.Atoi(num)
		if err != nil || v < 0 {
			return Name{}, fmt.Errorf("GPIO line %q: behind # stands a number from 0", s)
		}
		n.Line, n.Offset = "", v
	}
	return n, nil
}

// String returns what ParseName reads.
func (n Name) String() string {
	if n.Line == "" {
		return n.Chip + "/#" + strconv.Itoa(n.Offset)
	}
	return n.Chip + "/" + n.Line
}

// Chip is what the kernel says about a chip.
type Chip struct {
	Node  string // /dev/gpiochipN; it may be another number after the next start
	Label string
	Lines []Line
	Err   error // why the chip could not be looked at; Label and Lines are then empty
}

// Line is what the kernel says about a line.
type Line struct {
	Offset    int
	Name      string // empty where the board's description gives none
	Used      bool   // by a program or by the kernel
	Consumer  string // who says to use it; may be empty
	Output    bool
	ActiveLow bool // as its user wants it
	Bias      Bias // as its user wants it; 0 where nobody has said
}

// Bias is a pull resistor in the chip.
type Bias uint8

// The biases. The zero value leaves the resistor as it is.
const (
	AsIs Bias = iota
	PullUp
	PullDown
	NoPull
)

func (b Bias) String() string {
	return [...]string{"as is", "pull-up", "pull-down", "no pull"}[min(b, NoPull)]
}

func (b Bias) flag() uint64 {
	return [...]uint64{0, flagPullUp, flagPullDown, flagBiasDisabled}[min(b, NoPull)]
}

// List describes every chip and line of this computer without touching a line. A chip that may not be opened is in the list with the
// reason. No chip at all is no error.
func List() ([]Chip, error) { return list(system) }

func list(k kernel) ([]Chip, error) {
	nodes, err := k.nodes()
	if err != nil {
		return nil, fmt.Errorf("look for GPIO chips: %w", err)
	}
	var all []Chip
	for _, node := range nodes {
		c, err := look(k, node)
		if err != nil {
			c = Chip{Node: node, Err: err}
		}
		all = append(all, c)
	}
	return all, nil
}

// look describes one chip.
func look(k kernel, node string) (Chip, error) {
	fd, err := k.open(node)
	if err != nil {
		return Chip{}, explain("open "+node, err)
	}
	defer k.close(fd) //nolint:errcheck // nothing was written
	label, lines, err := chipOf(k, fd)
	if err != nil {
		return Chip{}, explain("ask "+node+" what it is", err)
	}
	c := Chip{Node: node, Label: label, Lines: make([]Line, 0, lines)}
	for i := range lines {
		l, err := lineOf(k, fd, i)
		if err != nil {
			return Chip{}, explain(fmt.Sprintf("ask %s about line %d", node, i), err)
		}
		c.Lines = append(c.Lines, l)
	}
	return c, nil
}

// mostLines is more than any chip has; a number above it is no answer.
const mostLines = 4096

func chipOf(k kernel, fd int) (label string, lines int, err error) {
	b := make([]byte, chipInfoSize)
	if err := k.ioctl(fd, getChipInfo, &b[0]); err != nil {
		return "", 0, err
	}
	n := native.Uint32(b[64:])
	if n > mostLines {
		return "", 0, fmt.Errorf("it claims %d lines", n)
	}
	return text(b[nameSize : 2*nameSize]), int(n), nil
}

func lineOf(k kernel, fd, offset int) (Line, error) {
	b := make([]byte, lineInfoSize)
	native.PutUint32(b[64:], uint32(offset))
	if err := k.ioctl(fd, getLineInfo, &b[0]); err != nil {
		return Line{}, err
	}
	return decodeLine(b), nil
}

// found is the place of a line.
type found struct {
	node   string
	offset int
}

// find looks a line up. A name that fits several lines, or none, is an error that lists what there is.
func find(k kernel, n Name) (found, error) {
	chips, err := list(k)
	if err != nil {
		return found{}, fmt.Errorf("GPIO line %s: %w", n, err)
	}
	var fits []found
	var labels, shut []string
	chipThere := false
	for _, c := range chips {
		if c.Err != nil {
			shut = append(shut, c.Err.Error())
			continue
		}
		labels = append(labels, c.Label)
		if c.Label != n.Chip {
			continue
		}
		chipThere = true
		for _, l := range c.Lines {
			if (n.Line == "" && l.Offset == n.Offset) || (n.Line != "" && l.Name == n.Line) {
				fits = append(fits, found{c.Node, l.Offset})
			}
		}
	}
	switch {
	case len(fits) == 1:
		return fits[0], nil
	case len(fits) > 1:
		var at []string
		for _, f := range fits {
			at = append(at, fmt.Sprintf("line %d of %s", f.offset, f.node))
		}
		return found{}, fmt.Errorf("GPIO line %s: the name fits %s; a name that fits one line is needed", n, strings.Join(at, " and "))
	case len(chips) == 0:
		return found{}, fmt.Errorf("GPIO line %s: this computer has no GPIO chip (no /dev/gpiochip*); does its kernel have a driver for one?", n)
	case chipThere:
		return found{}, fmt.Errorf("GPIO line %s: the chip has no such line; it has %s", n, names(chips, n.Chip))
	case len(shut) > 0:
		return found{}, fmt.Errorf("GPIO line %s: no chip of that label could be opened; there are %s; not opened: %s", n, orNone(labels), strings.Join(shut, "; "))
	}
	return found{}, fmt.Errorf("GPIO line %s: no chip has that label; there are %s", n, orNone(labels))
}

// names lists the named lines of the chips with a label, or how many lines there are where none has a name.
func names(chips []Chip, label string) string {
	var out []string
	lines := 0
	for _, c := range chips {
		if c.Err != nil || c.Label != label {
			continue
		}
		for _, l := range c.Lines {
			lines++
			if l.Name != "" {
				out = append(out, l.Name)
			}
		}
	}
	if len(out) == 0 {
		return fmt.Sprintf("%d lines without names, which are called #0, #1 and so on", lines)
	}
	return fmt.Sprintf("%d lines, of which have names: %s", lines, strings.Join(out, ", "))
}

func orNone(list []string) string {
	if len(list) == 0 {
		return "none"
	}
	return strings.Join(list, ", ")
}

// explain adds to an error of the kernel what can be done about it.
func explain(what string, err error) error {
	switch {
	case denied(err):
		return fmt.Errorf("%s: %w; the user that runs this must be in the group that owns the device, usually gpio", what, err)
	case tooOld(err):
		return fmt.Errorf("%s: %w; Linux 5.10 or newer is needed", what, err)
	case gone(err):
		return fmt.Errorf("%s: %w; the chip has gone", what, err)
	}
	return fmt.Errorf("%s: %w", what, err)
}
