package process

import (
	"trivet/process/unit"
)

// Limit is one row of a process window: what is measured, between which bounds, and who says so.
type Limit struct {
	Name     string   // for people
	Measure  string   // which measure it bounds, see the constants beginning with M
	Min, Max *float64 // in Unit, inclusive; nil where there is no such bound
	Unit     string
	Source   string
	// Confidence says how far the source can be trusted: LookedUp, FromMemory, CommonPractice or Judgement.
	Confidence string
	// Advisory rows are shown and never fail a verdict.
	Advisory bool
}

// Window is what a trace is judged against.
type Window struct {
	Kind               Kind
	Alloy              Alloy
	BodyLimit          *unit.Celsius // what the part's body may reach; nil when nobody said
	SoakFrom, SoakTo   unit.Celsius  // the soak is the time between these two on the way up
	ClassificationFrom unit.Celsius  // J-STD-020 counts its time above liquidus from here
	Limits             []Limit
}

// Names of the measures. They are keys on the wire: do not rename them.
const (
	MPeak         = "peak_c"                         // highest temperature of the coldest joint
	MHottest      = "hottest_peak_c"                 // highest temperature on any joint, and on the body when it has no limit of its own
	MAboveLiq     = "time_above_liquidus_s"          // of the joint that had least of it
	MLongestAbove = "longest_time_above_liquidus_s"  // of the joint or body that had most, counted from ClassificationFrom
	MRampUp       = "max_ramp_up_c_per_s"            // steepest rise of any joint or body over RampWindow
	MRampDown     = "max_ramp_down_c_per_s"          // steepest fall, a positive number
	MToPeak       = "time_25_to_peak_s"              // from leaving 25 °C (or the start, if warmer) to the peak
	MSoak         = "soak_s"                         // from SoakFrom to SoakTo on the way up, coldest joint
	MNearPeak     = "time_within_5c_of_peak_s"       // of the coldest joint's own peak
	MBodyPeak     = "body_peak_c"                    // highest temperature of the body
	MBodyNear     = "body_time_within_5c_of_limit_s" // of the body, above its limit less 5 °C
	MBoardPeak    = "board_peak_c"                   // highest temperature elsewhere on the board
	MUnseen       = "longest_unseen_while_hot_s"     // longest stretch without a reading of a joint above liquidus
)

// Where the rows come from.
const (
	jstd020  = "J-STD-020D.1 Table 5-2" // classification profile, measured at the top centre of the body
	noSource = "no source"
)

// at is a bound of a limit.
func at(v float64) *float64 { return &v }

// WindowFor returns the process window for one kind of work with one alloy. bodyLimit is the most that the part's
// body may reach, nil when it is not known; it may come from the part's label or from BodyClass.
//
// Judgements made here, because the standards are written for mass reflow and not for rework:
//   - J-STD-020 is a classification profile, measured at the top centre of the body. Its ceilings (ramp up 3 °C/s,
//     ramp down 6 °C/s, 25 °C to peak in 6 or 8 min, 150 s above liquidus) are what a part was proven to stand, so
//     they fail a verdict here too. Its floors (60 s above liquidus, the preheat times) were written to test parts,
//     not to make joints: they are advice.
//   - A joint that is to be kept (placement, reballing) needs time above liquidus to wet; under 45 s fails. A joint
//     that is being opened needs only to have melted, which the peak proves, so for a removal this is advice.
//   - The longest time above liquidus is counted on the hottest column from the standard's own 183 or 217 °C.
//   - With a body limit the body is judged by it and by its time within 5 °C of it (user's rule: at most 20 s for
//     tin-lead, 30 s for lead-free work). Without one, the joint ceiling holds for the body as well.
func WindowFor(kind Kind, a Alloy, bodyLimit *unit.Celsius) Window {
	w := Window{
		Kind: kind, Alloy: a, ClassificationFrom: a.ClassificationLiquidus(),
		// 100…150 °C for tin-lead and 150…200 °C for lead-free in J-STD-020. Both lie near 70 and 20 °C under the
		// liquidus, which is used for alloys the standard does not know (judgement).
		SoakFrom: a.Liquidus - 70, SoakTo: a.Liquidus - 20,
	}
	switch w.ClassificationFrom {
	case 183:
		w.SoakFrom, w.SoakTo = 100, 150
	case 217:
		w.SoakFrom, w.SoakTo = 150, 200
	}
	if bodyLimit != nil {
		limit := *bodyLimit
		w.BodyLimit = &limit
	}
	if kind.Melts() {
		w.Limits = append(w.Limits, peakLimits(a)...)
		w.Limits = append(w.Limits, timeLimits(kind, a)...)
	} else {
		w.Limits = append(w.Limits, solidLimits(a)...)
	}
	w.Limits = append(w.Limits, rampLimits()...)
	w.Limits = append(w.Limits, bodyLimits(w)...)
	w.Limits = append(w.Limits, Limit{
		Name: "longest stretch unseen while molten", Measure: MUnseen, Max: at(GapLimit.Seconds()), Unit: "s",
		Source: "what nobody saw cannot be proven", Confidence: Judgement,
	})
	return w
}

// JointPeak returns the lowest and highest peak a joint of alloy a may have, in °C.
// For Sn-Ag-Cu alloys with a liquidus of 220 °C: 230…250; for tin-lead: liquidus + 15…225; both common practice.
// For the rest the same rule is stretched: liquidus + 15 to liquidus + 40, and not above 260 °C, which is where
// laminates suffer (common practice), unless the alloy does not melt below that.
func JointPeak(a Alloy) (low, high unit.Celsius) {
	switch {
	case a.LeadFree && a.Solidus == 217 && a.Liquidus <= 220:
		return 230, 250
	case a.TinLead():
		return a.Liquidus + 15, 225
	}
	low, high = a.Liquidus+15, a.Liquidus+40
	if low < laminateCeiling {
		high = min(high, laminateCeiling)
	}
	return low, high
}

// laminateCeiling is the highest board surface temperature, whatever the alloy (common practice, no source).
const laminateCeiling unit.Celsius = 260

// usualPeak returns where practitioners aim: 235…245 °C for Sn-Ag-Cu, 205…220 °C for tin-lead, and 15…30 °C above
// the liquidus for anything else. Common practice, no source.
func usualPeak(a Alloy) (low, high unit.Celsius) {
	switch {
	case a.LeadFree && a.Solidus == 217 && a.Liquidus <= 220:
		return 235, 245
	case a.TinLead():
		return 205, 220
	}
	return a.Liquidus + 15, a.Liquidus + 30
}

func peakLimits(a Alloy) []Limit {
	low, high := JointPeak(a)
	aimLow, aimHigh := usualPeak(a)
	return []Limit{
		{Name: "coldest joint, peak", Measure: MPeak, Min: at(float64(low)), Unit: "°C", Source: noSource, Confidence: CommonPractice},
		{Name: "hottest joint, peak", Measure: MHottest, Max: at(float64(high)), Unit: "°C", Source: noSource, Confidence: CommonPractice},
		{Name: "coldest joint, usual peak", Measure: MPeak, Min: at(float64(aimLow)), Max: at(float64(aimHigh)), Unit: "°C",
			Source: noSource, Confidence: CommonPractice, Advisory: true},
		{Name: "board surface, peak", Measure: MBoardPeak, Max: at(float64(max(laminateCeiling, high))), Unit: "°C", Source: noSource, Confidence: CommonPractice},
	}
}

// StaysSolid is how far below its solidus a joint stays that must not melt: the joints that nobody measures are hotter here and there.
// Judgement.
const StaysSolid unit.Kelvin = 15

// solidLimits are for work in which no joint melts.
func solidLimits(a Alloy) []Limit {
	return []Limit{
		{Name: "hottest joint, stays solid", Measure: MHottest, Max: at(float64(a.Solidus - 5)), Unit: "°C", Source: "5 °C below the alloy's solidus", Confidence: Judgement},
		{Name: "board surface, peak", Measure: MBoardPeak, Max: at(float64(laminateCeiling)), Unit: "°C", Source: noSource, Confidence: CommonPractice},
	}
}

func timeLimits(kind Kind, a Alloy) []Limit {
	// 6 and 8 minutes, and the usual 45–75 or 45–90 s above liquidus, by family.
	toPeak, usualMost, soakMost := 480.0, 90.0, 180.0
	if a.TinLead() {
		toPeak, usualMost, soakMost = 360, 75, 120
	}
	return []Limit{
		{Name: "time above liquidus, least", Measure: MAboveLiq, Min: at(45), Unit: "s", Source: noSource, Confidence: CommonPractice,
			Advisory: kind == Removal},
		{Name: "time above liquidus, usual", Measure: MAboveLiq, Max: at(usualMost), Unit: "s", Source: noSource, Confidence: CommonPractice, Advisory: true},
		{Name: "time above liquidus, most", Measure: MLongestAbove, Max: at(150), Unit: "s", Source: jstd020, Confidence: LookedUp},
		{Name: "25 °C to peak", Measure: MToPeak, Max: at(toPeak), Unit: "s", Source: jstd020, Confidence: LookedUp},
		{Name: "soak", Measure: MSoak, Min: at(60), Max: at(soakMost), Unit: "s", Source: jstd020 + ", 180 s in 020C", Confidence: LookedUp, Advisory: true},
	}
}

func rampLimits() []Limit {
	const unitOf = "°C/s"
	return []Limit{
		{Name: "ramp up", Measure: MRampUp, Max: at(3), Unit: unitOf, Source: jstd020, Confidence: LookedUp},
		{Name: "ramp up, gentle", Measure: MRampUp, Max: at(2), Unit: unitOf, Source: "for ceramic capacitors on the same board", Confidence: CommonPractice, Advisory: true},
		{Name: "ramp down", Measure: MRampDown, Max: at(6), Unit: unitOf, Source: jstd020, Confidence: LookedUp},
		{Name: "ramp down, gentle", Measure: MRampDown, Max: at(3), Unit: unitOf, Source: noSource, Confidence: CommonPractice, Advisory: true},
	}
}

// bodyLimits returns the rows for the part's body, none when its limit is not known.
func bodyLimits(w Window) []Limit {
	if w.BodyLimit == nil {
		return nil
	}
	near := 30.0
	if w.Alloy.TinLead() {
		near = 20
	}
	return []Limit{
		{Name: "body, peak", Measure: MBodyPeak, Max: at(float64(*w.BodyLimit)), Unit: "°C", Source: "the part's own limit", Confidence: "as given"},
		{Name: "body, time within 5 °C of its limit", Measure: MBodyNear, Max: at(near), Unit: "s", Source: jstd020, Confidence: LookedUp},
	}
}
