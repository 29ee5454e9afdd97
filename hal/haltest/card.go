package haltest

import (
	"fmt"
	"slices"
	"strings"
	"testing"
)

// Card is how one driver did in the suite of its kind: promise by promise.
type Card struct {
	Chip     string
	Promises []string
	Kept     []bool
}

// promise runs one promise as a subtest and notes how it came out.
func (c *Card) promise(t *testing.T, words string, f func(t *testing.T)) {
	t.Helper()
	ok := t.Run(words, f)
	c.Promises, c.Kept = append(c.Promises, words), append(c.Kept, ok)
}

// Table writes promises against chips. A promise that a chip cannot make, since it has no inputs say, is left blank.
func Table(kind string, cards []Card) string {
	var rows []string
	for _, c := range cards {
		for _, p := range c.Promises {
			if !slices.Contains(rows, p) {
				rows = append(rows, p)
			}
		}
	}
	var b strings.Builder
	made, kept := 0, 0
	fmt.Fprintf(&b, "%-84s", kind)
	for _, c := range cards {
		fmt.Fprintf(&b, " %9s", c.Chip)
	}
	for _, p := range rows {
		fmt.Fprintf(&b, "\n%-84s", p)
		for _, c := range cards {
			mark := ""
			if i := slices.Index(c.Promises, p); i >= 0 {
				made++
				if mark = "BROKEN"; c.Kept[i] {
					mark = "kept"
					kept++
				}
			}
			fmt.Fprintf(&b, " %9s", mark)
		}
	}
	fmt.Fprintf(&b, "\n%d promises, %d chips: %d of %d kept", len(rows), len(cards), kept, made)
	return b.String()
}
