package strict

import (
	"bytes"
	"errors"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/pelletier/go-toml/v2"
)

// zoo has a field of each kind that a description may have.
type zoo struct {
	Text  string            `toml:"text"`
	Small int8              `toml:"small"`
	Count uint16            `toml:"count"`
	Ratio float32           `toml:"ratio"`
	When  time.Time         `toml:"when"`
	Grid  [][]float64       `toml:"grid"`
	Names map[string]string `toml:"names"`
	Maybe *bool             `toml:"maybe"`
	Any   any               `toml:"any"`
	Sub   []oven            `toml:"sub"`
}

// Whatever the bytes: what is accepted, the TOML reader's own strict mode accepts too, with the same values, and it is the
// same once it has been written and read again. What is refused gets a short message with lines that the file has. The
// work of one input is bounded by the limits of this package, for which there is a test of its own.
func FuzzDecode(f *testing.F) {
	f.Add([]byte(good))
	f.Add([]byte("zone = [{name='a'}, {hold_s = inf}]\n[fan]\nmode='red'"))
	f.Add([]byte("a.b.c = [1, [2, {x = 1979-05-27}]]"))
	f.Add([]byte("text='''\na'''\nsmall=-128\ncount=65535\nratio=1e38\nwhen=1979-05-27T07:32:00Z\ngrid=[[1,2.5],[]]\nmaybe=true\nany={a=[1]}\n[names]\n\"a.b\"='c'\n[[sub]]\nsize_mm=[1,2]\n"))
	f.Add([]byte("small=128\ncount=-1\nratio=1e39\nwhen='x'\ngrid=[1]\nText='x'\nnames.a=1\nsub={}\nmaybe=0"))
	f.Fuzz(func(t *testing.T, data []byte) {
		for _, target := range []func() any{func() any { return &oven{} }, func() any { return &zoo{} }} {
			got, second := target(), target()
			if err := Decode("f", data, got); err != nil {
				checkProblems(t, data, err)
				if !reflect.DeepEqual(got, target()) && !strings.Contains(err.Error(), "is not TOML") {
					t.Fatalf("refused, and yet changed to %+v", got)
				}
				continue
			}
			d := toml.NewDecoder(bytes.NewReader(data)).DisallowUnknownFields()
			if err := d.Decode(second); err != nil || !equal(got, second) {
				t.Fatalf("accepted as %+v; the reader's strict mode has %+v, %v", got, second, err)
			}
		}
		lines, most := LinesOf(data), 1+bytes.Count(data, []byte("\n"))
		for key, line := range lines.of {
			if line < 1 || line > most || !lines.Present(key) {
				t.Fatalf("%q is on line %d of %d", key, line, most)
			}
		}
		if len(lines.of) > maxKeys {
			t.Fatalf("%d keys", len(lines.of))
		}
	})
}

// equal compares what was decoded; dates are compared by what they are written as, since their zones are pointers.
func equal(a, b any) bool {
	if reflect.DeepEqual(a, b) {
		return true
	}
	x, errX := toml.Marshal(a)
	y, errY := toml.Marshal(b)
	return errX == nil && errY == nil && bytes.Equal(x, y)
}

func checkProblems(t *testing.T, data []byte, err error) {
	t.Helper()
	var p Problems
	if !errors.As(err, &p) || len(p) == 0 || len(p) > maxProblems+1 {
		t.Fatalf("%T with %d problems", err, len(p))
	}
	last := 0
	for i, one := range p {
		if one.Line < 0 || one.Line > 2+bytes.Count(data, []byte("\n")) || one.File != "f" || one.What == "" || len(one.String()) > 3000 {
			t.Fatalf("problem %d of %d bytes: %+.500v", i, len(one.String()), one)
		}
		if i < maxProblems && one.Line < last {
			t.Fatalf("line %d is told after line %d", one.Line, last)
		}
		last = one.Line
	}
}
