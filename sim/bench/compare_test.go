package bench

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"strings"
	"testing"

	"trivet/sim/catalog"
)

func TestTheChartOfAComparisonIsAPlainPictureThatSaysWhatItShows(t *testing.T) {
	p := parts(t, "removal-50mm")
	p.Scenario.Expect = nil
	p.Board.Title = `A board with <angles> & "quotes"`
	laws := []string{"table", "pid", "cascade"}
	c, err := Compare(t.Context(), p, laws, nil)
	if err != nil {
		t.Fatal(err)
	}
	svg := c.SVG()
	if len(svg) > 80_000 {
		t.Errorf("%d bytes", len(svg))
	}
	seen := map[string]int{}
	for dec := xml.NewDecoder(strings.NewReader(svg)); ; {
		tok, err := dec.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatalf("not well-formed: %v", err)
		}
		if e, ok := tok.(xml.StartElement); ok {
			seen[e.Name.Local]++
		}
	}
	if seen["title"] != 1 || seen["desc"] != 1 || seen["script"]+seen["foreignObject"]+seen["image"] > 0 {
		t.Errorf("elements %v", seen)
	}
	for _, want := range append(laws, "liquidus 220 °C", "corridor", "Soak", "&lt;angles&gt;", "°C rms") {
		if !strings.Contains(svg, want) {
			t.Errorf("%q is not on the chart", want)
		}
	}
	if strings.Contains(svg, "NaN") || strings.Contains(svg, "Inf") {
		t.Error("a coordinate is not a number")
	}
	// Errors on the chart must be those of the summary: once a second instead of ten times, but the same course.
	for i := range c.Laws {
		l, sum := &c.Laws[i], 0.0
		for _, in := range l.Instant[:l.Heats] {
			sum += square(in.Joint - in.Target)
		}
		if got, want := rms(sum, l.Heats), *l.Result.Summary.RmsC; math.Abs(got-want) > 0.03*want+0.05 {
			t.Errorf("%s: the chart shows %.2f °C rms, the summary says %.2f", l.Law, got, want)
		}
	}
}

// In print and to some eyes there is no colour: pattern and weight alone must tell the laws apart.
func TestLawsCanBeToldApartInGrey(t *testing.T) {
	seen := map[string]string{}
	for _, law := range catalog.Laws() {
		s, ok := strokes[law]
		if !ok {
			t.Errorf("%s has no stroke", law)
		}
		look := fmt.Sprint(s.dash)
		if s.dash == "" {
			look = fmt.Sprint(s.width)
		}
		if other, taken := seen[look]; taken {
			t.Errorf("%s looks like %s", law, other)
		}
		seen[look] = law
	}
}

func TestAGoalIsMetAtItsLimitAndNotAbove(t *testing.T) {
	up, down := 2.0, -7.5
	s := Sweeped{Boards: 2, Runs: []Summary{{PeakErrorC: &up}, {PeakErrorC: &down}}, Figures: []Figure{
		{Name: "rms_c", Unit: "°C", N: 2, Median: 1, P95: 2.6}, {Name: "peak_error_c", Unit: "°C", N: 2, Median: 4.75, P95: 7, Worst: down},
		{Name: "time_above_liquidus_error_s", Unit: "s"},
	}}
	words := map[string]string{}
	for _, j := range s.Judge() {
		words[j.Figure+" "+j.Of] = j.Word()
	}
	for k, want := range map[string]string{
		"rms_c median": "met", "rms_c 95 %": "not met", "peak_error_c highest": "met", "peak_error_c 95 %": "not met",
		"time_above_liquidus_error_s median": "no board got there", "rms_above_150_no_kink_c median": "no board got there",
	} {
		if words[k] != want {
			t.Errorf("%s is %q; want %q", k, words[k], want)
		}
	}
}

// TestTheShippedChartIsWhatTheProgramDraws keeps the example beside the program honest: not to the last digit, but drawn by the same hand.
func TestTheShippedChartIsWhatTheProgramDraws(t *testing.T) {
	data, err := os.ReadFile("../../deploy/compare.svg")
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"<title", "<desc", "Network switch, 16 layers", "cascade-pid", "clairvoyant"} {
		if !strings.Contains(string(data), want) {
			t.Errorf("%q is not in the shipped chart", want)
		}
	}
}
