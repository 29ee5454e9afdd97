package process

import (
	"fmt"
	"math"
	"slices"
	"time"

	"trivet/process/unit"
)

// Bounds of a profile. They are ours: wide enough for any work this program is for, narrow enough that a slip of a
// digit is caught (invariant: every accepted profile is finite and short).
const (
	MaxSegments  = 200
	MaxDuration  = 3 * time.Hour
	MaxTarget    = unit.Celsius(300)       // above it laminate and flux are lost in any case
	MaxRamp      = unit.KelvinPerSecond(6) // the steepest fall J-STD-020 allows
	MaxTolerance = unit.Kelvin(25)
	// DefaultTolerance is how far from the plan a joint may be before the page says so, when a profile is silent.
	DefaultTolerance = unit.Kelvin(5)

	maxName, maxTitle = 64, 120
)

// marginOverLiquidus is how far above the liquidus the peak of a profile must be, so that the coldest ball melts
// although the thermocouple lags and the array is not even (common practice: 15…20 °C).
const marginOverLiquidus unit.Kelvin = 15

// nominalStart is where a profile is taken to begin while there is no board on the machine to measure.
const nominalStart unit.Celsius = 25

// Segment is one ramp and the hold that follows it.
type Segment struct {
	Name   string
	Target unit.Celsius         // of the joint, above 0 and at most MaxTarget
	Ramp   unit.KelvinPerSecond // how fast the target moves there, up or down; a magnitude, above 0 and at most MaxRamp
	Hold   time.Duration        // how long it stays; 0 or more
	// WaitWithin stops profile time, never the heat: the target stands still, so a board that is slow catches up and one
	// that is fast does not overshoot. It stops at the end of the ramp until the joint is this near the target. 0: never wait.
	WaitWithin unit.Kelvin
	Lift       bool // the lift window is awaited in this hold
	Cool       bool // heaters may only fall; fans steer
}

// Profile is what the joint is to do over time. Get one from NewProfile; the zero Profile is unusable.
type Profile struct {
	Name      string // stable: lower-case letters, digits, hyphens
	Title     string // for people
	Kind      Kind
	Alloy     Alloy
	Segments  []Segment
	BodyLimit unit.Celsius // what the part's body may reach; 0 when the profile does not say
	Tolerance unit.Kelvin  // half width of the corridor below liquidus; NewProfile fills in DefaultTolerance for 0
}

// NewProfile returns p with its defaults filled in and its segments copied, or Problems with everything that is
// wrong. Keys in the problems are spelled as in a profile file. What is unwise but allowed is told by Warnings.
func NewProfile(p Profile) (Profile, error) {
	var wrong Problems
	if !validName(p.Name) {
		wrong.add("name", fmt.Sprintf("is %q", p.Name), fmt.Sprintf("1 to %d lower-case letters, digits and hyphens, a letter first", maxName))
	}
	if n := len([]rune(p.Title)); n == 0 || n > maxTitle {
		wrong.add("title", fmt.Sprintf("has %d characters", n), fmt.Sprintf("1 to %d", maxTitle))
	}
	if !slices.Contains(Kinds(), p.Kind) {
		wrong.add("kind", fmt.Sprintf("is %q", string(p.Kind)), kindWords())
	}
	if !(p.Alloy.Liquidus > 0 && p.Alloy.Liquidus < MaxTarget) {
		wrong.add("alloy", fmt.Sprintf("%q is not an alloy this program can melt", p.Alloy.Name), AlloyNames())
	}
	// 100 °C is below anything solder needs; a limit under it is a slip of the unit or of a digit.
	if p.BodyLimit != 0 && !(p.BodyLimit >= 100 && p.BodyLimit <= MaxTarget) {
		wrong.add("body_limit_c", fmt.Sprintf("is %g", float64(p.BodyLimit)), fmt.Sprintf("100 to %g, or left out", float64(MaxTarget)))
	}
	if p.Tolerance == 0 {
		p.Tolerance = DefaultTolerance
	}
	if !(p.Tolerance >= 1 && p.Tolerance <= MaxTolerance) {
		wrong.add("tolerance_c", fmt.Sprintf("is %g", float64(p.Tolerance)), fmt.Sprintf("1 to %g, or left out for %g", float64(MaxTolerance), float64(DefaultTolerance)))
	}
	p.Segments = slices.Clone(p.Segments)
	p.checkSegments(&wrong)
	if err := wrong.err(); err != nil {
		return Profile{}, err
	}
	return p, nil
}

// WithBodyLimit returns the profile with another body limit, in °C, or Problems if that limit cannot be one.
func WithBodyLimit(p Profile, limitC float64) (Profile, error) {
	if limitC == 0 { // in a Profile 0 means that nobody said; somebody did
		return Profile{}, Problems{{Key: "body_limit_c", What: "is 0", Allowed: fmt.Sprintf("100 to %g", float64(MaxTarget))}}
	}
	p.BodyLimit = unit.Celsius(limitC)
	return NewProfile(p)
}

// Lowered returns the profile with its peak lowered by some kelvin, for a joint that is not known better than that, but not below
// what the coldest ball needs to melt. Segments below the lowered peak stay as they are.
func Lowered(p Profile, by unit.Kelvin) (Profile, error) {
	peak := max(p.Alloy.Liquidus.Plus(marginOverLiquidus), p.Peak().Plus(-by))
	p.Segments = slices.Clone(p.Segments)
	for i := range p.Segments {
		p.Segments[i].Target = min(p.Segments[i].Target, peak)
	}
	return NewProfile(p)
}

// validName keeps names usable as file names, in addresses and in a shell, without quoting anywhere.
func validName(s string) bool {
	if s == "" || len(s) > maxName || !(s[0] >= 'a' && s[0] <= 'z') {
		return false
	}
	for _, r := range s {
		if !(r >= 'a' && r <= 'z' || r >= '0' && r <= '9' || r == '-') {
			return false
		}
	}
	return true
}

// checkSegments notes what is wrong with the segments, each by itself first and then together. The rules about
// several segments are asked only if every number is sound, so that one slip is not reported three times.
func (p Profile) checkSegments(wrong *Problems) {
	if n := len(p.Segments); n == 0 || n > MaxSegments {
		wrong.add("segment", fmt.Sprintf("there are %d", n), fmt.Sprintf("1 to %d", MaxSegments))
		return
	}
	before := len(*wrong)
	names := map[string]int{} // the page and the records tell segments apart by name
	for i, s := range p.Segments {
		s.check(i, wrong)
		if first, seen := names[s.Name]; seen && s.Name != "" {
			wrong.add(fmt.Sprintf("segment[%d].name", i), fmt.Sprintf("%q is already the name of segment[%d]", s.Name, first), "a name of its own")
		} else {
			names[s.Name] = i
		}
	}
	if len(*wrong) > before {
		return
	}
	p.checkShape(wrong)
}

// check notes what is wrong with segment number i taken alone.
func (s Segment) check(i int, wrong *Problems) {
	key := func(k string) string { return fmt.Sprintf("segment[%d].%s", i, k) }
	// Each range is written so that NaN is outside it.
	if n := len([]rune(s.Name)); n == 0 || n > maxName {
		wrong.add(key("name"), fmt.Sprintf("has %d characters", n), fmt.Sprintf("1 to %d", maxName))
	}
	if !(s.Target > 0 && s.Target <= MaxTarget) {
		wrong.add(key("target_c"), fmt.Sprintf("is %g", float64(s.Target)), fmt.Sprintf("above 0 and at most %g", float64(MaxTarget)))
	}
	if !(s.Ramp > 0 && s.Ramp <= MaxRamp) {
		wrong.add(key("ramp_c_per_s"), fmt.Sprintf("is %g", float64(s.Ramp)), fmt.Sprintf("above 0 and at most %g; a magnitude, also where it cools", float64(MaxRamp)))
	}
	if !(s.Hold >= 0 && s.Hold <= MaxDuration) {
		wrong.add(key("hold_s"), fmt.Sprintf("is %g", s.Hold.Seconds()), fmt.Sprintf("0 to %g", MaxDuration.Seconds()))
	}
	if !(s.WaitWithin >= 0 && s.WaitWithin <= MaxTolerance) {
		wrong.add(key("wait_within_c"), fmt.Sprintf("is %g", float64(s.WaitWithin)), fmt.Sprintf("0 (do not wait) to %g", float64(MaxTolerance)))
	}
	// While it cools nothing can be waited for: there is no heat to bring a slow joint up, and a part that has not been
	// lifted by then stays on.
	if s.Cool && s.Lift {
		wrong.add(key("lift"), "a part cannot be lifted while it cools", "lift in a hold at the peak")
	}
	if s.Cool && s.WaitWithin > 0 {
		wrong.add(key("wait_within_c"), "a cooling segment does not wait", "0, or left out")
	}
}

// checkShape notes what is wrong with the segments together: length, peak, the order of cooling, the lift.
func (p Profile) checkShape(wrong *Problems) {
	if total := p.nominal(); total > MaxDuration {
		wrong.add("segment", fmt.Sprintf("all of them take %.0f min", total.Minutes()), fmt.Sprintf("at most %.0f min", MaxDuration.Minutes()))
	}
	// A peak outside what the alloy's own window allows is refused here and not only judged afterwards: nobody should
	// heat a board to find out.
	peak := p.PeakSegment()
	if t := p.Segments[peak].Target; !p.Kind.Melts() {
		if most := p.Alloy.Solidus.Plus(-StaysSolid); p.Alloy.Solidus > 0 && !(t <= most) {
			wrong.add(fmt.Sprintf("segment[%d].target_c", peak), fmt.Sprintf("a %s reaches %g with %s (solidus %g)", p.Kind, float64(t), p.Alloy.Name, float64(p.Alloy.Solidus)),
				fmt.Sprintf("at most %g: joints stay solid", float64(most)))
		}
	} else if p.Alloy.Liquidus > 0 {
		low := p.Alloy.Liquidus.Plus(marginOverLiquidus)
		_, high := JointPeak(p.Alloy)
		if !(t >= low && t <= high) {
			wrong.add(fmt.Sprintf("segment[%d].target_c", peak), fmt.Sprintf("the peak is %g with %s (liquidus %g)", float64(t), p.Alloy.Name, float64(p.Alloy.Liquidus)),
				fmt.Sprintf("%g to %g", float64(low), float64(high)))
		}
	}
	lift, cool, before := -1, false, nominalStart
	for i, s := range p.Segments {
		// Cooling comes last and only downwards: once heaters may only fall, a rise could not be followed.
		switch {
		case s.Cool && !(s.Target < before):
			wrong.add(fmt.Sprintf("segment[%d].target_c", i), fmt.Sprintf("cools to %g from %g", float64(s.Target), float64(before)), "lower than the segment before")
		case cool && !s.Cool:
			wrong.add(fmt.Sprintf("segment[%d].cool", i), "heats again after the cooling", "cooling segments last")
		}
		// One lift, in a removal, where every joint surely is molten: pulling a part off joints that are not takes the
		// pads along.
		if s.Lift {
			switch {
			case p.Kind != Removal:
				wrong.add(fmt.Sprintf("segment[%d].lift", i), fmt.Sprintf("a %s lifts nothing", p.Kind), "only in a removal")
			case lift >= 0:
				wrong.add(fmt.Sprintf("segment[%d].lift", i), fmt.Sprintf("segment[%d] lifts already", lift), "one lift in a profile")
			case s.Target < p.Alloy.Liquidus.Plus(marginOverLiquidus):
				wrong.add(fmt.Sprintf("segment[%d].lift", i), fmt.Sprintf("joints are not surely molten at %g", float64(s.Target)),
					fmt.Sprintf("a target of at least %g", float64(p.Alloy.Liquidus.Plus(marginOverLiquidus))))
			}
			lift = i
		}
		cool, before = cool || s.Cool, s.Target
	}
}

// PeakSegment returns, counted from 0, which segment first has the highest target, or -1 for a profile without segments.
func (p Profile) PeakSegment() int {
	peak := -1
	for i, s := range p.Segments {
		if peak < 0 || s.Target > p.Segments[peak].Target {
			peak = i
		}
	}
	return peak
}

// Peak returns the highest target, 0 for a profile without segments.
func (p Profile) Peak() unit.Celsius {
	if i := p.PeakSegment(); i >= 0 {
		return p.Segments[i].Target
	}
	return 0
}

// Body returns the body limit and whether there is one.
func (p Profile) Body() (unit.Celsius, bool) { return p.BodyLimit, p.BodyLimit > 0 }

// Window returns the process window this profile's runs are judged against: that of its kind, alloy and body limit.
func (p Profile) Window() Window {
	if limit, ok := p.Body(); ok {
		return WindowFor(p.Kind, p.Alloy, &limit)
	}
	return WindowFor(p.Kind, p.Alloy, nil)
}

// nominal returns how long the ramps and holds take from nominalStart, without smoothing and without waits.
// It is capped well above MaxDuration, because a ramp of 1e-300 °C/s would overflow a duration.
func (p Profile) nominal() time.Duration {
	total, before := 0.0, nominalStart // in seconds, as a float: it cannot overflow
	for _, s := range p.Segments {
		total += math.Abs(float64(s.Target-before))/float64(s.Ramp) + s.Hold.Seconds()
		before = s.Target
	}
	return time.Duration(min(total, 1e6) * float64(time.Second))
}
