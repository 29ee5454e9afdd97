package strict

import (
	"errors"
	"fmt"
	"strings"
	"testing"
)

type oven struct {
	Name  string  `toml:"name"`
	Power float64 `toml:"power_w"`
	Size  [2]int  `toml:"size_mm"`
	Zones []zone  `toml:"zone"`
	Fan   struct {
		On    bool   `toml:"on"`
		Level uint8  `toml:"level"`
		Mode  colour `toml:"mode"`
	} `toml:"fan"`
	Limit *float64       `toml:"limit_c"`
	More  map[string]int `toml:"more"`
	inner int            // must not be reachable from a file; read below so that it counts as used
}

type zone struct {
	Name  string  `toml:"name"`
	RampC float64 `toml:"ramp_c_per_s"`
	Hold  float64 `toml:"hold_s"`
}

type colour string

func (c *colour) UnmarshalText(b []byte) error {
	if string(b) != "red" && string(b) != "green" {
		return fmt.Errorf("%q is no colour; allowed: red, green", b)
	}
	*c = colour(b)
	return nil
}

const good = `name = "bench"
power_w = 1200            # a whole number where a number is wanted
size_mm = [300, 200]
limit_c = 245.5
more = { a = 1, b = 2 }

[[zone]]
name = "left"
ramp_c_per_s = 0.7
hold_s = 30

[[zone]]
name = "right"
ramp_c_per_s = 1.5

[fan]
on = true
level = 3
mode = "green"
`

func TestAGoodFileIsReadWhole(t *testing.T) {
	var o oven
	if err := Decode("oven.toml", []byte(good), &o); err != nil {
		t.Fatal(err)
	}
	if o.Power != 1200 || o.Size != [2]int{300, 200} || len(o.Zones) != 2 || o.Zones[1].RampC != 1.5 || !o.Fan.On || o.Fan.Mode != "green" || *o.Limit != 245.5 || o.More["b"] != 2 {
		t.Errorf("read %+v", o)
	}
}

func TestEachMistakeNamesItsLineItsKeyAndWhatIsAllowed(t *testing.T) {
	for name, c := range map[string]struct{ find, put, want string }{
		"unknown key in a list of tables, near miss": {"hold_s = 30", "hold_sec = 30",
			`oven.toml:10: zone[0].hold_sec: is not a key that is known here; did you mean hold_s?; allowed: name, ramp_c_per_s, hold_s`},
		"unit forgotten":                {"power_w = 1200", "power = 1200", `oven.toml:2: power: is not a key that is known here; did you mean power_w?; allowed: name, power_w, size_mm, zone, fan, limit_c, more`},
		"capital letter":                {"name = \"bench\"", "Name = \"bench\"", `oven.toml:1: Name: is not a key that is known here; did you mean name?; allowed: name, power_w, size_mm, zone, fan, limit_c, more`},
		"unknown key, nothing near":     {"on = true", "zzzzzz = true", `oven.toml:17: fan.zzzzzz: is not a key that is known here; allowed: on, level, mode`},
		"text for a number":             {"power_w = 1200", `power_w = "1200"`, `oven.toml:2: power_w: is the text "1200"; allowed: a finite number`},
		"number for a text":             {`name = "left"`, `name = 3`, `oven.toml:8: zone[0].name: is 3; allowed: text in quotes`},
		"fraction for a whole number":   {"level = 3", "level = 3.5", `oven.toml:18: fan.level: is 3.5; allowed: a whole number, not negative`},
		"too large for its place":       {"level = 3", "level = 300", `oven.toml:18: fan.level: is 300; allowed: a whole number, not negative`},
		"negative where there is none":  {"level = 3", "level = -3", `oven.toml:18: fan.level: is -3; allowed: a whole number, not negative`},
		"not a number":                  {"ramp_c_per_s = 1.5", "ramp_c_per_s = nan", `oven.toml:14: zone[1].ramp_c_per_s: is NaN; allowed: a finite number`},
		"infinite":                      {"ramp_c_per_s = 1.5", "ramp_c_per_s = -inf", `oven.toml:14: zone[1].ramp_c_per_s: is -Inf; allowed: a finite number`},
		"one value for a list":          {"size_mm = [300, 200]", "size_mm = 300", `oven.toml:3: size_mm: is 300; allowed: a list of exactly 2, each a whole number`},
		"list of the wrong length":      {"size_mm = [300, 200]", "size_mm = [300, 200, 1]", `oven.toml:3: size_mm: has 3 elements; allowed: a list of exactly 2, each a whole number`},
		"wrong element of a list":       {"size_mm = [300, 200]", "size_mm = [300,\n 'x']", `oven.toml:4: size_mm[1]: is the text "x"; allowed: a whole number`},
		"text that its type refuses":    {`mode = "green"`, `mode = "blue"`, `oven.toml:19: fan.mode: "blue" is no colour; allowed: red, green`},
		"value of a map":                {"b = 2", "b = 'x'", `oven.toml:5: more.b: is the text "x"; allowed: a whole number`},
		"table where there is a number": {"limit_c = 245.5", "limit_c = { a = 1 }", `oven.toml:4: limit_c: is a table; allowed: a finite number`},
		"field without a tag":           {"on = true", "on = true\n[fan.inner]", `oven.toml:18: fan.inner: is not a key that is known here; allowed: on, level, mode`},
	} {
		t.Run(name, func(t *testing.T) {
			data := strings.Replace(good, c.find, c.put, 1)
			if data == good {
				t.Fatalf("%q is not in the good file", c.find)
			}
			var o oven
			err := Decode("oven.toml", []byte(data), &o)
			if err == nil {
				t.Fatal("accepted")
			}
			if first, _, _ := strings.Cut(err.Error(), "\n"); first != c.want {
				t.Errorf("got  %s\nwant %s", first, c.want)
			}
		})
	}
}

func TestAMistakeInTheSyntaxHasItsLine(t *testing.T) {
	for _, bad := range []string{"name = \"x\"\npower_w 3\n", "name = 'a'\nname = 'b'\n", "name = 'a'\n[fan\n", "name = 'a'\npower_w = 1.2.3\n"} {
		err := Decode("f.toml", []byte(bad), &oven{})
		var p Problems
		if !errors.As(err, &p) || len(p) != 1 || p[0].Line != 2 {
			t.Errorf("%q: %v; want one problem on line 2", bad, err)
		}
	}
}

func TestAllMistakesAreToldAtOnceInTheOrderOfTheirLines(t *testing.T) {
	data := "power_w = 'x'\nnam = 1\n[fan]\nlevel = -1\non = 3\n"
	var p Problems
	if err := Decode("f.toml", []byte(data), &oven{}); !errors.As(err, &p) || len(p) != 4 {
		t.Fatalf("got %v; want four problems", err)
	}
	for i, line := range []int{1, 2, 4, 5} {
		if p[i].Line != line {
			t.Errorf("problem %d is on line %d, want %d", i, p[i].Line, line)
		}
	}
}

func TestNoMoreProblemsAreToldThanAPersonReads(t *testing.T) {
	var b strings.Builder
	for i := range 400 {
		fmt.Fprintf(&b, "unknown_%d = 1\n", i)
	}
	var p Problems
	if err := Decode("f.toml", []byte(b.String()), &oven{}); !errors.As(err, &p) || len(p) != maxProblems+1 || !strings.Contains(p[maxProblems].What, "350 more") {
		t.Errorf("%d problems, last %v", len(p), p[len(p)-1])
	}
}

func TestLargeOrHostileFilesAreRefusedCheaply(t *testing.T) {
	for name, data := range map[string]string{
		"too large":               strings.Repeat("# padding\n", MaxSize/10+1),
		"a key of many parts":     strings.Repeat("a.", MaxSize/2-10) + "a = 1",
		"a table of many parts":   "[" + strings.Repeat("a.", MaxSize/2-10) + "a]",
		"a very long key":         strings.Repeat("k", 1000) + " = 1",
		"lists in lists in lists": "name = " + strings.Repeat("[", MaxSize/2-10) + strings.Repeat("]", MaxSize/2-10),
		"not text":                "name = \"\xff\xfe\"",
		"a zero byte":             "name = \x00",
	} {
		t.Run(name, func(t *testing.T) {
			if err := Decode("f.toml", []byte(data), &oven{}); err == nil {
				t.Error("accepted")
			} else if len(err.Error()) > 500 {
				t.Errorf("the message has %d bytes", len(err.Error()))
			}
		})
	}
}

func TestLineFindsAKeyOrWhatHoldsIt(t *testing.T) {
	data := []byte(good)
	for _, c := range []struct {
		path []any
		want int
	}{
		{[]any{"power_w"}, 2}, {[]any{"zone", 1, "ramp_c_per_s"}, 14}, {[]any{"zone", 1, "hold_s"}, 12}, {[]any{"zone", 0}, 7}, {[]any{"zone"}, 7},
		{[]any{"fan", "mode"}, 19}, {[]any{"more", "b"}, 5}, {[]any{"size_mm", 1}, 3}, {[]any{"nowhere"}, 0}, {nil, 0},
	} {
		if got := Line(data, c.path...); got != c.want {
			t.Errorf("%v is on line %d, want %d", c.path, got, c.want)
		}
	}
	if got := At(data, "zone[1].ramp_c_per_s"); got != 14 {
		t.Errorf("At finds line %d, want 14", got)
	}
	if !Present(data, "zone[1].name") || Present(data, "zone[1].hold_s") || Present(data, "zone[2]") {
		t.Error("what is present is confused with what is not")
	}
	nested := []byte("[[a]]\nx=1\n[[a.b]]\ny=1\n[[a.b]]\ny=2\n[[a]]\n[[a.b]]\ny=3\n[a.c]\nz=1\n")
	for key, want := range map[string]int{"a[0].b[1].y": 6, "a[1].b[0].y": 9, "a[1].c.z": 11} {
		if got := At(nested, key); got != want {
			t.Errorf("%s is on line %d, want %d", key, got, want)
		}
	}
}

func TestOnlyAPointerToAStructIsAccepted(t *testing.T) {
	for _, out := range []any{nil, oven{}, new(int), (*oven)(nil)} {
		if Decode("f.toml", nil, out) == nil {
			t.Errorf("%T accepted", out)
		}
	}
}

func BenchmarkDecode(b *testing.B) {
	b.SetBytes(int64(len(good)))
	for b.Loop() {
		var o oven
		if err := Decode("f", []byte(good), &o); err != nil {
			b.Fatal(err)
		}
	}
}

// TestAFieldThatIsNotExportedCannotBeSetFromAFile: inner has no key, and a file that names it is told so.
func TestAFieldThatIsNotExportedCannotBeSetFromAFile(t *testing.T) {
	var m oven
	if err := Decode("x.toml", []byte("inner = 3\n"), &m); err == nil || m.inner != 0 {
		t.Errorf("inner became %d, error %v", m.inner, err)
	}
}
