package process

import (
	"bytes"
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"trivet/process/unit"
)

// facts reads a table of published values; each row is a map from column to cell.
func facts(t *testing.T, name string) []map[string]string {
	t.Helper()
	data, err := os.ReadFile("../testdata/facts/" + name)
	if err != nil {
		t.Fatal(err)
	}
	r := csv.NewReader(bytes.NewReader(data))
	r.Comment = '#'
	all, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var rows []map[string]string
	for _, cells := range all[1:] {
		row := map[string]string{}
		for i, c := range cells {
			row[all[0][i]] = c
		}
		rows = append(rows, row)
	}
	return rows
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	if s == "inf" {
		return math.Inf(1)
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func TestEveryPublishedAlloyIsKnownWithItsTemperatures(t *testing.T) {
	rows := facts(t, "alloys.csv")
	if len(rows) != len(Alloys()) {
		t.Errorf("%d alloys, the table has %d", len(Alloys()), len(rows))
	}
	for _, row := range rows {
		a, ok := AlloyByName(strings.ToLower(row["alloy"]))
		if !ok {
			t.Errorf("%s is not known", row["alloy"])
			continue
		}
		if a.Composition != row["composition_wt_pct"] || float64(a.Solidus) != number(t, row["solidus_c"]) || float64(a.Liquidus) != number(t, row["liquidus_c"]) ||
			a.LeadFree != (row["lead_free"] == "yes") {
			t.Errorf("%s is %+v, the table says %v", row["alloy"], a, row)
		}
		if fromMemory := strings.HasPrefix(row["confidence"], "MEMORY"); fromMemory != (a.Confidence == FromMemory) {
			t.Errorf("%s claims to be %s, the table says %s", a.Name, a.Confidence, row["confidence"])
		}
		if a.Source == "" {
			t.Errorf("%s has no source", a.Name)
		}
	}
}

func TestAnUnknownAlloyIsToldWithThoseThatAreKnown(t *testing.T) {
	_, err := FindAlloy("SAC306")
	if err == nil || !strings.Contains(err.Error(), `"SAC306"`) || !strings.Contains(err.Error(), "SAC305, SAC387") {
		t.Errorf("got %v", err)
	}
	if a, err := FindAlloy("  sac305 "); err != nil || a.Name != "SAC305" {
		t.Errorf("got %v, %v", a, err)
	}
}

// J-STD-020D.1 tables 4-1 and 4-2 as in jstd020_tc_table.csv, tried inside each row and on each of its edges. Which
// side an edge belongs to is printed in the first line of that file.
func TestBodyClassIsThePublishedOneInsideAndOnTheEdges(t *testing.T) {
	for _, row := range facts(t, "jstd020_tc_table.csv") {
		leadFree := row["process"] == "Pb-free"
		want := unit.Celsius(number(t, row["tc_c"]))
		inside := func(from, to float64, lowIn, highIn bool) []float64 {
			if math.IsInf(to, 1) {
				to = from * 4
			}
			in := []float64{(from + to) / 2, math.Nextafter(from, to), math.Nextafter(to, from)}
			if lowIn && from > 0 {
				in = append(in, from)
			}
			if highIn {
				in = append(in, to)
			}
			return in
		}
		t0, t1 := number(t, row["thickness_mm_from"]), number(t, row["thickness_mm_to"])
		v0, v1 := number(t, row["volume_mm3_from"]), number(t, row["volume_mm3_to"])
		// Tin-lead rows own their lower edges. Lead-free: the middle rows (1.6…2.5 mm, 350…2000 mm³) own both.
		for _, thickness := range inside(t0, t1, !leadFree || t0 == 1.6, leadFree && t1 == 2.5) {
			for _, volume := range inside(v0, v1, !leadFree || v0 == 350, leadFree && v1 == 2000) {
				if got, source := BodyClass(leadFree, thickness, volume); got != want || source == "" {
					t.Errorf("lead-free %v, %v mm, %v mm³: %v, the table says %v", leadFree, thickness, volume, got, want)
				}
			}
		}
	}
}

func TestBodyClassOfWorkedExamples(t *testing.T) {
	for _, c := range []struct {
		leadFree          bool
		thickness, volume float64
		want              unit.Celsius
	}{ // worked from the tables: 50 × 50 × 3.0, 35 × 35 × 1.5 and 14 × 14 × 1.2 mm
		{true, 3.0, 7500, 245}, {false, 3.0, 7500, 220}, {true, 1.5, 1838, 260}, {true, 1.2, 235, 260}, {false, 1.2, 235, 235},
		{true, math.NaN(), 235, 245}, {false, 1.2, -1, 220}, {true, 0, 0, 245}, // an unknown body is a delicate one
	} {
		if got, _ := BodyClass(c.leadFree, c.thickness, c.volume); got != c.want {
			t.Errorf("lead-free %v, %v mm, %v mm³: %v, want %v", c.leadFree, c.thickness, c.volume, got, c.want)
		}
	}
}

// J-STD-020D.1 Table 5-2 as in jstd020_profile.csv.
func TestTheWindowUsesThePublishedCeilings(t *testing.T) {
	body := unit.Celsius(245)
	for column, name := range map[string]string{"snpb": "Sn63Pb37", "pbfree": "SAC305"} {
		alloy, _ := AlloyByName(name)
		w := WindowFor(Placement, alloy, &body)
		limit := func(measure string, advisory bool) (low, high float64) {
			low, high = math.Inf(-1), math.Inf(1)
			for _, l := range w.Limits {
				if l.Measure != measure || l.Advisory != advisory {
					continue
				}
				if l.Min != nil {
					low = max(low, *l.Min)
				}
				if l.Max != nil {
					high = min(high, *l.Max)
				}
			}
			return low, high
		}
		_, ramp := limit(MRampUp, false)
		_, fall := limit(MRampDown, false)
		_, toPeak := limit(MToPeak, false)
		_, near := limit(MBodyNear, false)
		_, above := limit(MLongestAbove, false)
		soak, _ := limit(MSoak, true)
		got := map[string]float64{"preheat_Tsmin": float64(w.SoakFrom), "preheat_Tsmax": float64(w.SoakTo), "ramp_up_max_TL_to_Tp": ramp, "tL_max_above_TL": above,
			"tp_within_5C_of_Tc": near, "ramp_down_max_Tp_to_TL": fall, "time_25C_to_peak_max": toPeak, "liquidus_TL": float64(w.ClassificationFrom), "preheat_ts_min": soak}
		for _, row := range facts(t, "jstd020_profile.csv") {
			if v, ok := got[row["parameter"]]; ok {
				if want := number(t, row[column]); v != want {
					t.Errorf("%s, %s: %v, published %v", name, row["parameter"], v, want)
				}
				delete(got, row["parameter"])
			}
		}
		for left := range got {
			t.Errorf("%s is not in the published table", left)
		}
	}
}

func TestEveryLimitOfEveryWindowSaysWhereItIsFrom(t *testing.T) {
	body := unit.Celsius(245)
	for _, k := range Kinds() {
		for _, a := range Alloys() {
			for _, l := range WindowFor(k, a, &body).Limits {
				if l.Name == "" || l.Source == "" || l.Confidence == "" || l.Unit == "" || l.Min == nil && l.Max == nil {
					t.Errorf("%s, %s: %+v", k, a.Name, l)
				}
				if l.Min != nil && l.Max != nil && !(*l.Min < *l.Max) {
					t.Errorf("%s, %s, %s: at least %v and at most %v", k, a.Name, l.Name, *l.Min, *l.Max)
				}
			}
			if low, high := JointPeak(a); !(low > a.Liquidus && low < high) {
				t.Errorf("%s: joints peak from %v to %v, liquidus %v", a.Name, low, high, a.Liquidus)
			}
		}
	}
}

func TestATooShortTimeAboveLiquidusFailsAPlacementAndNotARemoval(t *testing.T) {
	a, _ := AlloyByName("SAC305")
	for kind, advisory := range map[Kind]bool{Placement: false, Reball: false, Removal: true} {
		for _, l := range WindowFor(kind, a, nil).Limits {
			if l.Measure == MAboveLiq && l.Min != nil && l.Advisory != advisory {
				t.Errorf("%s: advisory %v", kind, l.Advisory)
			}
		}
	}
}

func TestAKindIsReadIgnoringCaseAndNothingElseIsAKind(t *testing.T) {
	if k, err := ParseKind("Removal"); k != Removal || err != nil {
		t.Errorf("got %q, %v", k, err)
	}
	if _, err := ParseKind("baking"); err == nil || !strings.Contains(err.Error(), "removal, placement, reball, dressing, preheat") {
		t.Errorf("got %v", err)
	}
}
