package strict

import (
	"errors"
	"fmt"
	"strings"
	"testing"
)

// repeat writes a line n times with its number in it.
func repeat(format string, n int) string {
	var b strings.Builder
	for i := range n {
		fmt.Fprintf(&b, format, i)
	}
	return b.String()
}

// costly are files of the greatest size whose reading took up to 20 s for each megabyte before there were limits.
var costly = map[string]string{
	"keys of one table":     repeat("k%x=1\n", MaxSize/8),
	"keys of many tables":   strings.ReplaceAll(repeat("[t%x]\nKEYS", MaxSize/3000), "KEYS", repeat("k%x=1\n", maxTableKeys-10)),
	"long unknown keys":     repeat(strings.Repeat("q", 240)+"%06x=1\n", MaxSize/250),
	"dotted keys":           repeat("a%x."+strings.Repeat("c.", 100)+"b=1\n", MaxSize/220),
	"unknown keys in lists": "zone=[" + strings.Repeat("{a=1},", MaxSize/6-10) + "]",
	"unknown keys in zones": strings.Repeat("[[zone]]\nhold=1\n", MaxSize/16),
	"lists in a list":       "name=[" + strings.Repeat("[],", MaxSize/3-10) + "]",
	"a list of numbers":     "size_mm=[" + strings.Repeat("1,", MaxSize/2-10) + "]",
	"tables in tables":      strings.Repeat("[[a]]\n[[a.a]]\n[[a.a.a]]\n[[a.a.a.a]]\n", MaxSize/40),
	"known zones":           "name='a'\n" + strings.Repeat("[[zone]]\nname='a'\nhold_s=1\n", MaxSize/30),
	"text that never ends":  "name='''" + strings.Repeat("x\n", MaxSize/2-10),
	"quoted keys with dots": repeat("\"%x.a\"=1\n", MaxSize/12),
}

func TestCostlyFilesAreCutShort(t *testing.T) {
	for name, data := range costly {
		if len(data) > MaxSize {
			data = data[:MaxSize]
		}
		lines, _ := indexLines([]byte(data))
		if len(lines) > maxKeys+1 {
			t.Errorf("%s: the lines of %d keys were kept", name, len(lines))
		}
		var p Problems
		if err := Decode("f.toml", []byte(data), &oven{}); err != nil && (!errors.As(err, &p) || len(p) > maxProblems+1 || len(err.Error()) > 20000) {
			t.Errorf("%s: %d problems, %d bytes", name, len(p), len(err.Error()))
		}
	}
}

func TestMoreKeysOrElementsThanAnybodyWritesAreRefusedOnTheirLine(t *testing.T) {
	for _, c := range []struct{ data, want string }{
		{repeat("k%d = 1\n", maxTableKeys+1), "f.toml:501: the file has more than 500 keys; allowed: fewer"},
		{"\n[more]\n" + repeat("k%d = 1\n", maxTableKeys+1), "f.toml:503: more has more than 500 keys; allowed: fewer"},
		{"more = { " + repeat("k%d = 1, ", maxTableKeys) + "z = 1 }\n", "f.toml:1: more has more than 500 keys; allowed: fewer"},
		{repeat("\"%d.a\" = 1\n", maxTableKeys+1), "f.toml:501: the file has more than 500 keys; allowed: fewer"},
		{"size_mm = [\n" + strings.Repeat("1,\n", maxElements+1) + "]\n", "f.toml:10001: size_mm has more than 10000 elements; allowed: fewer"},
		{"zone = [" + strings.Repeat("{a=1},", maxElements) + "]\n", "f.toml:1: the file has more than 20000 keys and elements; allowed: fewer"},
	} {
		if err := Decode("f.toml", []byte(c.data), &oven{}); err == nil || err.Error() != c.want {
			t.Errorf("got  %.200v\nwant %s", err, c.want)
		}
		if At([]byte(c.data), "name") != 0 || Present([]byte(c.data), "k1") {
			t.Error("a file that is refused has lines")
		}
	}
	for _, data := range []string{"[more]\n" + repeat("k%d = 1\n", maxTableKeys), repeat("[[zone]]\nhold_s = %d\n", 3000)} {
		if err := Decode("f.toml", []byte(data), &oven{}); err != nil {
			t.Errorf("a large file is refused: %.200v", err)
		}
	}
}

func TestTheHintsOfTheFirstProblemsAreThoseOfTheirLines(t *testing.T) {
	data := "z_last = 1\n[fan]\nlevl = 1\n[[zone]]\nhold = 1\n" + repeat("b%d = 1\n", 80)
	var p Problems
	if err := Decode("f.toml", []byte(data), &oven{}); !errors.As(err, &p) {
		t.Fatal(err)
	}
	if p[1].Line != 3 || !strings.Contains(p[1].What, "did you mean level?") || p[1].Allowed != "on, level, mode" ||
		p[2].Line != 5 || !strings.Contains(p[2].What, "did you mean hold_s?") || p[2].Allowed != "name, ramp_c_per_s, hold_s" || p[maxProblems].Line != 0 {
		t.Errorf("told are %v, %v, last %v", p[1], p[2], p[maxProblems])
	}
}

func TestLinesAreAskedManyTimesAndFoundOnce(t *testing.T) {
	lines := LinesOf([]byte(good))
	for _, key := range []string{"power_w", "zone[1].ramp_c_per_s", "zone[1].hold_s", "fan", "nowhere", ""} {
		if lines.At(key) != At([]byte(good), key) || lines.Present(key) != Present([]byte(good), key) {
			t.Errorf("%s: line %d, present %v", key, lines.At(key), lines.Present(key))
		}
	}
	if (Lines{}).At("power_w") != 0 || (Lines{}).Present("power_w") {
		t.Error("no file has a line")
	}
}

// BenchmarkCostly is the slowest file we know of each kind.
func BenchmarkCostly(b *testing.B) {
	for name, data := range costly {
		data = data[:min(len(data), MaxSize)]
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				_ = Decode("f.toml", []byte(data), &oven{})
			}
		})
	}
}
