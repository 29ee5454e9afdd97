package network

import (
	"math"
	"os"
	"strings"
	"testing"
)

const contractExample = `{"format":"rc-network-v1","ambient":25.0,"ambient_node":"amb","nodes":[{"name":"n1","C":123.9,"T0":47.7}],
"resistors":[{"a":"n1","b":"amb","R":2.49}],"sources":[{"node":"n1","steps":[[0,10.0],[30,0.0]]}]}`

func parse(t testing.TB, text string) *Network {
	t.Helper()
	n, err := Parse("net.json", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func TestOneLumpFollowsItsExponential(t *testing.T) {
	n := parse(t, contractExample)
	const c, r = 123.9, 2.49
	rows := 0
	err := Simulate(n, 100, 0.7, func(at float64, temps []float64) {
		rest := 25 + 10*r
		want := rest + (47.7-rest)*math.Exp(-min(at, 30)/(r*c))
		if at > 30 {
			want = 25 + (want-25)*math.Exp(-(at-30)/(r*c))
		}
		if math.Abs(temps[0]-want) > 1e-9 {
			t.Errorf("at %g s %.12f, by the formula %.12f", at, temps[0], want)
		}
		rows++
	})
	if err != nil || rows != 143 {
		t.Errorf("%d rows, %v", rows, err)
	}
}

func TestTheStepOfTheOutputDoesNotChangeTheResult(t *testing.T) {
	data, err := os.ReadFile("../../testdata/networks/random-12.json")
	if err != nil {
		t.Fatal(err)
	}
	n := parse(t, string(data))
	at := func(step float64) []float64 {
		var last []float64
		if err := Simulate(n, 160, step, func(_ float64, temps []float64) { last = append(last[:0], temps...) }); err != nil {
			t.Fatal(err)
		}
		return last
	}
	coarse, fine := at(80), at(0.05)
	for i := range coarse {
		if math.Abs(coarse[i]-fine[i]) > 1e-8 {
			t.Errorf("node %d ends at %.10f and %.10f", i, coarse[i], fine[i])
		}
	}
}

func TestAnIsolatedPairKeepsItsHeatAndFloatsWithItsSource(t *testing.T) {
	// No way to the ambient: the mean temperature rises as the heat comes in, for ever.
	n := parse(t, `{"format":"rc-network-v1","ambient":20,"ambient_node":"amb","nodes":[{"name":"a","C":10,"T0":100},{"name":"b","C":30,"T0":0}],
"resistors":[{"a":"a","b":"b","R":1e-3}],"sources":[{"node":"b","steps":[[10,4],[20,0]]}]}`)
	err := Simulate(n, 1000, 5, func(at float64, temps []float64) {
		heat := 10*temps[0] + 30*temps[1]
		want := 1000 + 4*min(max(at-10, 0), 10)
		if math.Abs(heat-want) > 1e-6 {
			t.Errorf("at %g s it holds %.9f J, want %.9f J", at, heat, want)
		}
	})
	if err != nil {
		t.Fatal(err)
	}
}

func TestEveryMistakeIsOneClearLine(t *testing.T) {
	good := "{\n" + `"format": "rc-network-v1", "ambient": 25, "ambient_node": "amb",
"nodes": [{"name": "n1", "C": 5, "T0": 20},
          {"name": "n2", "C": 7, "T0": 20}],
"resistors": [{"a": "n1", "b": "amb", "R": 2}],
"sources": [{"node": "n1", "steps": [[0, 10], [30, 0]]}]
}`
	parse(t, good)
	cases := []struct {
		name, old, new string
		want           []string
	}{
		{"another format", "rc-network-v1", "rc-network-v9", []string{"net.json:2:", "format", `"rc-network-v1"`}},
		{"no capacity", `"C": 7`, `"C": 0`, []string{"net.json:4:", "nodes[1].C", "is 0"}},
		{"negative resistance", `"R": 2`, `"R": -2`, []string{"net.json:5:", "resistors[0].R", "is -2"}},
		{"a node nobody knows", `"a": "n1"`, `"a": "n7"`, []string{"net.json:5:", "n7", "no node"}},
		{"a resistor in a ring", `"b": "amb"`, `"b": "n1"`, []string{"net.json:5:", "itself"}},
		{"a name twice", `"n2"`, `"n1"`, []string{"net.json:4:", "nodes[1].name", "taken"}},
		{"a source at the ambient", `"node": "n1"`, `"node": "amb"`, []string{"net.json:6:", "fixed"}},
		{"steps out of order", "[30, 0]", "[0, 0]", []string{"net.json:6:", "later than the step before"}},
		{"a step of three", "[30, 0]", "[30, 0, 1]", []string{"net.json:6:", "steps[1]", "3 values"}},
		{"a step of one", "[30, 0]", "[30]", []string{"net.json:6:", "steps[1]", "1 values"}},
		{"a key in other letters", `"C": 5`, `"c": 5`, []string{"net.json:3:", `"c"`, "name, C, T0"}},
		{"a key twice", `"C": 5`, `"C": 5, "C": 6`, []string{"net.json:3:", "twice"}},
		{"a key missing", `"C": 5, `, ``, []string{"net.json:3:", `"C"`, "missing"}},
		{"text for a number", `"R": 2`, `"R": "2"`, []string{"net.json:5:", "string", "a number"}},
		{"null", `"T0": 20}]`, `"T0": null}]`, []string{"net.json:4:", "null"}},
		{"too large a number", `"R": 2`, `"R": 1e999`, []string{"net.json:5:", "R"}},
		{"no JSON", `"R": 2`, `"R": NaN`, []string{"net.json:5:", "JSON"}},
		{"cut off", "}]\n}", "}]\n", []string{"net.json:7:", "ends"}},
		{"more behind it", "}]\n}", "}]\n}\n{}", []string{"net.json:8:", "more"}},
		{"a list", good, "[1]", []string{"net.json:1:", "an object"}},
		{"nothing", good, "", []string{"net.json:1:", "ends"}},
		{"a comma in a name", `"n2"`, `"n,2"`, []string{"net.json:4:", "column"}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			text := strings.Replace(good, c.old, c.new, 1)
			if text == good {
				t.Fatalf("%q is not in the network", c.old)
			}
			_, err := Parse("net.json", []byte(text))
			if err == nil {
				t.Fatal("accepted")
			}
			if strings.Contains(err.Error(), "\n") {
				t.Errorf("more than one line: %v", err)
			}
			for _, w := range c.want {
				if !strings.Contains(err.Error(), w) {
					t.Errorf("%q does not say %q", err, w)
				}
			}
		})
	}
}

func TestSimulateRefusesNonsense(t *testing.T) {
	n := parse(t, contractExample)
	nan := math.NaN()
	for _, c := range [][2]float64{{nan, 1}, {-1, 1}, {10, 0}, {10, nan}, {10, -1}, {1e9, 1e-9}, {math.Inf(1), 1}} {
		if err := Simulate(n, c[0], c[1], func(float64, []float64) { t.Error("emitted") }); err == nil {
			t.Errorf("until %g step %g accepted", c[0], c[1])
		}
	}
}

func FuzzParse(f *testing.F) {
	f.Add([]byte(contractExample))
	f.Add([]byte(`{"nodes":[{}],"sources":[{"steps":[[1]]}]}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		n, err := Parse("f.json", data)
		if err != nil {
			return
		}
		// Whatever is accepted can be computed, to finite numbers.
		err = Simulate(n, 10, 5, func(at float64, temps []float64) {
			for i, c := range temps {
				if math.IsNaN(c) || math.IsInf(c, 0) {
					t.Fatalf("node %d is %g at %g s", i, c, at)
				}
			}
		})
		if err != nil {
			t.Fatal(err)
		}
	})
}

func BenchmarkSimulate12(b *testing.B) {
	data, err := os.ReadFile("../../testdata/networks/random-12.json")
	if err != nil {
		b.Fatal(err)
	}
	n := parse(b, string(data))
	for b.Loop() {
		if err := Simulate(n, 600, 1, func(float64, []float64) {}); err != nil {
			b.Fatal(err)
		}
	}
}
