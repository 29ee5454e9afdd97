// Package boardid learns a board from its own run: it fits the physical model to what the thermocouples showed while
// the board was heating, starting from what a calliper tells and how far that can be trusted.
//
// It is pure and slow (milliseconds): it belongs outside the tick. It changes no set-point and needs no run of its own.
package boardid

import (
	"math"

	"trivet/control/model"
)

// The things that are fitted. Each is counted in standard deviations of what a calliper leaves open, so that 0 is the
// guess and ±1 is usual; that makes prior and scaling one and the same.
const (
	heatTop = iota
	heatJoint
	heatRing
	jetTop
	jetJoint
	viewJoint
	viewRing
	across
	along
	loss
	spill
	latent
	stem
	jointMix
	boardMix
	jointLag
	melt
	meltWidth
	topAir
	Count // how many there are
)

// Theta is a set of departures from the guess, in standard deviations.
type Theta [Count]float64

// spread is one standard deviation: of the logarithm for quantities that are factors, of the value for the others.
// Sources: jets ±15 % is what machines are taken to differ by; copper weight and coverage leave ±25 % of heat capacity
// and a factor of two of conduction open; the rest are judgements on the same footing.
var spread = Theta{
	heatTop: 0.3, heatJoint: 0.2, heatRing: 0.3, jetTop: 0.15, jetJoint: 0.2, viewJoint: 0.2, viewRing: 0.2,
	across: 0.7, along: 0.6, loss: 0.3, spill: 0.5, latent: 0.3,
	stem: 0.003, jointMix: 0.15, boardMix: 0.25, jointLag: 0.05, melt: 2, meltWidth: 0.4,
	topAir: 0.0115,
}

// Sibling returns how much narrower the departures of one board of a type are around the mean of its type than those of any board around
// its calliper: masses within ±5 %, heat transfer within ±10 %, the rest the same but for how the thermocouples were attached, of
// which nothing is known anew. Judgement after the same bounds the goals for repeats are set for.
func Sibling() Theta {
	t := Theta{
		heatTop: 8, heatJoint: 6, heatRing: 8, jetTop: 2.6, jetJoint: 3.4, viewJoint: 8, viewRing: 8,
		across: 8, along: 8, loss: 8, spill: 5, latent: 5, stem: 1, jointMix: 4, boardMix: 4, jointLag: 1, melt: 5, meltWidth: 4, topAir: 1,
	}
	return t
}

// kinBlind is how far the fitted departures of kin usually are from the middle of their type in a run without a joint thermocouple, in units of
// what Sibling expects: what such a run says little about stays nearer. Root mean squares over 50 drawn boards, each after three
// lessons of its type; 0 for what says nothing.
var kinBlind = Theta{
	heatTop: 0.26, heatJoint: 0.08, heatRing: 0.39, jetTop: 0.57, jetJoint: 0.63, viewJoint: 0.13, viewRing: 0.54,
	across: 0.2, along: 0.65, loss: 0.47, spill: 0.55, boardMix: 0.94, topAir: 0.41,
}

// StrainBlind is Strain for a fit without a joint thermocouple, each departure in units of what it usually is there.
func (f *Fitted) StrainBlind() float64 {
	sum, tight := 0.0, Sibling()
	for i, v := range f.Theta {
		if kinBlind[i] > 0 {
			sum += square(v * tight[i] / kinBlind[i])
		}
	}
	return math.Sqrt(sum)
}

// OfBoard returns the departures without those that belong to how the thermocouples were attached, which the next board does not share.
func (a Theta) OfBoard() Theta {
	a[stem], a[jointLag], a[topAir] = 0, 0, 0
	return a
}

// Bounds keep a fit physical whatever the data say.
const widest = 4.0

// Plus returns the departures of a fit that was itself made from departures: first a, then b.
func (a Theta) Plus(b Theta) Theta {
	for i := range a {
		a[i] = clamp(a[i]+b[i], -2*widest, 2*widest)
	}
	return a
}

// Apply returns the guess changed by the departures.
func Apply(g model.Params, th *Theta) model.Params {
	f := func(i int) float64 { return math.Exp(spread[i] * th[i]) }
	g.HeatTop *= f(heatTop)
	g.HeatJoint *= f(heatJoint)
	g.HeatRing *= f(heatRing)
	g.JetTop *= f(jetTop)
	g.JetRingTop *= f(jetTop) * f(spill)
	g.JetJoint *= f(jetJoint)
	g.JetRingBottom *= f(jetJoint) * f(spill)
	g.ViewJoint *= f(viewJoint)
	g.ViewRing *= f(viewRing)
	g.Across *= f(across)
	g.Along *= f(along)
	l := f(loss)
	g.LossTop *= l
	g.LossJoint *= l
	g.LossRing *= l
	g.GlowJoint *= l
	g.GlowRing *= l
	g.Latent *= f(latent)
	g.Melt += spread[melt] * th[melt]
	g.MeltWidth *= f(meltWidth)
	g.Stem = clamp(g.Stem+spread[stem]*th[stem], 0, 0.06)
	g.JointMix = clamp(g.JointMix+spread[jointMix]*th[jointMix], -0.1, 0.6)
	g.BoardMix = clamp(g.BoardMix+spread[boardMix]*th[boardMix], 0, 1.5)
	g.TopAir = clamp(g.TopAir+spread[topAir]*th[topAir], 0, 0.1)
	g.JointLag = clamp(g.JointLag+spread[jointLag]*th[jointLag], 0.2, 2)
	return g
}

func clamp(v, lo, hi float64) float64 { return math.Max(lo, math.Min(hi, v)) }
