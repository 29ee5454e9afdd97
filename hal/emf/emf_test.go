package emf

import (
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"

	"trivet/process/unit"
	"trivet/testdata/facts"
)

// Source of the rows: NIST SRD 60 table files, printed to 1 µV.
func TestForwardGivesEveryPrintedValueOfTheNISTTables(t *testing.T) {
	rows := facts.Rows(t, "thermocouple_emf.csv")
	for _, row := range rows {
		typ, err := ParseType(row[0])
		if err != nil {
			t.Fatal(err)
		}
		c, want := facts.Number(t, row[1]), facts.Number(t, row[2])
		got, ok := typ.Voltage(unit.Celsius(c))
		if !ok || math.Round(got*1000) != math.Round(want*1000) {
			t.Errorf("%v at %v °C: %.4f mV (%v), printed is %.3f", typ, c, got, ok, want)
		}
	}
	if len(rows) < 900 {
		t.Errorf("only %d rows were checked", len(rows))
	}
}

// A printed value stands for all voltages within half a microvolt of it; the inverse must lie among their temperatures.
func TestInverseGivesEveryRowOfTheNISTTablesWithinThePrintedDigit(t *testing.T) {
	const half = 0.00051 // mV: half of the last digit, and the digit's own rounding
	for _, row := range facts.Rows(t, "thermocouple_emf.csv") {
		typ, _ := ParseType(row[0])
		c, mV := facts.Number(t, row[1]), facts.Number(t, row[2])
		if lo, _, _ := typ.InverseRange(); c < float64(lo)+10 && typ == B {
			continue // see the test on type B
		}
		lo, hi, _ := typ.InverseRange()
		if c == float64(lo) || c == float64(hi) {
			mV, _ = typ.Voltage(unit.Celsius(c)) // the printed digit may lie just outside
		}
		low, okLow := typ.Temperature(max(mV-half, mustVoltage(t, typ, lo)))
		high, okHigh := typ.Temperature(min(mV+half, mustVoltage(t, typ, hi)))
		got, ok := typ.Temperature(mV)
		if !ok || !okLow || !okHigh || !(float64(low)-1e-6 <= c && c <= float64(high)+1e-6) || !(low <= got && got <= high) {
			t.Errorf("%v at %.3f mV: %.4f °C, allowed %.4f to %.4f around %v", typ, mV, got, low, high, c)
		}
	}
}

func mustVoltage(t *testing.T, typ Type, c unit.Celsius) float64 {
	t.Helper()
	v, ok := typ.Voltage(c)
	if !ok {
		t.Fatalf("%v has no voltage at %v", typ, c)
	}
	return v
}

// Bands printed beside the inverse polynomials (NIST SRD 60), °C; R, S, B as recomputed in the fact base.
func TestPublishedInverseAloneStaysInItsPrintedErrorBand(t *testing.T) {
	bands := map[Type][][2]float64{
		K: {{-0.02, 0.041}, {-0.05, 0.04}, {-0.05, 0.06}}, J: {{-0.05, 0.033}, {-0.04, 0.04}, {-0.04, 0.03}},
		T: {{-0.02, 0.04}, {-0.03, 0.03}}, N: {{-0.02, 0.03}, {-0.02, 0.03}, {-0.04, 0.021}},
		E: {{-0.01, 0.03}, {-0.02, 0.02}},
		S: {{-0.025, 0.025}, {-0.025, 0.025}, {-0.025, 0.025}, {-0.025, 0.025}}, R: {{-0.025, 0.025}, {-0.025, 0.025}, {-0.025, 0.025}, {-0.025, 0.025}},
		B: {{-0.021, 0.03}, {-0.021, 0.021}}, // +0.03: printed band from memory
	}
	for typ, band := range bands {
		c := typ.curve()
		if len(band) != len(c.inverse) {
			t.Fatalf("%v has %d inverse polynomials, %d bands", typ, len(c.inverse), len(band))
		}
		for i, g := range c.inverse {
			only := curve{inverse: []guess{g}}
			for mV := g.from; mV <= g.to; mV += (g.to - g.from) / 2000 {
				exact, ok := typ.Temperature(mV)
				if !ok || typ == B && exact < 250 {
					continue // the printed ends in mV are rounded and lie a little outside those in °C
				}
				if err := only.start(mV) - float64(exact); err < band[i][0]-0.001 || err > band[i][1]+0.001 {
					t.Errorf("%v at %.4f mV: %.4f °C off, printed band is %v", typ, mV, err, band[i])
					break
				}
			}
		}
	}
}

func TestThereAndBackIsTheSameTemperature(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for _, l := range Types {
		typ := Type(l)
		lo, hi, _ := typ.InverseRange()
		points := []unit.Celsius{lo, hi}
		for _, s := range typ.curve().forward {
			points = append(points, max(lo, unit.Celsius(s.from)), max(lo, unit.Celsius(s.from)+1e-7), unit.Celsius(s.to))
		}
		for range 20000 {
			points = append(points, lo+unit.Celsius(rng.Float64())*(hi-lo))
		}
		worst := 0.0
		for _, want := range points {
			mV, ok := typ.Voltage(want)
			got, okBack := typ.Temperature(mV)
			if !ok || !okBack {
				t.Fatalf("%v at %v: no way there (%v) or back (%v)", typ, float64(want), ok, okBack)
			}
			worst = max(worst, math.Abs(float64(got-want)))
		}
		if !(worst < 1e-6) {
			t.Errorf("%v: there and back is off by %g °C", typ, worst)
		}
	}
}

func TestEveryPublishedCoefficientIsInTheTables(t *testing.T) {
	for _, row := range facts.Rows(t, "thermocouple_coeffs.csv") {
		typ, _ := ParseType(row[0])
		segment, _ := strconv.Atoi(row[2])
		i, _ := strconv.Atoi(row[7])
		want, c := facts.Number(t, row[8]), typ.curve()
		var got float64
		switch row[1] {
		case "forward":
			got = c.forward[segment].c[i]
		case "inverse":
			got = c.inverse[segment].d[i]
		case "forward_exp":
			got = []float64{bellHeight, bellWidth, bellCentre}[i]
			if !c.forward[segment].bell {
				t.Errorf("%v segment %d lacks its exponential", typ, segment)
			}
		}
		if got != want {
			t.Errorf("%v %s %d %s is %g, published is %g", typ, row[1], segment, row[9], got, want)
		}
	}
}

func TestOutsideItsRangeAFunctionGivesNoNumber(t *testing.T) {
	nan := math.NaN()
	for _, l := range Types {
		typ := Type(l)
		lo, hi, _ := typ.Range()
		for _, c := range []float64{float64(lo) - 0.01, float64(hi) + 0.01, nan, math.Inf(1), math.Inf(-1), 1e308} {
			if mV, ok := typ.Voltage(unit.Celsius(c)); ok {
				t.Errorf("%v at %v °C gives %v mV", typ, c, mV)
			}
		}
		for _, mV := range []float64{-10, 80, nan, math.Inf(1), math.Inf(-1)} {
			if c, ok := typ.Temperature(mV); ok {
				t.Errorf("%v at %v mV gives %v", typ, mV, c)
			}
		}
	}
	if _, ok := Type(0).Voltage(25); ok {
		t.Error("a couple of no type has a voltage")
	}
	if _, ok := Type('k').Temperature(1); ok {
		t.Error("a couple of an unknown type has a temperature")
	}
}

func TestTypeBIsSilentWhereItsVoltageIsAmbiguous(t *testing.T) {
	for _, c := range []unit.Celsius{0, 20, 30, 42, 49} {
		mV, ok := B.Voltage(c)
		if !ok {
			t.Errorf("no voltage at %v", c)
		}
		if got, ok := B.Temperature(mV); ok {
			t.Errorf("%v became %v", c, got)
		}
	}
	if _, ok := B.Temperature(mustVoltage(t, B, 51)); !ok {
		t.Error("nothing at 51 °C")
	}
}

func TestTypesAreNamedByOneLetter(t *testing.T) {
	for _, l := range Types {
		for _, s := range []string{string(l), " " + strings.ToLower(string(l)) + " "} {
			if typ, err := ParseType(s); err != nil || typ.String() != string(l) {
				t.Errorf("%q gave %v, %v", s, typ, err)
			}
		}
	}
	for _, s := range []string{"", "KK", "k j", "X", "°"} {
		if typ, err := ParseType(s); err == nil || typ.Known() || !strings.Contains(err.Error(), "allowed are") {
			t.Errorf("%q gave %v, %v", s, typ, err)
		}
	}
}

func BenchmarkVoltage(b *testing.B) {
	b.ReportAllocs()
	for i := range b.N {
		K.Voltage(unit.Celsius(i % 300))
	}
}

func BenchmarkTemperature(b *testing.B) {
	b.ReportAllocs()
	for i := range b.N {
		K.Temperature(float64(i%12000) / 1000)
	}
}
