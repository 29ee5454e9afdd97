package emf

import "math"

// curve is the reference function of one type.
type curve struct {
	forward []segment // ascending, touching
	inverse []guess   // ascending; may overlap, may not reach the ends of forward
}

// segment is E(t) = Σ c[i]·tⁱ in mV over from…to °C, plus the exponential of type K where bell is set.
type segment struct {
	from, to     float64 // °C
	fromMV, toMV float64
	bell         bool
	c            []float64
}

// guess is the published approximate inverse t = Σ d[i]·Eⁱ, good to a few hundredths of a degree over from…to mV.
type guess struct {
	from, to float64 // mV
	d        []float64
}

// The exponential of type K above 0 °C: a0·exp(a1·(t − a2)²), mV and °C (NIST Monograph 175).
const (
	bellHeight = 0.118597600000e+00
	bellWidth  = -0.118343200000e-03
	bellCentre = 0.126968600000e+03
)

func (t Type) curve() *curve {
	switch t {
	case K:
		return &typeK
	case J:
		return &typeJ
	case T:
		return &typeT
	case N:
		return &typeN
	case E:
		return &typeE
	case S:
		return &typeS
	case R:
		return &typeR
	case B:
		return &typeB
	}
	return nil
}

// at returns the electromotive force in mV at t °C and its slope in mV/K, by one pass of Horner's scheme.
func (s *segment) at(t float64) (mV, slope float64) {
	for i := len(s.c) - 1; i >= 0; i-- {
		slope = slope*t + mV
		mV = mV*t + s.c[i]
	}
	if s.bell {
		x := t - bellCentre
		b := bellHeight * math.Exp(bellWidth*x*x)
		mV += b
		slope += 2 * bellWidth * x * b
	}
	return mV, slope
}

// start returns a temperature to begin the search with. Outside the published inverses it is the nearest end of them.
func (c *curve) start(mV float64) float64 {
	g := &c.inverse[0]
	for i := range c.inverse {
		if g = &c.inverse[i]; mV <= g.to {
			break
		}
	}
	// Beyond its end a polynomial of degree nine runs off to nowhere within a fraction of a millivolt.
	x := max(g.from, min(mV, g.to))
	t := 0.0
	for i := len(g.d) - 1; i >= 0; i-- {
		t = t*x + g.d[i]
	}
	return t
}

// Limits of the search. From the published inverse two steps are usual; forty halvings of 1500 °C alone reach 2e-9 °C.
const (
	closeEnough = 1e-9 // °C
	mostSteps   = 60
)

// solve finds t in from…s.to with E(t) = mV by Newton's method, and halves the bracket where that would leave it:
// close to −270 °C the slope all but vanishes.
func (s *segment) solve(mV, from, t float64) float64 {
	low, high := from, s.to
	t = max(low, min(t, high))
	for range mostSteps {
		e, slope := s.at(t)
		step := (e - mV) / slope
		if math.Abs(step) < closeEnough {
			break
		}
		if e > mV {
			high = t
		} else {
			low = t
		}
		next := t - step
		if !(next >= low && next <= high) {
			next = (low + high) / 2
		}
		t = next
	}
	return max(from, min(t, s.to))
}
