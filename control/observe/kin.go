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
		return 1.2 + 0.0035*hot
	}
	return 1.4 + 0.017*hot
}

// Stem returns the standard deviation of what a thermocouple at the joint gets wrong because of the air along its wire, °C,
// for air that is excess °C hotter: stem shares are taken to be even between 0 and 3 %, of which the mean is known.
// What the model gets wrong even with a joint to look at is in it.
func Stem(excess float64) float64 {
	const share = 0.03 / 3.4641 // standard deviation of an even distribution
	const always = 0.35         // °C
	return math.Hypot(excess*share, always)
}

// Kinship says how alike a board is to the ones a model was learned on.
type Kinship struct {
	// Distance is how far the board is from the middle of its type, in units of how far boards of a type usually are: about 1 for kin.
	Distance float64
	Seconds  int  // how many seconds of real heat it stands on
	Enough   bool // there was enough heat to tell
	Kin      bool // the board may be treated as one of the type
	Far      bool // it is so clearly another that nothing learned of the type helps with it, however early
}

// measure is how strain and misfit make a distance, and from which distance on a board is none of its type. Found on boards drawn at
// random with masses within ±5 % and heat transfer within ±10 % of their type's.
type measure struct {
	usual  float64 // strain and misfit together of half of all kin
	misfit float64 // a misfit of one weighs like so many standard deviations of strain
	limit  float64 // distance
	far    float64 // times the limit: early in a run, while transients rule, kin may be past the limit, but not that far
}

var (
	// Without a joint thermocouple a wrong lesson would mislead.
	blindly = measure{usual: 3.3, misfit: 2.3, limit: 2.1, far: 3}
	// With one the joint itself corrects what the lesson gets wrong: only a board that is clearly another loses it.
	seeing = measure{usual: 2.0, misfit: 3.0, limit: 3.0, far: 2}
)

const (
	kinHot    = 30 // K above the start from which on heat counts
	kinEnough = 20 // s of that
)

// Kin judges how alike a board with a joint thermocouple is to its type by the fit that looked for it there: how far from the middle of the
// type the fit had to go (strain, see boardid.Fitted) and what it could not explain all the same (misfit).
func Kin(strain, misfit float64, tr *model.Track) Kinship { return seeing.judge(strain, misfit, tr) }

// KinBlind is Kin for a run without a joint thermocouple, with the strain of boardid.Fitted.StrainBlind.
func KinBlind(strain, misfit float64, tr *model.Track) Kinship {
	return blindly.judge(strain, misfit, tr)
}

func (m measure) judge(strain, misfit float64, tr *model.Track) Kinship {
	k := Kinship{Distance: math.Hypot(strain, m.misfit*misfit) / m.usual}
	start, ok := tr.Start()
	if !ok {
		return Kinship{}
	}
	for i := range tr.Samples {
		s := &tr.Samples[i]
		hot := s.Has&model.HasBody != 0 && s.Body-start[0] >= kinHot || s.Has&model.HasJoint != 0 && s.Joint-start[1] >= kinHot
		if hot && s.Fan == 0 {
			k.Seconds++
		}
	}
	k.Enough = k.Seconds >= kinEnough
	k.Kin = k.Enough && k.Distance < m.limit
	k.Far = k.Enough && !(k.Distance < m.far*m.limit)
	return k
}
