package emf

import (
	"fmt"
	"math"
	"math/big"
	"strconv"
	"testing"

	"trivet/process/unit"
	"trivet/testdata/facts"
)

// The whole range of every type in steps of 0.01 °C: the voltage rises from step to step, leads back to its temperature,
// and does not jump where two polynomials meet. Type B only from where its inverse begins, see there.
func TestEveryHundredthOfADegreeRisesAndLeadsBack(t *testing.T) {
	for _, letter := range Types {
		t.Run(string(letter), func(t *testing.T) {
			typ := Type(letter)
			low, high, _ := typ.InverseRange()
			first, last := int(math.Round(float64(low)*100)), int(math.Round(float64(high)*100))
			before, worst := math.Inf(-1), 0.0
			for step := first; step <= last; step++ {
				c := unit.Celsius(step) / 100
				mV, ok := typ.Voltage(c)
				back, okBack := typ.Temperature(mV)
				if !ok || !okBack || !(mV > before) {
					t.Fatalf("at %v: %v mV (%v) after %v, back %v (%v)", float64(c), mV, ok, before, float64(back), okBack)
				}
				// No couple gives as much as 90 µV/K (type E at its steepest: 81 µV/K, computed); more would be a jump.
				if step > first && !(mV-before < 0.9e-3) {
					t.Fatalf("at %v the voltage jumps by %v mV", float64(c), mV-before)
				}
				worst, before = max(worst, math.Abs(float64(back-c))), mV
			}
			if !(worst < 1e-6) {
				t.Errorf("there and back is off by %g °C", worst)
			}
			t.Logf("%d steps, there and back within %.2g °C", last-first+1, worst)
		})
	}
}

// The printed polynomials meet within a nanovolt, and a voltage between two of them has the temperature where they meet.
func TestPolynomialsMeetAndTheGapBetweenThemHasATemperature(t *testing.T) {
	gaps := 0
	for _, letter := range Types {
		typ := Type(letter)
		forward := typ.curve().forward
		for i := range forward[:len(forward)-1] {
			a, b := forward[i].toMV, forward[i+1].fromMV
			if !(math.Abs(b-a) < 1e-6) {
				t.Errorf("%v: at %v °C one polynomial ends at %v mV, the next begins at %v", typ, forward[i].to, a, b)
			}
			if typ == B { // both lie below where its inverse begins, or well inside
				continue
			}
			for _, mV := range []float64{a, b, a + (b-a)/2, math.Nextafter(a, b)} {
				got, ok := typ.Temperature(mV)
				if !ok || !(math.Abs(float64(got)-forward[i].to) < 1e-4) {
					t.Errorf("%v: %v mV between two polynomials is %v (%v), want %v", typ, mV, float64(got), ok, forward[i].to)
				}
				if mV > a && mV < b {
					gaps++
				}
			}
		}
	}
	if gaps == 0 {
		t.Error("no type has a gap any more: the rule for it can go")
	}
}

// A second evaluation, in 200-bit arithmetic and power by power instead of by Horner's scheme, straight from the published
// coefficients. It agrees to a picovolt or so: rounding does nothing to a temperature.
func TestASecondEvaluationInLongArithmeticAgrees(t *testing.T) {
	number := func(s string) *big.Float {
		v, ok := new(big.Float).SetPrec(200).SetString(s)
		if !ok {
			t.Fatalf("%q is no number", s)
		}
		return v
	}
	type part struct {
		from, to float64
		c        []*big.Float
	}
	parts, bell := map[string][]part{}, []*big.Float{}
	for _, row := range facts.Rows(t, "thermocouple_coeffs.csv") {
		switch segment, _ := strconv.Atoi(row[2]); row[1] {
		case "forward_exp":
			bell = append(bell, number(row[8]))
		case "forward":
			list := parts[row[0]]
			if segment == len(list) {
				list = append(list, part{from: facts.Number(t, row[3]), to: facts.Number(t, row[4])})
			}
			list[segment].c = append(list[segment].c, number(row[8]))
			parts[row[0]] = list
		}
	}
	for letter, list := range parts {
		worst := 0.0
		for i, p := range list {
			for c := math.Ceil(p.from); c < p.to; c += 1.25 {
				sum, power := number("0"), number("1")
				for _, k := range p.c {
					sum.Add(sum, new(big.Float).Mul(k, power))
					power.Mul(power, number(fmt.Sprint(c)))
				}
				want, _ := sum.Float64()
				if letter == "K" && i == 1 {
					x, _ := bell[2].Float64()
					height, _ := bell[0].Float64()
					width, _ := bell[1].Float64()
					want += height * math.Exp(width*(c-x)*(c-x))
				}
				got, _ := typeOf(letter).curve().forward[i].at(c)
				worst = max(worst, math.Abs(got-want))
			}
		}
		if !(worst < 1e-9) {
			t.Errorf("%s: a second evaluation differs by %g mV", letter, worst)
		}
	}
	if len(parts) != len(Types) {
		t.Errorf("%d types were evaluated", len(parts))
	}
}

func typeOf(letter string) Type { return Type(letter[0]) }

func TestATypeNobodyKnowsHasNoRange(t *testing.T) {
	for _, typ := range []Type{0, 'k', 'X', 0xFF} {
		if _, _, ok := typ.Range(); ok {
			t.Errorf("type %d has a range", typ)
		}
		if _, _, ok := typ.InverseRange(); ok {
			t.Errorf("type %d has a range of its inverse", typ)
		}
		if typ.String() != "?" {
			t.Errorf("type %d is called %v", typ, typ)
		}
	}
}

// Whatever the voltage, a temperature is inside the type's range and has that voltage.
func FuzzTemperature(f *testing.F) {
	f.Add(byte('K'), 10.0)
	f.Add(byte('K'), -6.4577379)
	f.Add(byte('B'), 0.0023)
	f.Add(byte('J'), math.NaN())
	f.Fuzz(func(t *testing.T, letter byte, mV float64) {
		c, ok := Type(letter).Temperature(mV)
		low, high, known := Type(letter).InverseRange()
		if !ok {
			return
		}
		back, okBack := Type(letter).Voltage(c)
		if !known || !(c >= low && c <= high) || !okBack || !(math.Abs(back-mV) < 2e-6) {
			t.Fatalf("type %c: %v mV is %v, which has %v mV (%v)", letter, mV, float64(c), back, okBack)
		}
	})
}
