package observe

import (
	"math"

	"trivet/control/model"
)

// Blind returns the standard deviation of what a joint estimate without a thermocouple at the joint gets wrong for good,
// °C, for a ball at ball °C in a room at ambient: the model's relation of joint to package top and board is a guess, better
// where a board of the type has been run with a thermocouple (learned). Found on boards drawn at random and checked
// by TestJointIsEstimatedWithoutAThermocouple in control/full.
func Blind(ball, ambient float64, learned bool) float64 {
	hot := math.Max(0, ball-ambient)
	if learned {
		return 0.6 + 0.006*hot
	}
	return 1.4 + 0.017*hot
}

// Stem returns the standard deviation of what a thermocouple at the joint gets wrong because of the air along its wire, °C,
// for air that is excess °C hotter: stem shares are taken to be even between 0 and 3 %, of which the mean is known.
func Stem(excess float64) float64 {
	const share = 0.03 / 3.4641 // standard deviation of an even distribution
	return math.Abs(excess) * share
}

// Kinship says how alike a board is to the one a model was learned on.
type Kinship struct {
	// Distance is the rms of what the learned model predicts wrong, each thermocouple in units of what it usually is
	// wrong by on the same board on another day: about 1 for kin.
	Distance float64
	// Strain and Misfit are those of the fit that looks for the board near its type, see boardid.Fitted.
	Strain, Misfit float64
	Seconds        int  // how many seconds it stands on
	Enough         bool // there was enough heat to tell
	Kin            bool // the board may be treated as one of the type
}

// How a learned model errs on the same board on another day, in shares of the temperature above the room: found on
// boards drawn at random (TestKinTellsBoardsApart in control/full).
const (
	kinJoint  = 0.02
	kinBody   = 0.025
	kinBoard  = 0.02
	kinLeast  = 0.6  // °C, below which noise and quantisation rule
	kinHot    = 30.0 // K above the start from which on it counts
	kinEnough = 20   // s of that
	kinLimit  = 1.0
)

// Kin compares a run with the model learned from another: the model is run through the measured heater temperatures,
// and what it says is held against the thermocouples.
func Kin(m *model.Params, tr *model.Track) Kinship {
	x, ok := tr.Start()
	if !ok {
		return Kinship{}
	}
	sum, n, seconds := 0.0, 0.0, 0
	for k := range tr.Samples {
		s := &tr.Samples[k]
		before := m.Ball(&x)
		m.Step(&x, &s.Input, 1)
		hot := x[1] - m.Ambient
		if hot < kinHot || s.Fan > 0 {
			continue
		}
		seconds++
		add := func(e, share float64) {
			z := e / (kinLeast + share*hot)
			sum, n = sum+z*z, n+1
		}
		if s.Has&model.HasJoint != 0 {
			rate := m.Ball(&x) - before
			add(s.Joint-m.Reading(m.Ball(&x)-rate/2, rate, &s.Input), kinJoint)
		}
		if s.Has&model.HasBody != 0 {
			add(s.Body-m.Body(&x, &s.Input), kinBody)
		}
		if s.Has&model.HasBoard != 0 {
			add(s.Board-m.Board(&x), kinBoard)
		}
	}
	k := Kinship{Seconds: seconds, Enough: seconds >= kinEnough && n > 0}
	if n > 0 {
		k.Distance = math.Sqrt(sum / n)
	}
	k.Kin = k.Enough && k.Distance < kinLimit
	return k
}
