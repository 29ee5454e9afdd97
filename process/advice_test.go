package process

import (
	"strings"
	"testing"
)

func TestANozzleOfSixtyMillimetresLeavesFiveOnAPartOfFifty(t *testing.T) {
	// Common practice, no source.
	n := NozzleFor(0.050, 0.050)
	if n.Width < 0.0599 || n.Width > 0.0601 || n.Gap != 5e-3 {
		t.Errorf("nozzle of %g m with a gap of %g m", n.Width, n.Gap)
	}
	if ok, text := CheckNozzle(0.060, 0.060, 0.050, 0.050); !ok || !strings.Contains(text, "5.0 mm") {
		t.Errorf("%v, %q", ok, text)
	}
}

func TestANozzleThatTouchesOrMissesIsRefusedWithTheRightSize(t *testing.T) {
	for name, w := range map[string]float64{"smaller than the part": 0.045, "only": 0.052, "neighbours": 0.080} {
		ok, text := CheckNozzle(w, w, 0.050, 0.050)
		if ok || !strings.Contains(text, name) || !strings.Contains(text, "60 × 60 mm") {
			t.Errorf("%g m: %v, %q", w, ok, text)
		}
	}
}

func banks() []HeaterBank {
	return []HeaterBank{
		{"left", []Rectangle{{-0.1, -0.06, 0.08, 0.12}, {-0.1, 0.06, 0.08, 0.12}}},
		{"right", []Rectangle{{0.1, -0.06, 0.08, 0.12}, {0.1, 0.06, 0.08, 0.12}}},
		{"ends", []Rectangle{{0, -0.085, 0.12, 0.08}, {0, 0.085, 0.12, 0.08}}},
	}
}

func used(a []BankAdvice) string {
	var out []string
	for _, b := range a {
		if b.Use {
			out = append(out, b.Name)
		}
	}
	return strings.Join(out, " ")
}

func TestBanksAreAdvisedByWhatLiesUnderTheBoard(t *testing.T) {
	for name, c := range map[string]struct {
		board Rectangle
		want  string
	}{
		"a large board takes all":               {Rectangle{0, 0, 0.30, 0.25}, "left right ends"},
		"a narrow one only those under it":      {Rectangle{0, 0, 0.10, 0.25}, "ends"},
		"one off to the right takes that side":  {Rectangle{0.1, 0, 0.10, 0.20}, "right"},
		"a tiny one takes the nearest at least": {Rectangle{0, 0, 0.03, 0.10}, "ends"},
	} {
		if got := used(BanksFor(c.board, banks())); got != c.want {
			t.Errorf("%s: %q; want %q", name, got, c.want)
		}
	}
	if got := BanksFor(Rectangle{0, 0, 1, 1}, nil); len(got) != 0 {
		t.Errorf("a machine without banks got %v", got)
	}
}
