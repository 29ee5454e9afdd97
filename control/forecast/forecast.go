// Package forecast says where the joint will be for the rest of a run, how surely, and whether to go on into reflow.
//
// It is pure and slow enough to stay outside the tick. It advises: it switches nothing, and no cut-off listens to it.
package forecast

import (
	"math"
	"slices"

	"trivet/control/plan"
)

// Span is a forecast number with its 95 % band.
type Span struct{ Low, Mid, High float64 }

// Window is what the run is to keep to. A zero limit is none.
type Window struct {
	Liquidus           float64 // °C
	PeakMin, PeakMax   float64 // °C of the coldest and hottest joint
	AboveMin, AboveMax float64 // s above liquidus
	Body, Board        float64 // °C, ceilings of package top and board
	ToPeak             float64 // s from 25 °C to the peak
}

// Basis is what a forecast stands on.
type Basis struct {
	Schedule  *plan.Schedule
	Deviation float64 // °C, standard deviation of the joint now, attachment of the thermocouple left out
	Ambient   float64 // °C
	Seconds   int     // how long the run has taught
	Spent     float64 // s since the joint left 25 °C
	Left      float64 // °C rms, what the fit left over in the last minute
	HeatEnds  int     // s from the schedule's begin at which heating ends
	CoolRate  float64 // K/s of the cooling that follows, positive
	Ceiling   [plan.Groups]float64
	Budget    float64 // W
	Body      float64 // °C the plan keeps the package top to; 0 for none
	NoJoint   bool    // there is no joint thermocouple: the joint is estimated
	Accepted  bool    // and whoever began the run knows how well
}

// Forecast is the rest of the run. Low and High are the 95 % band of the outer balls, one value a second.
type Forecast struct {
	Mid, Low, High []float64
	Peak           Span    // °C
	Above          Span    // s above liquidus from now on
	ToPeak         Span    // s from 25 °C to the peak, what has passed included
	BodyPeak       Span    // °C
	BoardPeak      Span    // °C
	Lag            float64 // K, most that the balls will be behind the profile
	Slower         float64 // s that stretching adds to the profile from now on
	Binding        []Limit // what keeps the machine from doing better, most often first
	Verdict
}

// How a forecast errs, found on boards drawn at random and checked by TestBandCoversTheTruth in control/full: half
// widths of a 95 % band.
const (
	stemSpread  = 0.0087 // standard deviation of the share of air in a joint reading, even between 0 and 3 %
	nearPeak    = 2.5    // °C; a little more than profiles wait for
	stemTop     = 1.73   // half width by standard deviation of an even distribution that reaches 95 % and all
	nearBand    = 0.8    // K, however near
	farBand     = 1.6    // K more, far ahead
	farAfter    = 70.0   // s
	timing      = 0.05   // of the time ahead: by what stretching may yet change when things happen
	youngTiming = 0.06   // more of it while the run is young
	youngAfter  = 90     // s
	meltBand    = 1.6    // K more from where the solder melts on
	estimate    = 1.5    // K more where no thermocouple sits at the joint
	bodyBand    = 4.0    // K: the thermocouple on the package top is not at its hottest place
	boardBand   = 6.0    // K: the model knows the board near the part only
	aboveSpread = 4.0    // s of cooling and freezing that the model does not know
)

// Make returns the forecast from a basis, and whether to go on. A basis without a schedule gives a forecast that says no.
func Make(b Basis, w Window) Forecast {
	var f Forecast
	s := b.Schedule
	if s == nil || s.Len() == 0 {
		f.say(Reason{Code: NoPlan, Stops: true, Text: "There is no plan of the rest of the run yet.", Remedy: "Wait a few seconds, or steer without a forecast."})
		return f
	}
	end := max(1, min(s.Len()-1, b.HeatEnds))
	f.band(&b, &w)
	f.Peak, f.BodyPeak, f.BoardPeak = highest(f.Low, f.Mid, f.High, end), Span{}, Span{}
	body, board := 0.0, 0.0
	for i := range end + 1 {
		body, board = math.Max(body, s.Body[i]), math.Max(board, s.Board[i])
		if t := s.Ball[i]; math.Abs(t-w.Liquidus) > 5 { // the melting kink is nobody's lag
			f.Lag = math.Max(f.Lag, s.Target[i]-t)
		}
		f.Slower += 1 - s.Walk[i]
	}
	f.BodyPeak, f.BoardPeak = Span{body - bodyBand, body, body + bodyBand}, Span{board - boardBand, board, board + boardBand}
	f.Above = above(&f, &b, w.Liquidus, end)
	f.ToPeak = toPeak(f.Mid[:end+1], b.Spent)
	f.Binding = binding(&b, end)
	f.judge(&b, &w)
	return f
}

// band lays the 95 % band around the plan: what is not known of the joint now, what the model will get wrong, and the
// attachment of the thermocouple, which feedback cannot correct because it is all that feedback sees.
func (f *Forecast) band(b *Basis, w *Window) {
	s := b.Schedule
	n := s.Len()
	f.Mid, f.Low, f.High = make([]float64, n), make([]float64, n), make([]float64, n)
	melted := false
	for i := range n {
		far, late := farBand*(1-math.Exp(-float64(i)/farAfter)), timing
		if b.Seconds < youngAfter {
			late += youngTiming
		}
		slope := (s.Ball[min(n-1, i+5)] - s.Ball[max(0, i-5)]) / float64(min(n-1, i+5)-max(0, i-5))
		late *= float64(i) * slope
		melted = melted || s.Ball[i] > w.Liquidus-5
		melt, own := 0.0, 0.0
		if melted {
			melt = meltBand
		}
		if b.NoJoint {
			own = estimate
		}
		stem := stemTop * stemSpread * (s.Set[plan.Top][i] - s.Ball[i])
		now := 1.96 * b.Deviation
		half := math.Sqrt(now*now + nearBand*nearBand + far*far + late*late + melt*melt + own*own + stem*stem)
		f.Mid[i], f.Low[i], f.High[i] = s.Ball[i], s.Ball[i]-half, s.Ball[i]+half
	}
}

// highest returns the highest values up to end.
func highest(low, mid, high []float64, end int) Span {
	p := Span{low[0], mid[0], high[0]}
	for i := range end + 1 {
		p.Low, p.Mid, p.High = math.Max(p.Low, low[i]), math.Max(p.Mid, mid[i]), math.Max(p.High, high[i])
	}
	return p
}

// toPeak returns how long after 25 °C the peak comes.
func toPeak(mid []float64, spent float64) Span {
	at := 0
	top := slices.Max(mid)
	for mid[at] < top-nearPeak { // a joint that creeps up to its peak is lifted when it is nearly there
		at++
	}
	left := float64(at)
	return Span{spent + left*(1-timing), spent + left, spent + left*(1+timing)}
}

// above returns for how long the balls will be above liquidus: while heated by the band, then by cooling at the
// profile's rate from wherever they are.
func above(f *Forecast, b *Basis, liquidus float64, end int) Span {
	count := func(t []float64, extra float64) float64 {
		sum := 0.0
		for i := range end + 1 {
			if t[i] > liquidus {
				sum++
			}
		}
		if t[end] > liquidus && b.CoolRate > 0 {
			sum += (t[end] - liquidus) / b.CoolRate
		}
		if sum > 0 {
			sum += extra
		}
		return math.Max(0, sum)
	}
	return Span{count(f.Low, -aboveSpread), count(f.Mid, 0), count(f.High, aboveSpread)}
}
