package forecast

import (
	"fmt"
	"slices"
	"strings"

	"trivet/control/plan"
)

// Limit names what keeps a machine from doing better. The words are stable: they are stored and sent.
type Limit string

// The limits.
const (
	LimitTop    Limit = "top_air_ceiling"
	LimitBottom Limit = "bottom_air_ceiling"
	LimitArea   Limit = "area_ceiling"
	LimitMains  Limit = "mains_budget"
	LimitBody   Limit = "package_top"
)

// words are the limits as half sentences.
var words = map[Limit]string{
	LimitTop: "the top air is as hot as it may be", LimitBottom: "the bottom air is as hot as it may be",
	LimitArea: "the area heaters are as hot as they may be", LimitMains: "the mains budget is used up",
	LimitBody: "the package top is at its limit",
}

// Code names a reason. The words are stable: they are stored and sent.
type Code string

// The reasons.
const (
	NoPlan       Code = "no_plan"
	PeakLow      Code = "peak_too_low"
	PeakLowMaybe Code = "peak_may_be_low"
	PeakHigh     Code = "peak_too_high"
	BodyHot      Code = "package_too_hot"
	BoardHot     Code = "board_too_hot"
	AboveLong    Code = "above_liquidus_too_long"
	AboveShort   Code = "above_liquidus_too_short"
	TooSlow      Code = "profile_stretched"
	TooFast      Code = "profile_out_of_reach"
	HeatLong     Code = "heating_too_long"
	JointUnsure  Code = "joint_not_known_well"
	BoardUnlike  Code = "board_unlike_any_model"
)

// Reason is one thing to know before the solder melts: what, and what can be done. Stops tells whether it speaks against
// going on.
type Reason struct {
	Code   Code
	Stops  bool
	Text   string
	Remedy string
}

// Verdict is the advice: go on into reflow unless a reason stops.
type Verdict struct {
	Go      bool
	Reasons []Reason
}

func (v *Verdict) say(r Reason) { v.Reasons = append(v.Reasons, r) }

const (
	unsure     = 3.0  // K: a standard deviation of the joint above this is not enough to end a run on
	misfit     = 2.5  // K rms left over by the fit: something is not where it is said to be
	stretch    = 15   // s of stretching worth telling
	farTooLong = 1.25 // times the longest way to the peak: past it flux is spent, whatever the part stands (judgement)
	farLag     = 8.0  // K behind although stretched as far as allowed
	bindFrom   = 0.25
)

// judge compares the forecast with the window. What cannot come right is a reason to stop; what may not is only told.
func (f *Forecast) judge(b *Basis, w *Window) {
	why := because(f.Binding)
	if w.PeakMin > 0 && f.Peak.High < w.PeakMin {
		f.say(Reason{PeakLow, true, fmt.Sprintf("The joint would reach %s, but %.0f °C are needed%s.", degrees(f.Peak), w.PeakMin, why), f.remedy()})
	} else if w.PeakMin > 0 && f.Peak.Mid < w.PeakMin {
		f.say(Reason{PeakLowMaybe, false, fmt.Sprintf("The joint may reach only %s; %.0f °C are needed%s.", degrees(f.Peak), w.PeakMin, why), f.remedy()})
	}
	if w.PeakMax > 0 && f.Peak.Low > w.PeakMax {
		f.say(Reason{PeakHigh, true, fmt.Sprintf("The joint would reach %s, above the %.0f °C allowed.", degrees(f.Peak), w.PeakMax), "Choose a profile with a lower peak."})
	}
	if w.Body > 0 && f.BodyPeak.Low > w.Body {
		f.say(Reason{BodyHot, true, fmt.Sprintf("The package top would reach %s, above its limit of %.0f °C.", degrees(f.BodyPeak), w.Body), "Heat more slowly or more from below, or shield the part; do not raise the limit above what the part's maker allows."})
	}
	if w.Board > 0 && f.BoardPeak.Low > w.Board {
		f.say(Reason{BoardHot, true, fmt.Sprintf("The board would reach %s, above its limit of %.0f °C.", degrees(f.BoardPeak), w.Board), "Heat more slowly, or choose a lower peak."})
	}
	if w.AboveMax > 0 && f.Above.Low > w.AboveMax {
		f.say(Reason{AboveLong, true, fmt.Sprintf("The joint would stay above liquidus for %s, longer than the %.0f s allowed.", seconds(f.Above), w.AboveMax), "Shorten the hold at the peak, or heat faster to it if the machine can."})
	}
	if w.ToPeak > 0 && f.ToPeak.Mid > w.ToPeak {
		// Before real heat it costs nothing to say no, where it is sure; once half the time is spent, a little more does less harm than a
		// run for nothing.
		most := w.ToPeak
		if b.Spent > most/2 {
			most *= farTooLong
		}
		f.say(Reason{HeatLong, f.ToPeak.Low > most, fmt.Sprintf("The peak would come %s after 25 °C; a part may take %.0f s%s.", seconds(f.ToPeak), w.ToPeak, why), f.remedyLong()})
	}
	if w.AboveMin > 0 && f.Above.High < w.AboveMin && f.Peak.High >= w.PeakMin {
		f.say(Reason{AboveShort, false, fmt.Sprintf("The joint would stay above liquidus for %s; %.0f s are needed.", seconds(f.Above), w.AboveMin), "Lengthen the hold at the peak."})
	}
	switch {
	case f.Lag > farLag:
		f.say(Reason{TooFast, f.Peak.Mid < w.PeakMin, fmt.Sprintf("The joint would fall up to %.0f °C behind the profile%s.", f.Lag, why), f.remedy()})
	case f.Slower > stretch && f.Peak.High >= w.PeakMin:
		f.say(Reason{TooSlow, false, fmt.Sprintf("The profile is stretched by %.0f s%s.", f.Slower, why), "Nothing needs to be done. A slower profile would say so from the start."})
	}
	if !(b.Deviation <= unsure) {
		f.say(Reason{JointUnsure, !b.Accepted, fmt.Sprintf("The joint is known only to ±%.0f °C.", 2*b.Deviation), "Stop, let the board cool, and attach a thermocouple at an outer ball."})
	}
	if !(b.Left <= misfit) {
		f.say(Reason{BoardUnlike, true, fmt.Sprintf("The thermocouples differ by %.0f °C from what any board like this would do.", b.Left), "Stop, let everything cool, and check that every thermocouple sits where it is said to sit and that the right board is chosen."})
	}
	f.Go = !slices.ContainsFunc(f.Reasons, func(r Reason) bool { return r.Stops })
}

// remedy names what helps against a joint that stays too cold, by what holds the machine back.
func (f *Forecast) remedy() string {
	for _, l := range f.Binding {
		switch l {
		case LimitBody:
			return "Soak longer or heat more slowly, so that the board comes nearer to the package; or shield the part from above."
		case LimitMains:
			return "Choose a slower profile: the same power then reaches further. A larger supply circuit is a matter for an electrician."
		case LimitArea, LimitTop, LimitBottom:
			return "Choose a slower profile with a longer soak, or cover the board around the part so that it loses less heat."
		}
	}
	return "Choose a slower profile, or one with a higher peak or longer hold."
}

// remedyLong names what helps a heating that takes too long.
func (f *Forecast) remedyLong() string {
	for _, l := range f.Binding {
		if l == LimitMains {
			return "This machine has too little power for this board: a larger supply circuit is a matter for an electrician; covering the board around the part helps a little."
		}
	}
	return "Preheat the board more evenly first (a longer bake or preheat below 100 °C counts, but hurts less), cover the board around the part, or use a machine with more heat from below."
}

// because returns the binding limits as a clause.
func because(l []Limit) string {
	if len(l) == 0 {
		return ""
	}
	parts := make([]string, len(l))
	for i := range l {
		parts[i] = words[l[i]]
	}
	return ": " + strings.Join(parts, ", ")
}

// binding returns which limits the plan rests on for a good part of the last two minutes of heating, most often first.
func binding(b *Basis, end int) []Limit {
	s := b.Schedule
	counts := map[Limit]int{}
	from := max(0, end-120)
	for i := from; i <= end; i++ {
		for g, l := range [plan.Groups]Limit{plan.Top: LimitTop, plan.Bottom: LimitBottom, plan.Area: LimitArea} {
			if b.Ceiling[g] > 0 && s.Set[g][i] > b.Ceiling[g]-3 {
				counts[l]++
			}
		}
		if b.Budget > 0 && s.Load[i] > 0.93*b.Budget {
			counts[LimitMains]++
		}
		if b.Body > 0 && s.Body[i] > b.Body-1 {
			counts[LimitBody]++
		}
	}
	var out []Limit
	for l, n := range counts {
		if float64(n) > bindFrom*float64(end-from+1) {
			out = append(out, l)
		}
	}
	slices.SortFunc(out, func(x, y Limit) int {
		if d := counts[y] - counts[x]; d != 0 {
			return d
		}
		return strings.Compare(string(x), string(y))
	})
	return out
}

func degrees(s Span) string { return fmt.Sprintf("%.0f °C (%.0f to %.0f °C)", s.Mid, s.Low, s.High) }

func seconds(s Span) string { return fmt.Sprintf("%.0f s (%.0f to %.0f s)", s.Mid, s.Low, s.High) }
